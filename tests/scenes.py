"""Simulated shoots with known truth: no photos, and noise as a step of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.lens.match import LensPrior
from fitscan.lens.model import Lens
from fitscan.markers.kit import CuffSpec, DatumSpec, Kit, RuleSpec, TagSpec
from fitscan.markers.layout import CORNERS, Layout
from fitscan.photos.identity import CameraIdentity
from fitscan.plan.spots import looking_at as looking_at  # tests take it from here
from fitscan.survey import build, rounds
from fitscan.survey.look import Looked
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import Network
from fitscan.survey.priors import Priors
from fitscan.survey.state import State, pack_markers, pack_photos
from fitscan.survey.survey import Dropped, Survey
from fitscan.survey.tag_block import TagGeometry, inward, predict, predict_pixels

BoolArray = npt.NDArray[np.bool_]

PHONE = Lens(
    np.array([3020.0, 1.0003, 2010.0, 1495.0, 0.045, -0.08, 0.02, 3e-4, -2e-4]), 4032, 3024
)


FIRST_MORE = 200
"""Id of the first of more tags on a shell than 24."""


def small_kit(rules: bool = True, more: int = 0) -> Kit:
    """24 flat tags and more on a shell, 8 on a trim, four cuffs on two tubes, two rules."""
    shell = [*range(24), *range(FIRST_MORE, FIRST_MORE + more)]
    tags = [TagSpec(id=i, side_mm=40.0, part="shell") for i in shell]
    tags += [TagSpec(id=i, side_mm=30.0, part="trim") for i in range(30, 38)]
    tags += [TagSpec(id=i, side_mm=40.0, part="loose") for i in range(50, 54)]
    cuff: dict[str, Any] = {
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


def facing(normal: Array, up: Array, centre: Array) -> Rigid:
    """world_from_marker of a tag whose z is `normal` and whose y is near `up`."""
    z = normal / np.linalg.norm(normal)
    x = np.cross(up, z)
    x /= np.linalg.norm(x)
    return Rigid(np.stack([x, np.cross(z, x), z], axis=1), centre)


def cabin_cameras(rng: np.random.Generator, photos: int) -> list[Rigid]:
    """cam_from_world of photos taken on a walk round and through the cabin, upright and across."""
    cams = []
    for i in range(photos):
        angle = 2 * np.pi * i / photos
        eye = np.array([-350 + 900 * np.cos(angle), 420 * np.sin(angle), rng.uniform(500, 1100)])
        aim = np.array([200.0 - 0.6 * eye[0], -0.8 * eye[1], 400.0]) + rng.normal(0, 80, 3)
        cams.append(looking_at(eye, aim, roll=rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1)))
    return cams


def wrapped(rng: np.random.Generator, cuffs: int, printer: Array) -> Array:
    """Forms (n, 3) of cuffs wrapped by hand: skew, a radius a little off, the printer's columns."""
    form = rng.normal(size=(cuffs, 3)) * np.array([0.006, 0.05, 0.0005])
    form[:, 2] += printer[0, 0] - 1.0
    return np.asarray(form)


