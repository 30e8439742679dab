"""Surveys of a small cabin whose truth is known, as if solved without error.

Only the alignment, the gap and the recheck are computed; poses and photos are the truth itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scenes import facing, looking_at

from fitscan.fit.gap import Gap, find_gap
from fitscan.fit.recheck import Recheck, recheck
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.lens.model import Lens
from fitscan.markers.kit import CuffSpec, DatumSpec, Kit, PointerSpec, TagSpec
from fitscan.markers.layout import Layout
from fitscan.photos.identity import CameraIdentity
from fitscan.survey.survey import Dropped, PhotoEntry, Quality, Survey

WIDTH, HEIGHT = 2016, 1512
LENS = Lens(
    np.array([1510.0, 1.0003, 1005.2, 747.6, 0.045, -0.08, 0.02, 3e-4, -2e-4]), WIDTH, HEIGHT
)
PHONE = CameraIdentity("Halvorsby", "Lumo 5", "main", 5.5, 27.0, 1.0, WIDTH, HEIGHT)
OD_MM = 38.0
ACROSS_MM, OUT_MM = 1.5, 3.0
"""Truth of the gap: where the bar lies from its seat."""

SHIFT_MM = np.array([0.4, 1.9, -0.6])
"""Truth of the recheck: how the cage moved along the car's axes."""


def cuff(first: int, tube: str, straight: int, part: str, od: float = OD_MM) -> CuffSpec:
    return CuffSpec(
        first_id=first, od_mm=od, columns=6, rows=2, side_mm=15.0, row_pitch_mm=20.0, part=part,
        tube=tube, straight=straight,
    )  # fmt: skip


def kit() -> Kit:
    return Kit(
        tag=(
            *(TagSpec(id=i, side_mm=40.0, part="shell") for i in range(16)),
            *(TagSpec(id=i, side_mm=30.0, part="trim") for i in range(30, 38)),
        ),
        pointer=(PointerSpec(id=60, side_mm=20.0, reach_mm=25.0, part="trim", name="lip"),),
        cuff=(
            cuff(100, "door bar", 1, "cage"),
            cuff(112, "door bar", 1, "cage"),
            cuff(124, "door bar", 2, "cage"),
            cuff(136, "door bar", 2, "cage"),
            cuff(200, "door bar seat", 1, "trim"),
            cuff(212, "door bar seat", 1, "trim"),
            cuff(224, "door bar seat", 2, "trim"),
            cuff(236, "door bar seat", 2, "trim"),
            cuff(300, "main hoop", 1, "cage", 45.0),
            cuff(312, "main hoop", 1, "cage", 45.0),
        ),
        datum=DatumSpec(rear=0, front=1, right=2, left=3),
    )


def along(direction: np.ndarray, centre: np.ndarray, turn: float = 0.0) -> Rigid:
    """world_from_cuff of a strip on a tube that runs along a direction."""
    z = direction / np.linalg.norm(direction)
    x = np.cross([0.0, 1.0, 0.0], z)
    x /= np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z], axis=1) @ exp(np.array([0.0, 0.0, turn]))
    return Rigid(rotation, centre)


BEND = np.array([300.0, 640.0, 500.0])
LEGS = (np.array([-0.9, 0.0, 0.25]), np.array([0.85, 0.0, -0.42]))
"""Directions of the door bar's two straights, away from the bend, in the cabin."""


def truth_poses() -> dict[int, Rigid]:
    """world_from_marker in the cabin, car axes, mm."""
    rng = np.random.default_rng(5)
    up, ahead = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    floor = [(-700, 0), (900, 0), (100, -500), (100, 500), (-300, 300), (500, -300), (600, 250),
             (-500, -350)]  # fmt: skip
    poses = {i: facing(up, ahead, np.array([x, y, 0.0])) for i, (x, y) in enumerate(floor)}
    for i in range(8, 16):
        place = np.array([rng.uniform(-600, 900), 700.0, rng.uniform(60, 180)])
        poses[i] = facing(np.array([0.0, -1.0, 0.1]), up, place)
    for i in range(30, 38):
        place = np.array([-150.0 + 130.0 * (i - 30), 660.0, 640.0 - 40.0 * (i % 2)])
        poses[i] = facing(np.array([0.02 * (i - 33), -1.0, 0.05]), up, place)
    poses[60] = facing(np.array([0.0, -1.0, 0.0]), up, np.array([250.0, 660.0, 560.0]))
    for leg, first in ((0, 100), (1, 124)):
        axis = LEGS[leg] / np.linalg.norm(LEGS[leg])
        for n, reach in enumerate((90.0, 420.0)):
            turn = 0.4 * n + leg
            poses[first + 12 * n] = along(axis, BEND + reach * axis, turn)
            # "Out" of the recess is away from the trim, into the cabin: -Y.
            square = np.cross([0.0, -1.0, 0.0], axis)
            seat = BEND + reach * axis - ACROSS_MM * square - OUT_MM * np.array([0.0, -1.0, 0.0])
            poses[first + 100 + 12 * n] = along(axis, seat, turn)
    for n, z in enumerate((300.0, 800.0)):
        poses[300 + 12 * n] = along(up, np.array([-500.0, 500.0, z]), 0.3 * n)
    return poses


