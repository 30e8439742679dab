"""Whether the cage is alike on the left and on the right of the car's centre plane.

A straight on the right is mirrored in the plane Y = 0 of the car's axes and laid beside its partner
on the left. Words are left to `angles`.
"""

from __future__ import annotations

import numpy as np

from fitscan.errors import DataError
from fitscan.fit.lean import basis_of
from fitscan.fit.reading import Reading, reading, size_of
from fitscan.fit.reference import Reference
from fitscan.geometry.line import Line, two_normals
from fitscan.geometry.rotation import Array, angle_between
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.estimates import estimate
from fitscan.shape.propagate import MarkerInput, Poses
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

__all__ = ["mirror", "partners"]

_MIRROR = np.array([1.0, -1.0, 1.0])
_STEEPEST = np.radians(20.0)
_FARTHEST_MM = 150.0
_SIDES = ("forward", "outward", "up")


def _in_car(poses: Poses, rule: AxisRule, reference: Reference) -> Line:
    assert reference.axes is not None  # Symmetry asks for a reference with the car's axes.
    car_from_survey = reference.axes.car_from_survey(poses)
    axis = rule.axis(poses)
    return Line(car_from_survey.apply(axis.point), car_from_survey.turn(axis.direction))


def _mirrored(line: Line) -> Line:
    return Line(_MIRROR * line.point, _MIRROR * line.direction)


def mirror(
    survey: Survey,
    left: AxisRule,
    right: AxisRule,
    reference: Reference,
    tolerance_deg: float,
    tolerance_mm: float,
) -> list[Reading]:
    """The mirrored right straight against the left one: angle, and offset at the left's middle.

    The offset is square to the left straight: what moving the left one by it would make symmetrical
    (or half of it each side).

    Raises:
        DataError: one straight is named twice, or both sit on one side.
    """
    poses = _source(survey, (left, right), reference).poses
    places = [float(_in_car(poses, r, reference).point[1]) for r in (left, right)]
    if not places[0] > places[1]:
        raise DataError(
            f"{left.name} does not sit to the left of {right.name}",
            survey.frame,
            "name the left one first, then its partner on the right",
        )
    ahead = _in_car(poses, left, reference).direction
    turned = _mirrored(_in_car(poses, right, reference)).direction
    flip = 1.0 if turned @ ahead >= 0 else -1.0
    normals = two_normals(ahead)

    def values(now: list[Poses]) -> dict[str, Array]:
        mine = _in_car(now[0], left, reference)
        other = _mirrored(_in_car(now[0], right, reference))
        offset = other.foot(mine.point) - mine.point
        return {"tilt": normals @ (flip * other.direction - mine.direction), "offset": offset}

    found = estimate(values, [_source(survey, (left, right), reference)])
    _, tilt_u = size_of(found.values["tilt"], found.of("tilt"))
    tilt = angle_between(flip * turned, ahead)
    cuffs = (*left.cuffs, *right.cuffs)
    out = [
        reading(
            left.name,
            f"{right.name}, mirrored",
            "angle between",
            float(np.degrees(tilt)),
            float(np.degrees(tilt_u)),
            "deg",
            cuffs=cuffs,
            tolerance=tolerance_deg,
            wanted=0.0,
            basis=basis_of(found, "tilt", cuffs, reference),
        )
    ]
    for i, side in enumerate(_SIDES):
        out.append(
            reading(
                left.name,
                f"{right.name}, mirrored",
                f"right one is {side} by",
                float(found.values["offset"][i]),
                float(found.us("offset")[i]),
                "mm",
                cuffs=cuffs,
                tolerance=tolerance_mm,
            )
        )
    size, u = size_of(found.values["offset"], found.of("offset"))
    out.append(
        reading(
            left.name,
            f"{right.name}, mirrored",
            "offset in all",
            size,
            u,
            "mm",
            cuffs=cuffs,
            tolerance=tolerance_mm,
            wanted=0.0,
            basis=basis_of(found, "offset", cuffs, reference),
        )
    )
    return out


def partners(
    survey: Survey, part: str, reference: Reference
) -> tuple[list[tuple[AxisRule, AxisRule]], list[str]]:
    """Straights of a part that mirror each other (left, right), and names of those that do not.

    Two belong together when each is the other's nearest after mirroring, within 20 deg and 150 mm.
    Straights that cross the centre plane between their cuffs are neither.
    """
    tubes = dict.fromkeys(
        c.tube for c in survey.kit.cuff if c.part == part and survey.has(c.first_id)
    )
    rules = [AxisRule.of(survey, s) for t in tubes for s in straights_of(survey, t)]
    poses = _source(survey, tuple(rules), reference).poses
    assert reference.axes is not None  # Symmetry asks for a reference with the car's axes.
    car_from_survey = reference.axes.car_from_survey(poses)
    left, right = [], []
    for rule in rules:
        y = car_from_survey.apply(rule.straight.centres)[:, 1]
        if y.min() > 0.0:
            left.append(rule)
        elif y.max() < 0.0:
            right.append(rule)
    cost = np.full((len(left), len(right)), np.inf)
    for i, a in enumerate(left):
        mine = _in_car(poses, a, reference)
        for j, b in enumerate(right):
            other = _mirrored(_in_car(poses, b, reference))
            angle = angle_between(mine.direction, other.direction)
            away = float(other.distance(mine.point))
            if min(angle, np.pi - angle) < _STEEPEST and away < _FARTHEST_MM:
                cost[i, j] = float(np.linalg.norm(other.point - mine.point))
    pairs = []
    for i, a in enumerate(left):
        if not len(right):
            break
        j = int(np.argmin(cost[i]))
        if np.isfinite(cost[i, j]) and int(np.argmin(cost[:, j])) == i:
            pairs.append((a, right[j]))
    paired = {r.name for pair in pairs for r in pair}
    alone = [r.name for r in [*left, *right] if r.name not in paired]
    return pairs, alone


def _source(survey: Survey, rules: tuple[AxisRule, ...], reference: Reference) -> MarkerInput:
    cuffs = [c for r in rules for c in r.cuffs]
    return MarkerInput(survey, tuple(dict.fromkeys([*cuffs, *reference.markers])))