def small_scene(
    seed: int = 1, photos: int = 20, *, rules: bool = True, nuisances: bool = True, more: int = 0
) -> Scene:
    """A cabin of 1.8 x 1.4 x 1.2 m seen from inside and through its openings."""
    rng = np.random.default_rng(seed)
    kit = small_kit(rules, more)
    layout = Layout.of(kit)
    up, back = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    poses = {i: _on_the_shell(rng, i % 4) for i in range(24)}
    for i in range(30, 38):
        place = np.array([rng.uniform(-300, 500), 690.0, rng.uniform(300, 600)])
        poses[i] = facing(np.array([0.1, -1, 0.2]), up, place)
    for (a, b), y, length in (((50, 51), -300.0, 800.0), ((52, 53), 200.0, 900.0)):
        for i, x in ((a, -length / 2), (b, length / 2)):
            poses[i] = facing(np.array([0.0, 0, 1.0]), back, np.array([x, y, 30.0]))
    for first, y, z in ((100, 550, 300), (120, 550, 800), (140, -550, 300), (160, -550, 800)):
        turn = exp(np.array([0.0, -0.14, 0.0])) @ exp(np.array([0.0, 0.0, rng.uniform(0, 6)]))
        poses[first] = Rigid(turn, np.array([200.0 - 0.14 * z, y, z]))
    others = np.random.default_rng((seed, more))  # The rest stays where it is without them.
    poses |= {FIRST_MORE + i: _on_the_shell(others, i % 4) for i in range(more)}
    poses = {m: p.step(np.r_[rng.normal(0, 0.05, 3), np.zeros(3)]) if m < 50 else p
             for m, p in poses.items()}  # fmt: skip
    cams = cabin_cameras(rng, photos)
    markers = tuple(poses)
    photo = pack_photos(cams)
    cuffs = len(kit.cuff)
    form, printer, ink = np.zeros((cuffs, 3)), np.ones((1, 2)), np.zeros((1, 1))
    if nuisances:
        photo[:, 12] = rng.normal(0, 0.001, photos)
        photo[:, 13] = rng.normal(0.3, 0.1, photos)
        photo[:, 14:16] = rng.normal(0, 0.5, (photos, 2))
        printer, ink = np.array([[0.997, 0.9985]]), np.array([[0.04]])
        form = wrapped(rng, cuffs, printer)
    state = State(photo, pack_markers(list(poses.values())), form, PHONE.values[None], printer, ink)
    return Scene(kit, layout, markers, state, PHONE)


def _on_the_shell(rng: np.random.Generator, side: int) -> Rigid:
    """world_from_marker of a tag somewhere on the left, the right, the floor or the front."""
    up, back = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    along = rng.uniform(-900, 900)
    height = rng.uniform(100, 1000)
    if side == 0:
        return facing(np.array([0.0, -1, 0.1]), up, np.array([along, 700.0, height]))
    if side == 1:
        return facing(np.array([0.0, 1, 0.1]), up, np.array([along, -700.0, height]))
    if side == 2:
        place = np.array([along, rng.uniform(-600, 600), 0.0])
        return facing(np.array([0.05, 0, 1.0]), back, place)
    place = np.array([900.0, rng.uniform(-600, 600), height])
    return facing(np.array([-1.0, 0, 0.1]), up, place)


def visible_squares(
    scene: Scene,
    smallest_px: float = 18.0,
    steepest_deg: float = 68.0,
    *,
    photos: Sequence[int] | None = None,
) -> tuple[TagGeometry, Array]:
    """Squares that face a camera within its frame, and their true corners (n, 4, 2) in pixels."""
    frame = [scene.lens.width_px - 6, scene.lens.height_px - 6]
    row = {m: i for i, m in enumerate(scene.markers)}
    cuff_row = {c.first_id: i for i, c in enumerate(scene.kit.cuff)}
    keep_ids: list[int] = []
    keep_photos: list[int] = []
    corners = []
    values = {g.name: g.values for g in scene.state.groups()}
    for is_cuff in (False, True):
        ids = [
            t
            for t, p in scene.layout.tags.items()
            if (p.cuff is not None) == is_cuff and p.marker_id in row
        ]
        for photo in range(len(scene.state.photo)) if photos is None else photos:
            geometry = TagGeometry.of(scene.layout, ids, [photo] * len(ids), row, cuff_row)
            uv = CORNERS * geometry.side_mm[:, None, None]
            p = predict(geometry, uv, values)
            inside = np.all((p.pixels > 5) & (p.pixels < frame), axis=(1, 2))
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


PHONE_IDENTITY = CameraIdentity("Lumen", "P7", "wide", 5.4, 26.0, 1.0, 4032, 3024)

LENS_SIGMA = np.array([12.0, 1e-4, 2.0, 2.0, 0.003, 0.01, 0.01, 1e-4, 1e-4])
"""How well a calibration knows the lens; f with what a shoot's focus adds."""


