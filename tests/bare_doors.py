"""A door on an exact hinge, as surveys that found the truth, with the door at any angle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from known_surveys import cuff, known_survey, on_axis
from scenes import facing
from scipy.spatial.transform import Rotation

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import DatumSpec, Kit, PointerSpec, TagSpec
from fitscan.survey.survey import Survey

__all__ = ["AXIS", "BAR", "OD_MM", "door_kit", "door_survey", "door_truth", "swung", "tip_of"]

AXIS = (np.array([900.0, 720.0, 500.0]), np.array([-0.018, 0.012, -1.0]) / np.linalg.norm(
    [0.018, 0.012, 1.0]))  # fmt: skip
"""Point and direction of the hinge in the car; positive turns open the left door."""

BAR = (np.array([300.0, 600.0, 500.0]), np.array([1.0, 0.02, -0.1]))
OD_MM = 38.0
TAGS = tuple(range(30, 38))
POINTERS = (60, 61)
CUFFS = (100, 112, 124)


def door_kit() -> Kit:
    return Kit(
        tag=(
            *(TagSpec(id=i, side_mm=40.0, part="shell") for i in range(10)),
            *(TagSpec(id=i, side_mm=30.0, part="trim") for i in TAGS),
        ),
        pointer=tuple(
            PointerSpec(id=i, side_mm=20.0, reach_mm=25.0, part="trim", name=f"upper lip {n}")
            for n, i in enumerate(POINTERS, 1)
        ),
        cuff=tuple(cuff(i, "door bar") for i in CUFFS),
        datum=DatumSpec(rear=0, front=1, right=2, left=3),
    )


def door_truth() -> dict[int, Rigid]:
    """car_from_marker with the door shut."""
    up, ahead = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    floor = [(-900, 0), (900, 0), (0, -600), (0, 600), (-500, 400), (500, -420), (700, 380)]
    poses = {i: facing(up, ahead, np.array([x, y, 0.0])) for i, (x, y) in enumerate(floor)}
    for i, (x, z) in zip((7, 8, 9), ((-500.0, 900.0), (300.0, 950.0), (950.0, 800.0)), strict=True):
        poses[i] = facing(np.array([0.0, -1.0, 0.1]), up, np.array([x, 690.0, z]))
    inwards = np.array([0.02, -1.0, 0.05])
    for n, i in enumerate(TAGS):
        place = np.array([-100.0 + 120.0 * n, 650.0 + 6.0 * (n % 3), 620.0 - 230.0 * (n % 2)])
        poses[i] = facing(inwards, up, place)
    for n, i in enumerate(POINTERS):
        poses[i] = facing(inwards, up, np.array([150.0 + 360.0 * n, 646.0 - 4.0 * n, 530.0]))
    for n, i in enumerate(CUFFS):
        poses[i] = on_axis(*BAR, -300.0 + 300.0 * n, 0.5 * n)
    return poses


def swung(points: Array, angle_deg: float, slide_mm: float = 0.0) -> Array:
    """Points (..., 3) after the door opened, by SciPy's rotations."""
    point, direction = AXIS
    turn = Rotation.from_rotvec(np.radians(angle_deg) * direction).as_matrix()
    return np.asarray((points - point) @ turn.T + point + slide_mm * direction)


def door_survey(
    angle_deg: float,
    *,
    seed: int = 1,
    name: str = "",
    slide_mm: float = 0.0,
    moved: Mapping[int, Array] | None = None,
    without: tuple[int, ...] = (),
    sigma_mm: float = 0.05,
) -> Survey:
    """A survey with the door open by an angle.

    Args:
        angle_deg: of the door.
        seed: of the survey's frame and correlations.
        name: of the survey.
        slide_mm: by which the door rose along its hinge.
        moved: by how much single markers moved besides.
        without: markers that were not measured.
        sigma_mm: standard uncertainty of a centre's coordinate.
    """
    direction = AXIS[1]
    turn = Rotation.from_rotvec(np.radians(angle_deg) * direction).as_matrix()
    poses = {}
    for m, p in door_truth().items():
        if m in without:
            continue
        if m in TAGS or m in POINTERS:
            p = Rigid(turn @ p.rotation, swung(p.translation, angle_deg, slide_mm))
        if moved is not None and m in moved:
            p = Rigid(p.rotation, p.translation + moved[m])
        poses[m] = p
    survey = known_survey(door_kit(), poses, seed=seed, sigma_mm=sigma_mm, sigma_rad=0.001)
    return replace(survey, name=name or f"open {angle_deg:g}")


def tip_of(pointer: int) -> Array:
    """Tip of a pointer with the door shut, in the car."""
    return door_truth()[pointer].apply(np.array([0.0, -25.0, 0.0]))
