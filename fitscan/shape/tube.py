"""A tube from its cuffs: straights, the bends between them, and cuffs that contradict each other.

Where tubes meet is left to `node`; judging against tolerances to `fitscan.fit`.

Bend arithmetic for a centre-line radius CLR: arc = CLR * angle, setback (from the apex, where the
axes of the two straights meet, to where the tube starts to bend) = CLR * tan(angle / 2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.line import Line, closest_points
from fitscan.geometry.rotation import Array, angle_between
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.estimates import Estimates, estimate
from fitscan.shape.propagate import MarkerInput, Poses
from fitscan.shape.straight import CUFF_REACH_MM, straights_of
from fitscan.survey.survey import Survey

__all__ = ["Bend", "Tube", "TubeModel", "TubeStraight", "cuffs_in_bends", "find_tube"]

_LEAST_BEND = np.radians(1.0)
"""Below this angle the apex runs away along the tube; the same holds short of a full return."""


@dataclass(frozen=True)
class TubeStraight:
    """One straight of a tube; u are standard uncertainties.

    Attributes:
        number: in the kit.
        cuffs: first ids, in the tube's running direction.
        middle_mm: (3,) on its axis, with covariance (3, 3) mm^2.
        direction: (3,) unit, in the tube's running direction, with covariance (3, 3).
        direction_u_rad: in the worst direction.
        across_u_mm: of the middle, square to the axis, in the worst direction.
        length_mm, length_u_mm: between the bends at its ends, from tangent point to tangent
            point; None at the tube's ends, or without a centre-line radius.
    """

    number: int
    cuffs: tuple[int, ...]
    middle_mm: Array
    middle_covariance: Array
    direction: Array
    direction_covariance: Array
    direction_u_rad: float
    across_u_mm: float
    length_mm: float | None = None
    length_u_mm: float | None = None


@dataclass(frozen=True)
class Bend:
    """The bend between two neighbouring straights; u are standard uncertainties.

    Attributes:
        before, after: numbers of the straights.
        apex_mm: (3,) half way between the two axes where they pass closest; covariance (3, 3).
        miss_mm, miss_u_mm: signed distance of the two axes there, along before x after.
        angle_rad, angle_u_rad: by which the tube turns.
        normal: (3,) unit, of the bend's plane: before x after.
        turn_rad, turn_u_rad: from the previous bend's plane to this one's, right-handed about the
            straight between them; 0 for two bends to the same side in one plane, +-pi for an S.
            None for the first bend of a run.
        arc_mm, arc_u_mm: length of the centre line in the bend; None without a radius.
        setback_mm, setback_u_mm: from the apex to either tangent point.
        tangents_mm: (2, 3) where the tube starts and stops to bend.
    """

    before: int
    after: int
    apex_mm: Array
    apex_covariance: Array
    miss_mm: float
    miss_u_mm: float
    angle_rad: float
    angle_u_rad: float
    normal: Array
    turn_rad: float | None = None
    turn_u_rad: float | None = None
    arc_mm: float | None = None
    arc_u_mm: float | None = None
    setback_mm: float | None = None
    setback_u_mm: float | None = None
    tangents_mm: Array | None = None


@dataclass(frozen=True)
class Tube:
    """A tube as a survey sees it, in the survey's frame.

    Attributes:
        name: of the tube.
        od_mm: outside diameter.
        clr_mm: centre-line radius of its bends, if known; taken as exact.
        straights: by number.
        bends: between neighbouring numbers.
    """

    name: str
    od_mm: float
    clr_mm: float | None
    straights: tuple[TubeStraight, ...]
    bends: tuple[Bend, ...]


def find_tube(survey: Survey, name: str, clr_mm: float | None = None) -> Tube:
    """Straights and bends of a tube.

    The tube runs from its lowest to its highest straight. A straight of one cuff takes the cuff's
    own direction with its wide uncertainty. Bends lie between straights with neighbouring numbers.

    Args:
        survey: that shows its cuffs.
        name: of the tube.
        clr_mm: centre-line radius; the kit's [[tube]] if None.

    Raises:
        InputError: no such tube, or no cuff of it was found.
        DataError: neighbouring straights are in line or run back, or the cuffs of a straight do
            not lie between its bends.
    """
    clr_mm = survey.kit.clr_of(name) if clr_mm is None else clr_mm
    model = TubeModel.of(survey, name, clr_mm)
    cuffs = tuple(c for rule in model.rules for c in rule.cuffs)
    found = estimate(lambda poses: model.values(poses[0]), [MarkerInput(survey, cuffs)])
    return Tube(
        name,
        model.rules[0].straight.od_mm,
        clr_mm,
        tuple(_straight(model, found, i) for i in range(len(model.rules))),
        tuple(_bend(model, found, i) for i in model.bends),
    )


@dataclass(frozen=True)
class TubeModel:
    """A tube as a function of poses.

    Attributes:
        rules: of its straights, all in the running direction.
        bends: positions i in `rules` with a bend between i and i + 1.
        clr_mm: centre-line radius, or None.
        turns: the surveyed turns, about which others are told without a jump at half a turn.
    """

    rules: tuple[AxisRule, ...]
    bends: tuple[int, ...]
    clr_mm: float | None
    turns: Mapping[int, float]

    @staticmethod
    def of(survey: Survey, name: str, clr_mm: float | None) -> TubeModel:
        """Model of a tube; errors as `find_tube`."""
        rules = [AxisRule.of(survey, s) for s in straights_of(survey, name)]
        numbers = [r.straight.number for r in rules]
        bends = [i for i in range(len(rules) - 1) if numbers[i + 1] == numbers[i] + 1]
        axes = [r.straight.axis for r in rules]
        apexes = {i: _apex(name, rules[i], rules[i + 1]) for i in bends}
        for i in range(len(rules)):
            before, after, middle = apexes.get(i - 1), apexes.get(i), axes[i].point
            start = before if before is not None else middle
            end = after if after is not None else middle
            if before is not None or after is not None:
                rules[i] = rules[i].facing(end - start)
            ahead = rules[i].sense * axes[i].direction
            if (middle - start) @ ahead < 0 or (end - middle) @ ahead < 0:
                raise DataError(
                    f"The cuffs of straight {numbers[i]} of {name!r} do not lie between its bends",
                    survey.frame,
                    "check the straight numbers of its cuffs in the kit: they count along the tube",
                )
        model = TubeModel(tuple(rules), tuple(bends), clr_mm, {})
        poses = {c: survey.poses[survey.row(c)] for r in rules for c in r.cuffs}
        values = model.values(poses)
        turns = {i: float(values[f"turn {i}"][0]) for i in bends if f"turn {i}" in values}
        return TubeModel(tuple(rules), tuple(bends), clr_mm, turns)

    def values(self, poses: Poses) -> dict[str, Array]:
        """Everything that is told of the tube, by name and position."""
        axes = [rule.axis(poses) for rule in self.rules]
        out: dict[str, Array] = {}
        for i, axis in enumerate(axes):
            out[f"middle {i}"], out[f"direction {i}"] = axis.point, axis.direction
        for i in self.bends:
            self._bend_values(out, axes, i)
        if self.clr_mm is not None:
            for i in self.bends:
                if i - 1 in self.bends:
                    start, end = out[f"tangents {i - 1}"][3:], out[f"tangents {i}"][:3]
                    out[f"length {i}"] = np.array([(end - start) @ axes[i].direction])
        return out

    def _bend_values(self, out: dict[str, Array], axes: list[Line], i: int) -> None:
        before, after = axes[i], axes[i + 1]
        on_before, on_after = closest_points(before, after)
        normal = np.cross(before.direction, after.direction)
        normal = normal / np.linalg.norm(normal)
        angle = angle_between(before.direction, after.direction)
        apex = 0.5 * (on_before + on_after)
        out[f"apex {i}"], out[f"normal {i}"] = apex, normal
        out[f"miss {i}"] = np.array([(on_after - on_before) @ normal])
        out[f"angle {i}"] = np.array([angle])
        if i - 1 in self.bends:
            first = out[f"normal {i - 1}"]
            turn = np.arctan2(np.cross(first, normal) @ before.direction, first @ normal)
            base = self.turns.get(i, float(turn))
            jump = np.round((base - turn) / (2.0 * np.pi)) * 2.0 * np.pi
            out[f"turn {i}"] = np.array([turn + jump])
        if self.clr_mm is not None:
            setback = self.clr_mm * np.tan(0.5 * angle)
            out[f"arc {i}"] = np.array([self.clr_mm * angle])
            out[f"setback {i}"] = np.array([setback])
            ends = [apex - setback * before.direction, apex + setback * after.direction]
            out[f"tangents {i}"] = np.concatenate(ends)


def _apex(name: str, before: AxisRule, after: AxisRule) -> Array:
    a, b = before.straight, after.straight
    angle = angle_between(a.axis.direction, b.axis.direction)
    if min(angle, np.pi - angle) < _LEAST_BEND:
        raise DataError(
            f"Straights {a.number} and {b.number} of {name!r} are parallel to less than 1 deg, so "
            "the bend between them cannot be found",
            "tube",
            "give their cuffs one straight number if the tube is straight there, or put a cuff on "
            "the piece between them and number it",
        )
    on_a, on_b = closest_points(a.axis, b.axis)
    return np.asarray(0.5 * (on_a + on_b))


def _straight(model: TubeModel, found: Estimates, i: int) -> TubeStraight:
    rule = model.rules[i]
    direction = found.values[f"direction {i}"]
    square = np.eye(3) - np.outer(direction, direction)
    across = square @ found.of(f"middle {i}") @ square
    known = f"length {i}" in found
    return TubeStraight(
        rule.straight.number,
        rule.cuffs if rule.sense > 0 else rule.cuffs[::-1],
        found.values[f"middle {i}"],
        found.of(f"middle {i}"),
        direction,
        found.of(f"direction {i}"),
        found.worst_u(f"direction {i}"),
        float(np.sqrt(max(np.linalg.eigvalsh(across)[-1], 0.0))),
        found.number(f"length {i}") if known else None,
        found.u(f"length {i}") if known else None,
    )


def _bend(model: TubeModel, found: Estimates, i: int) -> Bend:
    def told(name: str) -> tuple[float | None, float | None]:
        key = f"{name} {i}"
        return (found.number(key), found.u(key)) if key in found else (None, None)

    tangents = found.values.get(f"tangents {i}")
    return Bend(
        model.rules[i].straight.number,
        model.rules[i + 1].straight.number,
        found.values[f"apex {i}"],
        found.of(f"apex {i}"),
        found.number(f"miss {i}"),
        found.u(f"miss {i}"),
        found.number(f"angle {i}"),
        found.u(f"angle {i}"),
        found.values[f"normal {i}"],
        *told("turn"),
        *told("arc"),
        *told("setback"),
        None if tangents is None else tangents.reshape(2, 3),
    )


def cuffs_in_bends(survey: Survey, tube: Tube) -> list[tuple[int, float]]:
    """Cuffs that reach into a bend, with how far, mm; needs a centre-line radius."""
    out = []
    by_number = {s.number: s for s in tube.straights}
    for bend in tube.bends:
        if bend.tangents_mm is None:
            continue
        ends = ((bend.before, bend.tangents_mm[0], 1.0), (bend.after, bend.tangents_mm[1], -1.0))
        for number, tangent, way in ends:
            straight = by_number[number]
            for cuff in straight.cuffs:
                centre = survey.poses[survey.row(cuff)].translation
                over = way * float((centre - tangent) @ straight.direction) + CUFF_REACH_MM
                if over > 0.0:
                    out.append((cuff, over))
    return out