def lens_prior(lens: Lens, rng: np.random.Generator | None = None) -> LensPrior:
    """What a calibration says of the scene's lens; off by one draw of its uncertainty."""
    error = rng.normal(size=9) * LENS_SIGMA if rng is not None else np.zeros(9)
    known = Lens(lens.values + error, lens.width_px, lens.height_px)
    return LensPrior(known, np.diag(LENS_SIGMA**2), PHONE_IDENTITY, "calibration")


def with_cameras(scene: Scene, cams: list[Rigid], seed: int | None = None) -> Scene:
    """The same scene photographed from elsewhere; with a seed, each photo breathes anew."""
    photo = pack_photos(cams)
    if seed is not None:
        rng = np.random.default_rng(seed)
        photo[:, 12] = rng.normal(0, 0.001, len(cams))
        photo[:, 13] = rng.normal(0.3, 0.1, len(cams))
        photo[:, 14:16] = rng.normal(0, 0.5, (len(cams), 2))
    return replace(scene, state=replace(scene.state, photo=photo))


def with_motions(scene: Scene, world_from_world: Mapping[int, Rigid]) -> Scene:
    """The scene after some markers moved."""
    poses = {m: world_from_world.get(m, Rigid.identity()) @ p for m, p in scene.poses.items()}
    marker = pack_markers([poses[m] for m in scene.markers])
    return replace(scene, state=replace(scene.state, marker=marker))


def well_seen(scene: Scene) -> Scene:
    """The scene without the flat markers that fewer than two photos show."""
    geometry, _ = visible_squares(scene)
    first = {c.first_id for c in scene.kit.cuff}
    keep = [
        i
        for i, m in enumerate(scene.markers)
        if m in first or len(set(geometry.photo[geometry.marker == i].tolist())) >= 2
    ]
    marker = scene.state.marker[keep]
    markers = tuple(scene.markers[i] for i in keep)
    return replace(scene, markers=markers, state=replace(scene.state, marker=marker))


def redrawn(scene: Scene, seed: int, priors: Priors | None = None) -> Scene:
    """The scene with every nuisance drawn from its prior and every rule read with its u."""
    p = priors or Priors()
    rng = np.random.default_rng(seed)
    state = scene.state
    photo = state.photo.copy()
    sigma = [p.focal_factor, p.edge_shift_px, p.principal_point_px, p.principal_point_px]
    photo[:, 12:16] = rng.normal(size=(len(photo), 4)) * sigma
    printer = 1.0 + p.printer * rng.normal(size=(1, 2))
    wrap = rng.normal(size=(1, 2)) * [p.together_radius_mm, p.together_pitch]
    form = rng.normal(size=state.form.shape) * [p.skew, p.radius_mm, p.pitch]
    form[:, 1:] += wrap
    form[:, 2] += printer[0, 0] - 1.0
    ink = p.ink_mm * rng.normal(size=(1, 1))
    poses = scene.poses
    rules = tuple(
        RuleSpec(
            ids=r.ids,
            length_mm=float(
                np.linalg.norm(poses[r.ids[0]].translation - poses[r.ids[1]].translation)
                + r.u_mm * rng.normal()
            ),
            u_mm=r.u_mm,
        )
        for r in scene.kit.rule
    )
    kit = scene.kit.model_copy(update={"rule": rules})
    changed = replace(state, photo=photo, form=form, printer=printer, ink=ink, wrap=wrap)
    return replace(scene, kit=kit, layout=Layout.of(kit), state=changed)


@dataclass(frozen=True)
class Noise:
    """How well squares are seen: the first look's corners, then edges on the model, in px."""

    corner_px: float = 0.3
    edge_px: float = 0.05
    shift_px: float = 0.02
    missed: float = 0.0
    """Share of squares that the first look misses and the search on the model finds."""


