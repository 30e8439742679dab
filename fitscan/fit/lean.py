"""How a tube leans, how level a bar lies, and the angle between two tubes.

What they are held against is left to `reference`, symmetry to `symmetry`, words to `angles`.

Signs: a lean is positive forward and to the left; a slope is positive when the left end is higher,
or the front end for a bar that runs fore and aft, or the end that the kit lists last where neither
is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from fitscan.errors import DataError
from fitscan.fit.reading import Basis, Reading, reading, size_of
from fitscan.fit.reference import Reference
from fitscan.geometry.line import two_normals
from fitscan.geometry.rotation import Array, angle_between
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.estimates import Estimates, estimate
from fitscan.shape.propagate import MarkerInput, Poses
from fitscan.survey.survey import Survey

__all__ = [
    "angle_reading",
    "basis_of",
    "between",
    "lean_of_hoop",
    "lean_of_straight",
    "level_of",
    "uprightness",
]

_DIAGONAL = np.sin(np.radians(45.0))
_PLANE_SHARE = 0.1
"""Smallest width of a hoop over its length for which its cuffs span a plane."""


def uprightness(survey: Survey, rule: AxisRule, reference: Reference) -> float:
    """Cosine of a straight's angle to upright, 0 to 1."""
    poses = MarkerInput(survey, reference.markers).poses
    return abs(float(reference.rotation(poses)[2] @ rule.straight.axis.direction))


def _upward(poses: Poses, rule: AxisRule, reference: Reference) -> Array:
    """The axis's direction (3,) as forward, left, up, with its upper end ahead."""
    told = reference.rotation(poses) @ rule.axis(poses).direction
    return told if told[2] >= 0 else -told


def lean_of_straight(
    survey: Survey,
    rule: AxisRule,
    reference: Reference,
    tolerance_deg: float,
    wanted_deg: float | None = None,
) -> list[Reading]:
    """Lean of one straight: forward, left (where the car's axes are known) and in all.

    Raises:
        DataError: it is nearer level than upright.
    """
    if uprightness(survey, rule, reference) < _DIAGONAL:
        raise DataError(
            f"{rule.name} is nearer level than upright", survey.frame, "ask for its level instead"
        )

    def values(poses: list[Poses]) -> dict[str, Array]:
        x, y, z = _upward(poses[0], rule, reference)
        return {
            "forward": np.array([np.arctan2(x, z)]),
            "left": np.array([np.arctan2(y, z)]),
            "tilt": _arc(np.array([x, y]), z),
        }

    found = estimate(values, [_source(survey, [rule], reference)])
    out = []
    if reference.directed:
        for name, wanted in (("forward", wanted_deg), ("left", None)):
            out.append(
                angle_reading(
                    found,
                    name,
                    rule.name,
                    reference.name,
                    f"lean {name}",
                    rule.cuffs,
                    tolerance_deg,
                    wanted,
                    reference,
                )
            )
    total, u = (float(np.degrees(v)) for v in size_of(found.values["tilt"], found.of("tilt")))
    out.append(
        reading(
            rule.name,
            reference.name,
            "lean in all",
            total,
            u,
            "deg",
            cuffs=rule.cuffs,
            tolerance=tolerance_deg,
            wanted=None if reference.directed else wanted_deg,
            basis=basis_of(found, "tilt", rule.cuffs, reference),
        )
    )
    return out