def cameras(photos: int = 6) -> list[Rigid]:
    """cam_from_world: photo i looks at the bar from inside, photo 4 away from it, 5 from afar."""
    aim = np.array([300.0, 640.0, 450.0])
    eyes = [(150, -300, 800), (700, -150, 700), (-200, -250, 650), (320, -100, 520)]
    out = [looking_at(np.array(e, dtype=float), aim, roll=0.05 * i) for i, e in enumerate(eyes)]
    out.append(looking_at(np.array([0.0, 300.0, 800.0]), np.array([-600.0, -700.0, 200.0])))
    out.append(looking_at(np.array([900.0, -2600.0, 1500.0]), aim))
    return out[:photos]


ORIENTATIONS = (1, 6, 3, 8, 1, 6)


def quality(dropped: tuple[Dropped, ...] = (), warnings: tuple[str, ...] = ()) -> Quality:
    return Quality(
        900, 60, 1000, 5000, 0.12, 1.0, 1.1, "rules", 0.0002, "camera file", (0.998, 0.999),
        (0.001, 0.001), 0.03, (), dropped, warnings, ("Cuff 312 was measured in only 2 photos",),
    )  # fmt: skip


def survey_of(
    name: str,
    poses: dict[int, Rigid],
    survey_from_world: Rigid,
    *,
    sigma_mm: float = 0.08,
    summary: Quality | None = None,
) -> Survey:
    """A survey that knows the truth, seen from a frame of its own."""
    plan = kit()
    layout = Layout.of(plan)
    markers = tuple(m for m in layout.markers if m in poses)
    forms = {c.first_id: (0.004, 0.05, 0.001) for c in plan.cuff if c.first_id in poses}
    quality_ = summary or quality()
    entries = []
    for i, cam_from_world in enumerate(cameras()):
        entry = PhotoEntry(
            f"P{1000 + i}.jpg", "", None, (), 0.1 + 0.01 * i,
            cam_from_world @ survey_from_world.inverse(), 1.0 + 0.001 * (i - 2),
            (0.4 * i - 1.0, 0.3), ORIENTATIONS[i],
        )  # fmt: skip
        entries.append(replace(entry, tags=tags_in(cam_from_world, poses, layout)))
    entries.append(PhotoEntry("P1099.jpg", "", "it was taken by another phone"))
    n = len(markers)
    sigma = np.tile([0.0008] * 3 + [sigma_mm] * 3, n)
    return Survey(
        name, plan, PHONE, LENS, markers,
        tuple(survey_from_world @ poses[m] for m in markers),
        np.diag(sigma**2), forms, tuple(entries), (5,) * (n - 2) + (2, 3), quality_,
    )  # fmt: skip


def tags_in(cam_from_world: Rigid, poses: dict[int, Rigid], layout: Layout) -> tuple[int, ...]:
    """Ids whose square faces the camera within the frame."""
    seen = []
    for tag_id, place in layout.tags.items():
        if place.marker_id not in poses:
            continue
        cam_from_marker = cam_from_world @ poses[place.marker_id]
        corners = place.corners()
        in_cam = cam_from_marker.apply(corners)
        centre = in_cam.mean(axis=0)
        normal = np.cross(in_cam[3] - in_cam[0], in_cam[1] - in_cam[0])
        if (in_cam[:, 2] < 100).any() or normal @ centre > -0.3 * np.linalg.norm(
            normal
        ) * np.linalg.norm(centre):
            continue
        pixels = LENS.pixels(in_cam)
        if np.all((pixels > 5) & (pixels < [WIDTH - 6, HEIGHT - 6])):
            seen.append(tag_id)
    return tuple(seen)


@dataclass(frozen=True)
class Cabin:
    """Both jobs of one small car, with the frames that only the truth knows."""

    shut: Survey
    opened: Survey
    gap: Gap
    record: Survey
    now: Survey
    recheck: Recheck
    shut_from_world: Rigid
    now_from_world: Rigid


def make_cabin() -> Cabin:
    poses = truth_poses()
    shut_from_world = Rigid(exp(np.array([0.1, -0.2, 0.7])), np.array([50.0, -80.0, 30.0]))
    open_from_world = Rigid(exp(np.array([-0.1, 0.05, -1.2])), np.array([-400.0, 900.0, 10.0]))
    in_shut = {m: p for m, p in poses.items() if not 200 <= m < 300}
    in_open = {m: p for m, p in poses.items() if 30 <= m < 70 or 200 <= m < 300}
    dropped = (Dropped("P1000.jpg", 34, "its borders contradict the other photos: half hidden"),)
    warning = ("No rule was measured: all lengths rest on the printed size of the markers",)
    shut = survey_of("door_shut", in_shut, shut_from_world, summary=quality(dropped, warning))
    opened = survey_of("door_open", in_open, open_from_world)
    gap = find_gap(shut, "door bar", opened, "door bar seat", "trim", tolerance_mm=2.0)
    then = {m: p for m, p in poses.items() if not 200 <= m < 300}
    later = dict(then)
    for c in (100, 112, 124, 136, 300, 312):
        later[c] = Rigid(then[c].rotation, then[c].translation + SHIFT_MM)
    later[5] = Rigid(then[5].rotation, then[5].translation + np.array([4.0, 0.0, 0.0]))
    record_from_world = Rigid(exp(np.array([0.0, 0.1, 0.3])), np.array([10.0, 0.0, 5.0]))
    now_from_world = Rigid(exp(np.array([0.05, 0.0, -0.6])), np.array([0.0, 200.0, 0.0]))
    record = survey_of("cage_tacked", then, record_from_world)
    now = survey_of("cage_refit", later, now_from_world)
    result = recheck(record, now, "cage", "shell", tolerance_mm=1.0)
    return Cabin(shut, opened, gap, record, now, result, shut_from_world, now_from_world)
