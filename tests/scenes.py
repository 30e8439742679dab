"""Simulated shoots with known truth: no photos, and noise as a step of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.detect.tags import Detections
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.lens.model import Lens
from fitscan.markers.kit import CuffSpec, Kit, RuleSpec, TagSpec
from fitscan.markers.layout import CORNERS, Layout
from fitscan.survey.state import State, pack_markers, pack_photos
from fitscan.survey.tag_block import TagGeometry, predict

PHONE = Lens(
    np.array([3020.0, 1.0003, 2010.0, 1495.0, 0.045, -0.08, 0.02, 3e-4, -2e-4]), 4032, 3024
)


def small_kit(rules: bool = True) -> Kit:
    """24 flat tags on a shell, 8 on a trim, four cuffs on two tubes, two rules."""
    tags = [TagSpec(id=i, side_mm=40.0, part="shell") for i in range(24)]
    tags += [TagSpec(id=i, side_mm=30.0, part="trim") for i in range(30, 38)]
    tags += [TagSpec(id=i, side_mm=40.0, part="loose") for i in range(50, 54)]
    cuff: dict[str, object] = {
        "columns": 7, "rows": 2, "side_mm": 15.0, "row_pitch_mm": 20.0, "part": "cage"
    }  # fmt: skip
    cuffs = [
        CuffSpec(first_id=100, od_mm=45.0, tube="main hoop", straight=1, **cuff),
        CuffSpec(first_id=120, od_mm=45.0, tube="main hoop", straight=1, **cuff),
        CuffSpec(first_id=140, od_mm=45.0, tube="main hoop", straight=3, **cuff),
        CuffSpec(first_id=160, od_mm=45.0, tube="main hoop", straight=3, **cuff),
    ]
    span = (
        RuleSpec(ids=(50, 51), length_mm=800.0, u_mm=0.2),
        RuleSpec(ids=(52, 53), length_mm=900.0, u_mm=0.2),
    )
    return Kit(tag=tuple(tags), cuff=tuple(cuffs), rule=span if rules else ())


@dataclass(frozen=True)
class Scene:
    """Truth of one shoot: state rows in the order of `photos` and `markers`, and the kit."""

    kit: Kit
    layout: Layout
    markers: tuple[int, ...]
    state: State
    lens: Lens

    @property
    def poses(self) -> dict[int, Rigid]:
        """world_from_marker by id."""
        rows = self.state.marker
        return {
            m: Rigid(rows[i, :9].reshape(3, 3), rows[i, 9:12]) for i, m in enumerate(self.markers)
        }


def looking_at(eye: np.ndarray, target: np.ndarray, roll: float = 0.0) -> Rigid:
    """cam_from_world of a camera at `eye` (mm) that looks at `target`, world z up."""
    forward = (target - eye) / np.linalg.norm(target - eye)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    rotation = exp(np.array([0.0, 0.0, roll])) @ rotation
    return Rigid(rotation, -rotation @ eye)


def facing(normal: np.ndarray, up: np.ndarray, centre: np.ndarray) -> Rigid:
    """world_from_marker of a tag whose z is `normal` and whose y is near `up`."""
    z = normal / np.linalg.norm(normal)
    x = np.cross(up, z)
    x /= np.linalg.norm(x)
    return Rigid(np.stack([x, np.cross(z, x), z], axis=1), centre)


def small_scene(
    seed: int = 1, photos: int = 20, *, rules: bool = True, nuisances: bool = True
) -> Scene:
    """A cabin of 1.8 x 1.4 x 1.2 m seen from inside and through its openings."""
    rng = np.random.default_rng(seed)
    kit = small_kit(rules)
    layout = Layout.of(kit)
    poses: dict[int, Rigid] = {}
    up, back = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    for i in range(24):
        side = i % 4
        along = rng.uniform(-900, 900)
        height = rng.uniform(100, 1000)
        if side == 0:
            poses[i] = facing(np.array([0.0, -1, 0.1]), up, np.array([along, 700.0, height]))
        elif side == 1:
            poses[i] = facing(np.array([0.0, 1, 0.1]), up, np.array([along, -700.0, height]))
        elif side == 2:
            place = np.array([along, rng.uniform(-600, 600), 0.0])
            poses[i] = facing(np.array([0.05, 0, 1.0]), back, place)
        else:
            place = np.array([900.0, rng.uniform(-600, 600), height])
            poses[i] = facing(np.array([-1.0, 0, 0.1]), up, place)
    for i in range(30, 38):
        place = np.array([rng.uniform(-300, 500), 690.0, rng.uniform(300, 600)])
        poses[i] = facing(np.array([0.1, -1, 0.2]), up, place)
    for (a, b), y, length in (((50, 51), -300.0, 800.0), ((52, 53), 200.0, 900.0)):
        for i, x in ((a, -length / 2), (b, length / 2)):
            poses[i] = facing(np.array([0.0, 0, 1.0]), back, np.array([x, y, 30.0]))
    for first, y, z in ((100, 550, 300), (120, 550, 800), (140, -550, 300), (160, -550, 800)):
        turn = exp(np.array([0.0, -0.14, 0.0])) @ exp(np.array([0.0, 0.0, rng.uniform(0, 6)]))
        poses[first] = Rigid(turn, np.array([200.0 - 0.14 * z, y, z]))
    poses = {m: p.step(np.r_[rng.normal(0, 0.05, 3), np.zeros(3)]) if m < 50 else p
             for m, p in poses.items()}  # fmt: skip
    cams = []
    for i in range(photos):
        angle = 2 * np.pi * i / photos
        eye = np.array([-350 + 900 * np.cos(angle), 420 * np.sin(angle), rng.uniform(500, 1100)])
        aim = np.array([200.0 - 0.6 * eye[0], -0.8 * eye[1], 400.0]) + rng.normal(0, 80, 3)
        cams.append(looking_at(eye, aim, roll=rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1)))
    markers = tuple(poses)
    photo = pack_photos(cams)
    cuffs = len(kit.cuff)
    form, printer, ink = np.zeros((cuffs, 3)), np.ones((1, 2)), np.zeros((1, 1))
    if nuisances:
        photo[:, 12] = rng.normal(0, 0.001, photos)
        photo[:, 13] = rng.normal(0.3, 0.1, photos)
        photo[:, 14:16] = rng.normal(0, 0.5, (photos, 2))
        form = rng.normal(0, 1, (cuffs, 3)) * np.array([0.006, 0.05, 0.002])
        printer, ink = np.array([[0.997, 0.9985]]), np.array([[0.04]])
    state = State(photo, pack_markers(list(poses.values())), form, PHONE.values[None], printer, ink)
    return Scene(kit, layout, markers, state, PHONE)


def visible_squares(
    scene: Scene, smallest_px: float = 18.0, steepest_deg: float = 68.0
) -> tuple[TagGeometry, np.ndarray]:
    """Squares that face a camera within its frame, and their true corners (n, 4, 2) in pixels."""
    row = {m: i for i, m in enumerate(scene.markers)}
    cuff_row = {c.first_id: i for i, c in enumerate(scene.kit.cuff)}
    keep_ids: list[int] = []
    keep_photos: list[int] = []
    corners = []
    values = {g.name: g.values for g in scene.state.groups()}
    for is_cuff in (False, True):
        ids = [t for t, p in scene.layout.tags.items() if (p.cuff is not None) == is_cuff]
        for photo in range(len(scene.state.photo)):
            geometry = TagGeometry.of(scene.layout, ids, [photo] * len(ids), row, cuff_row)
            uv = CORNERS * geometry.side_mm[:, None, None]
            p = predict(geometry, uv, values)
            inside = np.all((p.pixels > 5) & (p.pixels < [4026, 3018]), axis=(1, 2))
            side = np.linalg.norm(p.pixels - np.roll(p.pixels, 1, axis=1), axis=2).min(axis=1)
            good = inside & (p.x_in_cam[..., 2] > 200).all(axis=1) & (side > smallest_px)
            good &= (p.facing > np.cos(np.radians(steepest_deg))).all(axis=1)
            for i in np.flatnonzero(good):
                keep_ids.append(ids[i])
                keep_photos.append(photo)
                corners.append(p.pixels[i])
    geometry = TagGeometry.of(scene.layout, keep_ids, keep_photos, row, cuff_row)
    return geometry, np.array(corners)


def detections(
    scene: Scene, sigma_px: float, seed: int
) -> tuple[list[Detections], np.random.Generator]:
    """Detections per photo: true corners, moved by the photo's edge shift and by noise."""
    from fitscan.survey.network import inward

    rng = np.random.default_rng(seed)
    geometry, corners = visible_squares(scene)
    shift = scene.state.photo[geometry.photo, 13]
    moved = corners + shift[:, None, None] * inward(corners)
    moved = moved + rng.normal(0, sigma_px, moved.shape)
    out = []
    for photo in range(len(scene.state.photo)):
        rows = geometry.photo == photo
        out.append(Detections(geometry.tag_id[rows], moved[rows]))
    return out, rng