def lean_of_hoop(
    survey: Survey, rules: list[AxisRule], reference: Reference, tolerance_deg: float
) -> list[Reading]:
    """How the legs of a tube lean apart, and how the plane through all its cuffs stands.

    Args:
        survey: that shows the tube.
        rules: of all its straights.
        reference: with the car's forward; without it the list is empty.
        tolerance_deg: for the difference of the legs.
    """
    if not reference.directed:
        return []
    legs = [r for r in rules if uprightness(survey, r, reference) >= _DIAGONAL]
    tube = rules[0].straight.tube
    out = []
    if len(legs) > 1:
        first, last = legs[0], legs[-1]

        def apart(poses: list[Poses]) -> dict[str, Array]:
            a, b = (_upward(poses[0], r, reference) for r in (first, last))
            return {"apart": np.array([np.arctan2(a[0], a[2]) - np.arctan2(b[0], b[2])])}

        found = estimate(apart, [_source(survey, [first, last], reference)])
        name = f"lean forward of straight {first.straight.number} less {last.straight.number}"
        out.append(
            angle_reading(
                found,
                "apart",
                tube,
                reference.name,
                name,
                (*first.cuffs, *last.cuffs),
                tolerance_deg,
                0.0,
                reference,
            )
        )
    return out + _plane_readings(survey, rules, reference, tolerance_deg)


def _plane_readings(
    survey: Survey, rules: list[AxisRule], reference: Reference, tolerance_deg: float
) -> list[Reading]:
    cuffs = tuple(c for r in rules for c in r.cuffs)
    centres = np.concatenate([r.straight.centres for r in rules])
    spread = np.linalg.svd(centres - centres.mean(axis=0), compute_uv=False)
    if len(centres) < 3 or spread[1] < _PLANE_SHARE * spread[0]:
        return []

    def normal(poses: Poses) -> Array:
        places = np.array([poses[c].translation for c in cuffs])
        n = reference.rotation(poses) @ np.linalg.svd(places - places.mean(axis=0))[2][2]
        return np.asarray(n if n[0] >= 0 else -n)

    def values(poses: list[Poses]) -> dict[str, Array]:
        x, y, z = normal(poses[0])
        # A plane that leans forward turns its forward normal down.
        return {
            "lean": np.array([-np.arctan2(z, np.hypot(x, y))]),
            "plan": np.array([np.arctan2(y, x)]),
        }

    source = _source(survey, rules, reference)
    if normal(source.poses)[0] < _DIAGONAL:
        return []
    found = estimate(values, [source])
    tube = rules[0].straight.tube
    told = (("lean", "its plane's lean forward"), ("plan", "its plane's turn in plan"))
    return [
        angle_reading(found, key, tube, reference.name, name, cuffs, tolerance_deg, None)
        for key, name in told
    ]


def level_of(
    survey: Survey,
    rules: list[AxisRule],
    wanted_deg: list[float],
    reference: Reference,
    tolerance_deg: float,
) -> list[Reading]:
    """Slope of each bar, and by how much each differs from the first.

    Raises:
        DataError: a bar is nearer upright than level.
    """
    for rule in rules:
        if uprightness(survey, rule, reference) > _DIAGONAL:
            raise DataError(
                f"{rule.name} is nearer upright than level",
                survey.frame,
                "ask for its lean instead",
            )
    start = MarkerInput(survey, reference.markers).poses
    ways = [_way(rule, reference.rotation(start), reference.directed) for rule in rules]

    def values(poses: list[Poses]) -> dict[str, Array]:
        told = reference.rotation(poses[0])
        slopes = []
        for rule, (sense, _) in zip(rules, ways, strict=True):
            x, y, z = sense * (told @ rule.axis(poses[0]).direction)
            slopes.append(np.arctan2(z, np.hypot(x, y)))
        out = {f"slope {i}": np.array([s]) for i, s in enumerate(slopes)}
        return out | {f"less {i}": np.array([slopes[0] - s]) for i, s in enumerate(slopes[1:], 1)}

    found = estimate(values, [_source(survey, rules, reference)])
    out = []
    for i, rule in enumerate(rules):
        out.append(
            angle_reading(
                found,
                f"slope {i}",
                rule.name,
                reference.name,
                f"{ways[i][1]} end higher",
                rule.cuffs,
                tolerance_deg,
                wanted_deg[i],
                reference,
            )
        )
    for i, rule in enumerate(rules[1:], 1):
        # Only slopes told the same way can be taken from each other.
        if ways[i][1] == ways[0][1] or not reference.directed:
            out.append(
                angle_reading(
                    found,
                    f"less {i}",
                    f"{rules[0].name} less {rule.name}",
                    reference.name,
                    "difference of level",
                    (*rules[0].cuffs, *rule.cuffs),
                    tolerance_deg,
                    wanted_deg[0] - wanted_deg[i],
                    reference,
                )
            )
    return out