@dataclass(frozen=True)
class Shots:
    """What the photos of a scene show, square by square.

    Attributes:
        scene: truth.
        geometry: which squares.
        first: (n, 4, 2) corners of the first look; missed: (n,) not found by it.
        observed, covariance: (n, 9), (n, 9, 9) as edges on the model give them.
        px_per_mm: (n,).
    """

    scene: Scene
    geometry: TagGeometry
    first: Array
    missed: BoolArray
    observed: Array
    covariance: Array
    px_per_mm: Array

    def only(self, rows: BoolArray) -> Shots:
        """Some of the squares."""
        return Shots(
            self.scene,
            self.geometry.take(rows),
            self.first[rows],
            self.missed[rows],
            self.observed[rows],
            self.covariance[rows],
            self.px_per_mm[rows],
        )

    def joined(self, other: Shots) -> Shots:
        """The squares of both, of photos with the same rows."""
        return Shots(
            self.scene,
            TagGeometry.joined([self.geometry, other.geometry]),
            np.concatenate([self.first, other.first]),
            np.concatenate([self.missed, other.missed]),
            np.concatenate([self.observed, other.observed]),
            np.concatenate([self.covariance, other.covariance]),
            np.concatenate([self.px_per_mm, other.px_per_mm]),
        )


def take_photos(scene: Scene, seed: int, noise: Noise | None = None) -> Shots:
    """Photograph a scene: true corners, moved by edge shift and ink, then by noise."""
    noise = noise or Noise()
    rng = np.random.default_rng(seed)
    geometry, corners = visible_squares(scene)
    n = len(geometry)
    side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    px_per_mm = side / geometry.side_mm
    shift = scene.state.photo[geometry.photo, 13] - scene.state.ink[0, 0] * px_per_mm
    first = corners + shift[:, None, None] * inward(corners)
    first = first + rng.normal(0, noise.corner_px, first.shape)
    sigma = np.r_[np.full(8, noise.edge_px), noise.shift_px]
    observed = np.concatenate([corners.reshape(n, 8), shift[:, None]], axis=1)
    observed = observed + rng.normal(size=(n, 9)) * sigma
    covariance = np.tile(np.diag(sigma**2), (n, 1, 1))
    missed = rng.uniform(size=n) < noise.missed
    return Shots(scene, geometry, first, missed, observed, covariance, px_per_mm)


FOLDER = Path("shoot")


def photo_name(row: int) -> str:
    """File name of a simulated photo."""
    return f"photo{row:02d}.jpg"


def exif_orientation(scene: Scene, row: int) -> int:
    """How the phone was held: which side of the sensor's picture the world's up is on."""
    right, down, _ = scene.state.photo[row, :9].reshape(3, 3)[:, 2]
    if abs(down) >= abs(right):
        return 1 if down < 0 else 3
    return 6 if right < 0 else 8


def survey_of(
    shots: Shots,
    *,
    name: str = "shoot",
    kit: Kit | None = None,
    prior: LensPrior | None = None,
    priors: Priors | None = None,
    order: list[int] | None = None,
    first_of: Callable[[int], Detections] | None = None,
    unknown: dict[int, tuple[str, ...]] | None = None,
) -> Survey:
    """Run the whole survey on simulated shots: only reading photos is replaced.

    Args:
        shots: what the photos show.
        name: of the survey.
        kit: what the survey is told of the markers; the scene's own if None.
        prior: of the lens; the scene's own lens if None.
        priors: of the nuisances.
        order: in which the photos are given.
        first_of: detections of the first look by photo row, if not the shots' own.
        unknown: ids that the kit does not have, with the photos that show them.
    """
    scene, geometry = shots.scene, shots.geometry
    kit = kit or scene.kit
    known = set(kit.tag_ids)
    count = len(scene.state.photo)
    given = order or list(range(count))

    def own(row: int) -> Detections:
        seen = (geometry.photo == row) & ~shots.missed
        return Detections(geometry.tag_id[seen], shots.first[seen])

    found = [(first_of or own)(row) for row in given]
    looked = Looked(
        FOLDER,
        tuple(FOLDER / photo_name(row) for row in given),
        tuple(f.keep(known) for f in found),
        tuple(f"{row:064x}" for row in given),
        tuple(exif_orientation(scene, row) for row in given),
        {},
        tuple(
            Dropped(photo_name(row), i, "it is at two places of this photo")
            for row, f in zip(given, found, strict=True)
            for i in f.doubles
        ),
        unknown or {},
    )

    def measure(
        network: Network, values: Values, looked: Looked, *_: object
    ) -> list[PhotoMeasurement]:
        return [
            _measured(shots, int(path.stem[-2:]), row, network, values)
            for row, path in enumerate(looked.paths)
        ]

    with mock.patch.object(rounds, "measure_all", measure):
        return build.build_survey(
            name, looked, {}, kit, prior or lens_prior(scene.lens), priors=priors
        )


