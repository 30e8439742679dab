"""A small cage with known leans, slopes and asymmetry, in a car on a known slope."""

from __future__ import annotations

from typing import Any

import numpy as np
from known_surveys import cuff, known_survey, on_axis

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.markers.kit import (
    CuffSpec,
    DatumSpec,
    Kit,
    PairsDatum,
    PlumbSpec,
    PointerSpec,
    TagSpec,
)
from fitscan.survey.survey import Survey

__all__ = ["CROSS", "FLOOR_PITCH", "FLOOR_ROLL", "cage_poses", "cage_survey", "direction"]

CROSS = DatumSpec(rear=0, front=1, right=2, left=3)
PAIRS = PairsDatum(pairs=((2, 3), (4, 5)), rear=0, front=1)
FLOOR_ROLL, FLOOR_PITCH = 0.8, 1.5
"""How the shed's floor tilts the car, deg, right-handed about X and Y: left side up, front down."""

TAGS = {0: (-900, 0, 0), 1: (900, 0, 0), 2: (0, -600, 0), 3: (0, 600, 0), 4: (500, -500, 300),
        5: (500, 500, 300)}  # fmt: skip


def direction(forward_deg: float, left_deg: float) -> Array:
    """Unit vector of an upright that leans by angles seen from the side and from behind."""
    d = np.array([np.tan(np.radians(forward_deg)), np.tan(np.radians(left_deg)), 1.0])
    return np.asarray(d / np.linalg.norm(d))


def slope(deg: float, plan_deg: float = 0.0) -> Array:
    """Unit vector of a bar that runs to the left and rises by an angle, turned in plan."""
    a, p = np.radians(deg), np.radians(plan_deg)
    return np.array([-np.sin(p) * np.cos(a), np.cos(p) * np.cos(a), np.sin(a)])


BARS: dict[tuple[str, int], tuple[Array, Array]] = {
    ("main hoop", 1): (np.array([-200.0, -560.0, 100.0]), direction(-3.0, 1.0)),
    ("main hoop", 2): (np.array([-250.0, -400.0, 1050.0]), slope(0.0)),
    ("main hoop", 3): (np.array([-200.0, 560.0, 100.0]), direction(-3.5, -1.0)),
    ("harness left", 1): (np.array([-250.0, 100.0, 600.0]), slope(0.25)),
    ("harness right", 1): (np.array([-250.0, -450.0, 600.0]), slope(0.05)),
    ("stay left", 1): (np.array([-300.0, 450.0, 950.0]), np.array([-0.7, 0.02, -0.71])),
    ("stay right", 1): (np.array([-300.0, -447.0, 951.5]), np.array([-0.7, -0.02, -0.71])),
}
REACH: dict[str, tuple[float, float]] = {
    "main hoop": (120.0, 700.0), "harness left": (40.0, 320.0), "harness right": (40.0, 320.0),
    "stay left": (100.0, 600.0), "stay right": (110.0, 640.0),
}  # fmt: skip


def cage_poses(plumb: bool = True) -> dict[int, Rigid]:
    """car_from_marker of everything."""
    rng = np.random.default_rng(6)
    poses = {
        i: Rigid(exp(rng.normal(0, 0.3, 3)), np.array(x, dtype=float)) for i, x in TAGS.items()
    }
    # The string hangs along the world's upright, which the car on its slope sees tilted.
    roll = exp(np.array([np.radians(FLOOR_ROLL), 0.0, 0.0]))
    pitch = exp(np.array([0.0, np.radians(FLOOR_PITCH), 0.0]))
    up = (pitch @ roll).T @ np.array([0.0, 0.0, 1.0])
    if plumb:
        for i, height in ((60, 0.0), (61, 900.0)):
            tip = np.array([300.0, 100.0, 100.0]) + height * up
            poses[i] = Rigid(np.eye(3), tip + np.array([0.0, 25.0, 0.0]))
    first = 100
    for (tube, _), (point, way) in BARS.items():
        for along in REACH[tube]:
            poses[first] = on_axis(point, way, along, turn_rad=0.1 * first)
            first += 12
    return poses


def cage_kit(datum: Any = CROSS, plumb: bool = True) -> Kit:
    cuffs: list[CuffSpec] = []
    for n, (tube, straight) in enumerate(BARS):
        cuffs += [cuff(100 + 24 * n, tube, straight), cuff(112 + 24 * n, tube, straight)]
    pointers = tuple(
        PointerSpec(id=i, side_mm=20.0, reach_mm=25.0, part="shell", name=f"string {i}")
        for i in (60, 61)
    )
    return Kit(
        tag=tuple(TagSpec(id=i, side_mm=40.0, part="shell") for i in TAGS),
        pointer=pointers,
        cuff=tuple(cuffs),
        plumb=PlumbSpec(strings=((60, 61),)) if plumb else None,
        datum=datum,
    )


def cage_survey(datum: Any = CROSS, *, plumb: bool = True, **options: Any) -> Survey:
    """The cage as a survey that found the truth, in a frame of its own."""
    return known_survey(cage_kit(datum, plumb), cage_poses(plumb), **options)
