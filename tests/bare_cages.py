"""A small cage of straight tubes in a shell, as surveys that found the truth; nothing is solved.

Cheap, so that questions of algebra can be asked hundreds of times.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from known_surveys import cuff, known_survey, on_axis
from scenes import facing

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.markers.kit import CuffSpec, DatumSpec, Kit, TagSpec
from fitscan.survey.survey import Survey

__all__ = ["TUBES", "bare_kit", "bare_survey", "cage_moved", "middle", "truth"]

SHELL = tuple(range(10))

TUBES: Mapping[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "leg left": ((0.0, 550.0, 100.0), (0.0, -0.1, 1.0)),
    "leg right": ((0.0, -550.0, 100.0), (0.0, 0.1, 1.0)),
    "harness bar": ((-20.0, -500.0, 700.0), (0.0, 1.0, 0.0)),
    "stay left": ((-60.0, 500.0, 900.0), (-1.0, 0.05, -0.8)),
}
"""Point and direction of each tube in the car, mm."""

_ALONG = (30.0, 420.0, 800.0)


def cuffs_of(tubes: tuple[str, ...]) -> list[CuffSpec]:
    return [
        cuff(100 + 40 * list(TUBES).index(tube) + 12 * i, tube)
        for tube in tubes
        for i in range(len(_ALONG))
    ]


def bare_kit(tubes: tuple[str, ...] = tuple(TUBES)) -> Kit:
    tags = tuple(TagSpec(id=i, side_mm=40.0, part="shell") for i in SHELL)
    return Kit(
        tag=tags,
        cuff=tuple(cuffs_of(tubes)),
        datum=DatumSpec(rear=0, front=1, right=2, left=3),
    )


def truth(tubes: tuple[str, ...] = tuple(TUBES)) -> dict[int, Rigid]:
    """car_from_marker."""
    up, ahead = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    floor = [(-900, 0), (900, 0), (0, -600), (0, 600), (-500, 400), (500, -420), (700, 380)]
    poses = {i: facing(up, ahead, np.array([x, y, 0.0])) for i, (x, y) in enumerate(floor)}
    for i, (x, z) in zip((7, 8, 9), ((-500.0, 500.0), (300.0, 650.0), (650.0, 300.0)), strict=True):
        poses[i] = facing(np.array([0.0, -1.0, 0.1]), up, np.array([x, 690.0, z]))
    for c in cuffs_of(tubes):
        point, direction = TUBES[c.tube]
        number = (c.first_id - 100) % 40 // 12
        poses[c.first_id] = on_axis(
            np.array(point), np.array(direction), _ALONG[number], 0.7 * number
        )
    return poses


def bare_survey(
    poses: Mapping[int, Rigid] | None = None,
    *,
    tubes: tuple[str, ...] = tuple(TUBES),
    seed: int = 1,
    sigma_mm: float = 0.05,
) -> Survey:
    return known_survey(
        bare_kit(tubes), poses or truth(tubes), seed=seed, sigma_mm=sigma_mm, sigma_rad=0.001
    )


def middle(poses: Mapping[int, Rigid]) -> Array:
    """Middle of the cuffs."""
    return np.asarray(np.mean([p.translation for m, p in poses.items() if m >= 100], axis=0))


def cage_moved(
    shift: Array,
    turn_deg: Array,
    *,
    tubes: tuple[str, ...] = tuple(TUBES),
    bends: Mapping[int, Array] | None = None,
    slides: Mapping[int, float] | None = None,
) -> dict[int, Rigid]:
    """The truth after the cage turned about its middle and shifted.

    Args:
        shift, turn_deg: of the whole cage, about the car's axes.
        tubes: of the cage.
        bends: by how much single cuffs moved besides, mm.
        slides: how far cuffs were wrapped anew along their tube, mm; they are turned about it too.
    """
    poses = truth(tubes)
    there = Rigid(np.eye(3), middle(poses))
    motion = there @ Rigid(exp(np.radians(turn_deg)), np.asarray(shift)) @ there.inverse()
    for m in [m for m in poses if m >= 100]:
        slide = (slides or {}).get(m)
        if slide is not None:
            poses[m] = poses[m] @ Rigid(exp(np.array([0.0, 0.0, 1.1])), np.array([0.0, 0.0, slide]))
        poses[m] = motion @ poses[m]
        if bends is not None and m in bends:
            poses[m] = Rigid(poses[m].rotation, poses[m].translation + bends[m])
    return poses