def _measured(
    shots: Shots, photo: int, row: int, network: Network, values: Values
) -> PhotoMeasurement:
    """One photo's squares, as far as they lie near where the survey expects them."""
    wanted = [t for m in network.markers for t in network.layout.markers[m]]
    rows = np.flatnonzero((shots.geometry.photo == photo) & np.isin(shots.geometry.tag_id, wanted))
    near = np.zeros(len(rows), dtype=bool)
    for on_cuff in (False, True):
        own = np.flatnonzero((shots.geometry.cuff[rows] >= 0) == on_cuff)
        ids = shots.geometry.tag_id[rows[own]].tolist()
        geometry = network.geometry(ids, [row] * len(ids))
        expected = predict_pixels(geometry, CORNERS * geometry.side_mm[:, None, None], values)
        off = shots.observed[rows[own], :8].reshape(-1, 4, 2) - expected
        side = np.linalg.norm(expected[:, 0] - expected[:, 2], axis=1) / np.sqrt(2.0)
        near[own] = np.linalg.norm(off, axis=2).max(axis=1) < np.maximum(0.5 * side, 8.0)
    rows = rows[near]
    return PhotoMeasurement(
        shots.geometry.tag_id[rows],
        shots.observed[rows],
        shots.covariance[rows],
        shots.px_per_mm[rows],
        shots.missed[rows],
        tuple(shots.geometry.tag_id[rows].tolist()),
        0.0,
        np.ones(len(rows)),
    )


def centre_errors(survey: Survey, scene: Scene) -> Array:
    """Distances (n,) of the survey's centres from the truth after the best rigid alignment."""
    from fitscan.geometry.align import align_points

    found = np.array([p.translation for p in survey.poses])
    true = np.array([scene.poses[m].translation for m in survey.markers])
    fit = align_points(found, true, with_scale=False)
    return np.asarray(np.linalg.norm(fit.apply(found) - true, axis=1))


@lru_cache(maxsize=8)
def _root(covariance: bytes) -> Array:
    """A square root of a covariance, which may be short of rank."""
    matrix = np.frombuffer(covariance)
    matrix = matrix.reshape(round(len(matrix) ** 0.5), -1)
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def drawn(survey: Survey, rng: np.random.Generator) -> Survey:
    """The survey with its poses moved by one draw of its own covariance."""
    root = _root(survey.covariance.tobytes())
    step = (root @ rng.normal(size=len(root))).reshape(-1, 6)
    poses = tuple(p.step(d) for p, d in zip(survey.poses, step, strict=True))
    return replace(survey, poses=poses)


def moved_survey(survey: Survey, new_from_old: Rigid) -> Survey:
    """The same survey told in another frame."""
    turn = np.kron(np.eye(2 * len(survey.poses)), new_from_old.rotation)
    covariance = turn @ survey.covariance @ turn.T
    return replace(
        survey,
        poses=tuple(new_from_old @ p for p in survey.poses),
        covariance=0.5 * (covariance + covariance.T),
    )