def _way(rule: AxisRule, told: Array, directed: bool) -> tuple[float, str]:
    """Sense in which a bar's slope is told, and the name of the end that counts as higher."""
    if not directed:
        ahead = rule.cuffs[-1] if rule.sense > 0 else rule.cuffs[0]
        return 1.0, f"cuff {ahead}"
    x, y, _ = told @ (rule.sense * rule.straight.axis.direction)
    if abs(y) >= abs(x):
        return (1.0 if y >= 0 else -1.0), "left"
    return (1.0 if x >= 0 else -1.0), "front"


def between(
    survey: Survey,
    a: AxisRule,
    b: AxisRule,
    tolerance_deg: float,
    wanted_deg: float | None = None,
) -> Reading:
    """Angle between two tubes' axes, 0 to 90 deg."""
    b = b.facing(a.sense * a.straight.axis.direction)
    base = two_normals(a.sense * a.straight.axis.direction)

    def values(poses: list[Poses]) -> dict[str, Array]:
        first, second = a.axis(poses[0]).direction, b.axis(poses[0]).direction
        side = second - (second @ first) * first
        return {"tilt": _arc(base @ side, float(second @ first))}

    source = MarkerInput(survey, tuple(dict.fromkeys([*a.cuffs, *b.cuffs])))
    found = estimate(values, [source])
    size, u = size_of(found.values["tilt"], found.of("tilt"))
    size = angle_between(a.axis(source.poses).direction, b.axis(source.poses).direction)
    return reading(
        a.name, b.name, "angle between", float(np.degrees(size)), float(np.degrees(u)), "deg",
        cuffs=source.markers, tolerance=tolerance_deg, wanted=wanted_deg,
        basis=Basis(found, "tilt"),
    )  # fmt: skip


def _arc(side: Array, ahead: float) -> Array:
    """The angle whose sine's parts are `side` (2,), spread over these parts; smooth at zero."""
    sine = float(np.linalg.norm(side))
    return np.asarray(side * (np.arctan2(sine, ahead) / sine if sine > 1e-12 else 1.0))


def angle_reading(
    found: Estimates,
    key: str,
    subject: str,
    against: str,
    name: str,
    cuffs: tuple[int, ...],
    tolerance_deg: float,
    wanted_deg: float | None,
    reference: Reference | None = None,
) -> Reading:
    """A reading in degrees of an estimate in radians."""
    return reading(
        subject, against, name, float(np.degrees(found.number(key))),
        float(np.degrees(found.u(key))), "deg", cuffs=cuffs, tolerance=tolerance_deg,
        wanted=wanted_deg, basis=basis_of(found, key, cuffs, reference),
    )  # fmt: skip


def basis_of(
    found: Estimates, key: str, cuffs: Sequence[int], reference: Reference | None
) -> Basis:
    """What an estimate rests on: cuffs, and markers of the reference that are not among them."""
    if reference is None:
        return Basis(found, key)
    turn = reference.rotation(found.inputs[0].poses) if reference.directed else None
    carriers = tuple(m for m in reference.markers if m not in set(cuffs))
    return Basis(found, key, turn, carriers)


def _source(survey: Survey, rules: list[AxisRule], reference: Reference) -> MarkerInput:
    cuffs: Mapping[int, None] = dict.fromkeys(c for r in rules for c in r.cuffs)
    return MarkerInput(survey, tuple(dict.fromkeys([*cuffs, *reference.markers])))
