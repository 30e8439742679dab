"""Small painted shoots of one door: enough for every command to give a result within seconds.

How true a measurement is, is checked elsewhere; these photos are for what happens around it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from painter import Phone, paint, save
from scenes import Scene, facing, looking_at

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.lens.model import Lens
from fitscan.markers.kit import CuffSpec, Kit, RuleSpec, TagSpec
from fitscan.markers.layout import Layout
from fitscan.survey.state import State, pack_markers, pack_photos

__all__ = ["LENS", "PHONE", "PHOTOS", "SHIFT_MM", "STRANGER", "TWIN", "kit", "paint_door", "truth"]

LENS = Lens(np.array([1200.0, 1.0, 800.0, 600.0, 0.0, 0.0, 0.0, 0.0, 0.0]), 1600, 1200)
"""Without distortion, so that photos of a board through a homography are by the same phone."""

PHONE = Phone(blur_px=0.6)
PHOTOS = 6
SHIFT_MM = np.array([1.6, -0.9, 2.1])
"""How far the cage sits from its record in the refitted shoot."""

STRANGER, TWIN = 301, 302
"""Tags that no kit has; `paint_door` can print another id on them."""

_BARS = {100: -240.0, 112: 10.0, 124: 250.0}
_STUBS = {200: -160.0, 212: 170.0}
_SEAT_MM = np.array([0.0, 1.5, -3.0])
"""Where the seated axis lies from the bar's axis."""


def truth() -> dict[int, Rigid]:
    """panel_from_marker of everything, mm: x along the door, y up, z towards the phone."""
    rng = np.random.default_rng(12)
    places: dict[int, tuple[float, float, float]] = {}
    for i in range(8):
        places[i] = (-330.0 + 220.0 * (i % 4), 235.0 if i < 4 else -235.0, 30.0 * (i % 3))
    for i in range(6):
        places[30 + i] = (-250.0 + 245.0 * (i % 3), 105.0 if i < 3 else -115.0, 6.0 * (i % 2))
    places[90], places[91] = (-360.0, 10.0, 5.0), (365.0, -8.0, 0.0)
    places[STRANGER], places[TWIN] = (-110.0, 170.0, 12.0), (120.0, -175.0, 9.0)
    poses = {
        m: Rigid(exp(rng.normal(0, 0.12, 3)), np.array(place) + rng.uniform(-8, 8, 3))
        for m, place in places.items()
    }
    along = facing(np.array([1.0, 0.004, 0.006]), np.array([0.0, 1.0, 0.0]), np.zeros(3)).rotation
    for m, x in (_BARS | _STUBS).items():
        aside = _SEAT_MM if m in _STUBS else np.zeros(3)
        turned = along @ exp(np.array([0.0, 0.0, rng.uniform(0, 6)]))
        poses[m] = Rigid(turned, x * along[:, 2] + aside + [0.0, 0.0, 40.0])
    return poses


def kit(*, rule: bool = True) -> Kit:
    """What is printed: a rule, eight tags on the shell, six on the trim, a bar and its stubs."""
    poses = truth()
    tags = [TagSpec(id=i, side_mm=40.0, part="shell") for i in range(8)]
    tags += [TagSpec(id=i, side_mm=30.0, part="trim") for i in range(30, 36)]
    tags += [TagSpec(id=i, side_mm=40.0, part="floor") for i in (90, 91)]
    cuffs = [
        CuffSpec(
            first_id=first, od_mm=45.0, columns=6, rows=2, side_mm=18.0, row_pitch_mm=24.0,
            part="cage" if first in _BARS else "trim",
            tube="door bar" if first in _BARS else "seat",
        )
        for first in (*_BARS, *_STUBS)
    ]  # fmt: skip
    apart = float(np.linalg.norm(poses[90].translation - poses[91].translation))
    rules = (RuleSpec(ids=(90, 91), length_mm=round(apart, 1), u_mm=0.3),) if rule else ()
    return Kit(tag=tuple(tags), cuff=tuple(cuffs), rule=rules)


def cameras(seed: int, photos: int = PHOTOS) -> list[Rigid]:
    """cam_from_panel of photos taken from all round, the phone upright and across."""
    rng = np.random.default_rng(seed)
    # The panel stands upright before the phone: what is up on it is up in the photo.
    upright = Rigid(np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]), np.zeros(3))
    cams = []
    for i in range(photos):
        way = 2.4 * i + rng.uniform(-0.3, 0.3)
        eye = np.array([340.0 * np.cos(way), 300.0 * np.sin(way), rng.uniform(620.0, 700.0)])
        aim = np.array([*rng.normal(0, 30, 2), 20.0])
        roll = (0.0, np.pi / 2)[i % 3 == 2] + rng.normal(0, 0.1)
        cams.append(looking_at(upright.apply(eye), upright.apply(aim), roll) @ upright)
    return cams


def door(cams: list[Rigid], poses: Mapping[int, Rigid], seed: int) -> Scene:
    """The scene that cameras (cam_from_panel) see, with what a phone and a printer do to it."""
    rng = np.random.default_rng(seed)
    plan = kit()
    strays = [TagSpec(id=i, side_mm=40.0, part="none") for i in (STRANGER, TWIN)]
    plan = plan.model_copy(update={"tag": (*plan.tag, *strays)})
    photo = pack_photos(cams)
    photo[:, 12] = rng.normal(0, 0.001, len(cams))
    photo[:, 14:16] = rng.normal(0, 0.3, (len(cams), 2))
    form = rng.normal(size=(len(plan.cuff), 3)) * [0.004, 0.05, 0.0005] + [0.0, 0.0, -0.002]
    state = State(photo, pack_markers(list(poses.values())), form, LENS.values[None],
                  np.array([[0.998, 0.999]]), np.array([[0.04]]))  # fmt: skip
    return Scene(plan, Layout.of(plan), tuple(poses), state, LENS)


def paint_door(
    folder: Path,
    seed: int,
    *,
    without: tuple[int, ...] = (STRANGER, TWIN),
    cage_shift_mm: Array | None = None,
    printed: Mapping[int, int] | None = None,
    photos: int = PHOTOS,
) -> None:
    """Photograph the door into a folder.

    Args:
        folder: to make.
        seed: of the walk round it and of the noise.
        without: markers that are not there.
        cage_shift_mm: by which the cage's cuffs sit elsewhere.
        printed: id on the paper of a tag that has another one in the scene.
        photos: how many of the walk's photos.
    """
    shift = np.zeros(3) if cage_shift_mm is None else cage_shift_mm
    poses = {
        m: Rigid(p.rotation, p.translation + shift) if m in _BARS else p
        for m, p in truth().items()
        if m not in without
    }
    scene = door(cameras(seed), poses, seed)
    folder.mkdir(parents=True, exist_ok=True)
    for i in range(photos):
        grey = paint(scene, i, PHONE, seed, printed=printed)
        save(folder / f"P{seed}{i:02d}.jpg", grey, PHONE)