def true_survey(survey: Survey, poses: Mapping[int, Rigid]) -> Survey:
    """The survey with its covariance, and the truth (its own frame's turn) for its poses."""
    from fitscan.geometry.align import align_points

    here = np.array([poses[m].translation for m in survey.markers])
    there = np.array([p.translation for p in survey.poses])
    survey_from_world = align_points(here, there, with_scale=False).b_from_a
    return replace(survey, poses=tuple(survey_from_world @ poses[m] for m in survey.markers))


def cage_scene(seed: int = 1, photos: int = 24) -> Scene:
    """The small cabin with eight cuffs on a half cage and four tags that fix the car's axes."""
    base = small_scene(seed, photos)
    cuff: dict[str, Any] = {
        "columns": 7, "rows": 2, "side_mm": 15.0, "row_pitch_mm": 20.0, "part": "cage",
        "od_mm": 45.0,
    }  # fmt: skip
    bars = [("main hoop", 1, 200.0, 550.0), ("main hoop", 3, 200.0, -550.0)]
    bars += [("stay left", 1, -350.0, 500.0), ("stay right", 1, -350.0, -500.0)]
    rng = np.random.default_rng([seed, 8])
    cuffs: list[CuffSpec] = []
    poses = {m: p for m, p in base.poses.items() if m < 100}
    for tube, straight, x, y in bars:
        for z in (300.0, 800.0):
            first = 100 + 14 * len(cuffs)
            cuffs.append(CuffSpec(first_id=first, tube=tube, straight=straight, **cuff))
            turn = exp(np.array([0.0, -0.14, 0.0])) @ exp(np.array([0.0, 0.0, rng.uniform(0, 6)]))
            poses[first] = Rigid(turn, np.array([x - 0.14 * z, y, z]))
    axes = {54: (-700.0, 0.0), 55: (800.0, 0.0), 56: (0.0, -600.0), 57: (0.0, 600.0)}
    for tag, (x, y) in axes.items():
        up, ahead = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
        poses[tag] = facing(up, ahead, np.array([x, y, 20.0]))
    tags = base.kit.tag + tuple(TagSpec(id=i, side_mm=40.0, part="shell") for i in axes)
    datum = DatumSpec(rear=54, front=55, right=56, left=57)
    kit = Kit(tag=tags, cuff=tuple(cuffs), rule=base.kit.rule, datum=datum)
    form = wrapped(rng, len(cuffs), base.state.printer)
    state = replace(base.state, marker=pack_markers(list(poses.values())), form=form)
    return Scene(kit, Layout.of(kit), tuple(poses), state, PHONE)


@dataclass(frozen=True)
class Door:
    """Truth of a door's recess and bar in the trim's frame: x along, y up, z out of the panel.

    Attributes:
        seat: point and direction of the seated axis.
        bar: point and direction of the bar's straight beside it.
        second: the same of the bar's other straight, behind a bend.
    """

    seat: tuple[Array, Array] = (np.array([0.0, 20.0, -6.0]), np.array([1.0, 0.0, 0.0]))
    bar: tuple[Array, Array] = (np.array([0.0, 21.5, -3.0]), np.array([1.0, 0.004, -0.006]))
    second: tuple[Array, Array] = (np.array([420.0, 21.0, 40.0]), np.array([0.8, 0.0, 0.6]))


def door_kit(stubs: int = 2, part: str = "stub") -> Kit:
    """A trim with 12 tags and a rule, a bar with five cuffs on two straights, stubs in a seat."""
    tags = [TagSpec(id=i, side_mm=30.0, part="trim") for i in range(12)]
    tags += [TagSpec(id=i, side_mm=40.0, part="shell") for i in range(20, 26)]
    cuff: dict[str, Any] = {
        "columns": 7, "rows": 2, "side_mm": 15.0, "row_pitch_mm": 20.0, "od_mm": 45.0
    }  # fmt: skip
    cuffs = [
        CuffSpec(first_id=100 + 14 * i, tube="door bar", part="cage",
                 straight=1 if i < 3 else 2, **cuff)
        for i in range(5)
    ]  # fmt: skip
    cuffs += [CuffSpec(first_id=200 + 14 * i, tube="seat", part=part, **cuff) for i in range(stubs)]
    rule = (RuleSpec(ids=(0, 11), length_mm=1.0, u_mm=0.2),)
    return Kit(tag=tuple(tags), cuff=tuple(cuffs), rule=rule)


def door_scene(*, opened: bool, seed: int = 1, door: Door | None = None, kit: Kit | None = None,
               photos: int = 14) -> Scene:  # fmt: skip
    """The door's shoot: open shows trim and stubs, shut shows trim, bar and shell."""
    door = door or Door()
    kit = kit or door_kit()
    rng = np.random.default_rng(3)  # The trim is the same in both shoots.
    trim: dict[int, Rigid] = {}
    for i in range(12):
        column, row = divmod(i, 2)
        place = np.array([-350.0 + 140.0 * column, 150.0 if row else -160.0, 0.0])
        tilt = exp(rng.normal(0, 0.08, 3))
        trim[i] = Rigid(tilt, place + np.r_[rng.uniform(-20, 20, 2), rng.uniform(-8, 8)])
    length = float(np.linalg.norm(trim[0].translation - trim[11].translation))
    kit = kit.model_copy(update={"rule": (RuleSpec(ids=(0, 11), length_mm=length, u_mm=0.2),)})
    poses = dict(trim)
    rng = np.random.default_rng([seed, opened])
    if opened:
        stubs = [c.first_id for c in kit.cuff if c.tube == "seat"]
        for i, x in zip(stubs, np.linspace(-220.0, 220.0, len(stubs)) if len(stubs) > 1 else [0.0],
                        strict=True):  # fmt: skip
            poses[i] = _on_axis(door.seat, x, rng)
    else:
        for i, x in zip((100, 114, 128), (-280.0, 10.0, 290.0), strict=True):
            poses[i] = _on_axis(door.bar, x, rng)
        for i, x in zip((142, 156), (0.0, 180.0), strict=True):
            poses[i] = _on_axis(door.second, x, rng)
        for i in range(20, 26):
            poses[i] = Rigid(exp(rng.normal(0, 0.05, 3)),
                             np.array([-500.0 + 200 * (i - 20), 330.0, 40.0]))  # fmt: skip
    upright = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    swing = exp(np.array([0.0, 0.0, 1.1 if opened else 0.0]))
    world_from_trim = Rigid(swing @ upright, np.array([200.0, 690.0, 450.0]))
    cams = []
    for i in range(photos):
        eye = np.array([500.0 * np.cos(2.4 * i), 380.0 * np.sin(2.4 * i), 500.0 + 45.0 * i])
        aim = np.array([0.55 * eye[0], 0.3 * eye[1], 0.0]) + rng.normal(0, 40, 3)
        cams.append(looking_at(world_from_trim.apply(eye), world_from_trim.apply(aim),
                               rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1)))  # fmt: skip
    poses = {m: world_from_trim @ p for m, p in poses.items()}
    printer = np.array([[0.997, 0.9985]])
    form = wrapped(rng, len(kit.cuff), printer)
    state = State(pack_photos(cams), pack_markers(list(poses.values())), form,
                  PHONE.values[None], printer, np.array([[0.04]]))  # fmt: skip
    return with_cameras(Scene(kit, Layout.of(kit), tuple(poses), state, PHONE), cams, seed)


def _on_axis(axis: tuple[Array, Array], along: float, rng: np.random.Generator) -> Rigid:
    """A cuff's pose on an axis, turned anyhow about it."""
    point, direction = axis
    z = direction / np.linalg.norm(direction)
    x = np.cross([0.0, 1.0, 0.0], z)
    x /= np.linalg.norm(x)
    frame = np.stack([x, np.cross(z, x), z], axis=1)
    return Rigid(frame @ exp(np.array([0.0, 0.0, rng.uniform(0, 6)])), point + along * z)
