"""How far a bar is from where it should sit, station by station, carried over by a common part.

The bar is measured in one survey (door shut), the seated axis in another (door open, stubs in the
recess); the part that both see (the trim) brings them together. Pictures are left to
`fitscan.report`.

Directions at a station. "along" is the seated axis; "out" points out of the recess, away from the
part's surface (the mean of its flat markers' normals, made square to "along"); "across" completes
the triad: across = out x along.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.fit.align import Alignment
from fitscan.fit.deciding import influences_of, steepest, what_decides
from fitscan.fit.gap_chain import (
    Chain,
    Loop,
    Step,
    find_loops,
    loop_sentences,
    make_chain,
    told_loops,
)
from fitscan.fit.propagate import MarkerInput, propagate_with
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.line import Line
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, angle_between
from fitscan.shape.propagate import Poses
from fitscan.shape.straight import Straight, axis_through, straights_of
from fitscan.survey.survey import Survey

__all__ = [
    "Gap",
    "GapStation",
    "StraightGap",
    "find_gap",
    "length_with_u",
    "moved_sentences",
    "outward",
    "triad",
]

_STATION_MM = 50.0
_STEEPEST_DEG = 30.0


@dataclass(frozen=True)
class GapStation:
    """The gap at one place along the seated axis.

    Attributes:
        along_mm: from the first cuff of the seated axis.
        seated_mm, bar_mm: (3,) points on the seated axis and on the bar's axis, in the frame of
            the target's survey.
        across_mm, out_mm, total_mm: offset of the bar from the seated axis; total is its length,
            or, when the bar shall stand off its seat, the distance from where it shall be.
        across_expanded_mm, out_expanded_mm, total_expanded_mm: expanded uncertainties (k = 2).
        verdict: of the total against the tolerance.
    """

    along_mm: float
    seated_mm: Array
    bar_mm: Array
    across_mm: float
    out_mm: float
    total_mm: float
    across_expanded_mm: float
    out_expanded_mm: float
    total_expanded_mm: float
    verdict: Verdict


@dataclass(frozen=True)
class StraightGap:
    """One straight of the bar against one straight of the seated axis.

    Attributes:
        number: of the bar's straight.
        angle_deg, angle_expanded_deg: between the two axes, with U (k = 2).
        stations: along the seated axis.
        across, out: (3,) unit vectors, in the frame of the target's survey.
        bar_od_mm: of the bar.
        deciding: what would decide the largest of the open verdicts; empty when none is open.
    """

    number: int
    angle_deg: float
    angle_expanded_deg: float
    stations: tuple[GapStation, ...]
    across: Array
    out: Array
    bar_od_mm: float
    deciding: str = ""


@dataclass(frozen=True)
class Gap:
    """A bar against its seated axis.

    Attributes:
        bar, target: tube names.
        on: the part that carried the target over, or the parts in order.
        frame: in which points are told.
        alignment: target's survey from the bar's survey, over all steps.
        straights: one entry for each pair.
        tolerance_mm: for the verdicts.
        standoff_mm: how far out of its seat the bar shall stand.
        steps: of the way from the target to the bar.
        loops: second ways, held against it.
        sentences: in the fitter's words.
        warnings: that every output must carry.
    """

    bar: str
    target: str
    on: str
    frame: str
    alignment: Alignment
    straights: tuple[StraightGap, ...]
    tolerance_mm: float
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    standoff_mm: float = 0.0
    steps: tuple[Step, ...] = ()
    loops: tuple[Loop, ...] = ()

    @property
    def stations(self) -> list[GapStation]:
        """All stations of all straights."""
        return [s for straight in self.straights for s in straight.stations]


def find_gap(
    bar_survey: Survey,
    bar: str,
    target_survey: Survey,
    target: str,
    on: str | Sequence[str],
    *,
    via: Sequence[Survey] = (),
    tolerance_mm: float = 2.0,
    standoff_mm: float = 0.0,
    station_mm: float = _STATION_MM,
) -> Gap:
    """Compare a bar with the axis it should have.

    Args:
        bar_survey: shows the bar's cuffs and the carrying part.
        bar: tube name.
        target_survey: shows the stubs' cuffs and the carrying part.
        target: tube name of the stubs.
        on: the carrying part, or one for each step from the target to the bar.
        via: surveys between the two, in that order.
        tolerance_mm: largest wanted distance of the axes.
        standoff_mm: how far out of its seat the bar shall stand.
        station_mm: distance between stations.

    Raises:
        InputError: unknown tubes, or no cuff of them was measured.
        DataError: too few common markers; no straight of the bar runs beside the target.
    """
    chain = make_chain((target_survey, *via, bar_survey), [on] if isinstance(on, str) else on)
    bars = straights_of(bar_survey, bar)
    seats = straights_of(target_survey, target)
    pairs = _pairs(bars, seats, chain.start, bar, target)
    hint = outward(target_survey, _surface_markers(chain, on))
    wish = _Wish(tolerance_mm, standoff_mm, station_mm)
    straights = tuple(_straight_gap(chain, hint, b, s, wish) for b, s in pairs)
    loops, apart = told_loops(find_loops(chain, straights[0].stations[0].seated_mm))
    return Gap(
        bar,
        target,
        ", then ".join(dict.fromkeys([on] if isinstance(on, str) else on)),
        target_survey.frame,
        chain.alignment,
        straights,
        tolerance_mm,
        (*_sentences(bar, straights, chain, wish), *apart),
        (*chain.warnings, *loop_sentences(loops)),
        standoff_mm,
        chain.steps,
        loops,
    )


@dataclass(frozen=True)
class _Wish:
    """What is wanted: tolerance and stand-off, mm, and how far apart stations are."""

    tolerance_mm: float
    standoff_mm: float
    station_mm: float


def _surface_markers(chain: Chain, on: str | Sequence[str]) -> list[int]:
    """Markers whose paper shows which way is out: those that carry, else all of the part."""
    if chain.steps:
        return list(chain.steps[0].carrier.used)
    part = on if isinstance(on, str) else on[0]
    survey = chain.target
    if part not in survey.kit.parts:
        known = ", ".join(survey.kit.parts)
        raise InputError(f"The kit has no part {part!r}", survey.frame, f"use one of: {known}")
    found = survey.of_part(part)
    if not found:
        raise DataError(
            f"No marker of the part {part!r} was found in the photos",
            survey.frame,
            "add photos that show its tags: they tell which way is out",
        )
    return found


def _pairs(
    bars: list[Straight], seats: list[Straight], target_from_bar: Rigid, bar: str, target: str
) -> list[tuple[Straight, Straight]]:
    """Straights of the bar and of the target that belong together: the nearest parallel ones."""
    pairs = []
    for seat in seats:
        best: tuple[float, Straight] | None = None
        for b in bars:
            axis = _carried(b.axis, target_from_bar)
            angle = np.degrees(angle_between(axis.direction, seat.axis.direction))
            if min(angle, 180.0 - angle) > _STEEPEST_DEG:
                continue
            middle = seat.centres.mean(axis=0)
            away = float(axis.distance(middle))
            beyond = abs(float(axis.along(middle)) - float(np.mean(b.span))) - 0.5 * (
                b.span[1] - b.span[0]
            )
            score = away + max(beyond, 0.0)
            if best is None or score < best[0]:
                best = (score, b)
        if best is not None:
            pairs.append((best[1], seat))
    if not pairs:
        raise DataError(
            f"No straight of {bar!r} runs beside {target!r}",
            "gap",
            "check the tube names, and that both belong to the same place",
        )
    return pairs


def _carried(axis: Line, b_from_a: Rigid) -> Line:
    return Line(b_from_a.apply(axis.point), b_from_a.turn(axis.direction))


def _straight_gap(
    chain: Chain, out_hint: Array, bar: Straight, seat: Straight, wish: _Wish
) -> StraightGap:
    at = _stations(chain.start, bar, seat, wish.station_mm)
    seat_axis_at, bar_axis_at = _axis_at(chain.target, seat), _axis_at(chain.bar, bar)

    def values(poses: list[Poses]) -> Array:
        seat_axis = seat_axis_at(poses[0])
        own = bar_axis_at(poses[chain.bar_row])
        bar_axis = _carried(own, chain.target_from_bar(poses))
        across, out = triad(seat_axis.direction, out_hint)
        points = seat_axis.point + np.outer(at - _start(seat, seat_axis), seat_axis.direction)
        # The bar's point in the plane square to the seated axis at each station.
        slope = bar_axis.direction / (bar_axis.direction @ seat_axis.direction)
        reach = (points - bar_axis.point) @ seat_axis.direction
        away = bar_axis.point + np.outer(reach, slope) - points
        tilt = slope - seat_axis.direction
        return np.concatenate([away @ across, away @ out, [tilt @ across, tilt @ out]])

    inputs = chain.inputs(seat.cuffs, bar.cuffs)
    value, covariance, jacobians = propagate_with(values, inputs)
    axis = seat_axis_at(inputs[0].poses)
    across, out = triad(axis.direction, out_hint)
    n = len(at)
    stations = []
    for i in range(n):
        pair = np.array([value[i], value[n + i]])
        joint = covariance[np.ix_([i, n + i], [i, n + i])]
        point = axis.at(float(at[i] - _start(seat, axis)))
        stations.append(_station(float(at[i]), point, pair, joint, across, out, wish))
    tilt, tilt_covariance = value[2 * n :], covariance[2 * n :, 2 * n :]
    size, expanded = length_with_u(tilt, tilt_covariance)
    angle = float(np.degrees(np.arctan(size)))
    deciding = _deciding(chain, stations, wish, (value, covariance, jacobians), inputs)
    return StraightGap(
        bar.number, angle, float(np.degrees(expanded)), tuple(stations), across, out, bar.od_mm,
        deciding,
    )  # fmt: skip


def _deciding(
    chain: Chain,
    stations: Sequence[GapStation],
    wish: _Wish,
    propagated: tuple[Array, Array, tuple[Array, ...]],
    inputs: list[MarkerInput],
) -> str:
    """What would decide the largest of the open verdicts."""
    open_ones = [i for i, s in enumerate(stations) if s.verdict is Verdict.OPEN]
    if not open_ones:
        return ""
    value, covariance, jacobians = propagated
    worst = max(open_ones, key=lambda i: stations[i].total_mm)
    rows = [worst, len(stations) + worst]
    off = value[rows] - np.array([0.0, wish.standoff_mm])
    way = steepest(off, covariance[np.ix_(rows, rows)])
    influences = influences_of(
        [way @ j[rows] for j in jacobians], inputs,
        carriers=[m for step in chain.steps for m in step.carrier.used],
        carried_by="the markers that carry the seat over",
    )  # fmt: skip
    s = stations[worst]
    found = what_decides(s.total_mm, s.total_expanded_mm, wish.tolerance_mm, influences)
    return f"Open {s.along_mm:.0f} mm from the seat's first cuff: {found.sentence}"


def _start(seat: Straight, axis: Line) -> float:
    """Place of the axis's point, measured from the first cuff of the seat."""
    return float(axis.along(axis.point) - axis.along(seat.centres[0]))


def _axis_at(survey: Survey, straight: Straight) -> Callable[[Poses], Line]:
    """A straight's axis from its cuffs' poses, worked out anew only where one has moved."""
    weights = _weights(survey, straight)
    still = {c: survey.poses[survey.row(c)] for c in straight.cuffs}
    axis = _axis(still, straight, weights)

    def at(poses: Poses) -> Line:
        moved = any(poses[c] is not pose for c, pose in still.items())
        return _axis(poses, straight, weights) if moved else axis

    return at


def _axis(poses: Poses, straight: Straight, weights: Array) -> Line:
    centres = np.array([poses[c].translation for c in straight.cuffs])
    own = poses[straight.cuffs[0]].rotation[:, 2]
    sense = 1.0 if own @ straight.axis.direction >= 0 else -1.0
    return axis_through(centres, weights, sense * own)


def _weights(survey: Survey, straight: Straight) -> Array:
    covariances = [survey.pose(c).covariance[3:, 3:] for c in straight.cuffs]
    return np.array([1.0 / max(float(np.trace(c)), 1e-12) for c in covariances])


def triad(along: Array, out_hint: Array) -> tuple[Array, Array]:
    """Unit vectors across (3,) and out (3,), square to a unit vector along and near a hint."""
    out = out_hint - (out_hint @ along) * along
    out = out / np.linalg.norm(out)
    return np.cross(out, along), out


def outward(survey: Survey, markers: Sequence[int]) -> Array:
    """Mean normal (3,) of a part's flat markers, out of their paper."""
    # A cuff's z runs along its tube and says nothing of the surface.
    cuffs = {c.first_id for c in survey.kit.cuff}
    flat = [m for m in markers if m not in cuffs] or markers
    normals = np.array([survey.poses[survey.row(m)].rotation[:, 2] for m in flat])
    total = normals.sum(axis=0)
    size = float(np.linalg.norm(total))
    return np.asarray(total / size if size > 1e-6 else normals[0])


def _stations(target_from_bar: Rigid, bar: Straight, seat: Straight, step_mm: float) -> Array:
    """Places along the seat, from its first cuff, where both it and the bar are straight."""
    axis = seat.axis
    origin = float(axis.along(seat.centres[0]))
    low, high = (v - origin for v in seat.span)
    ends = target_from_bar.apply(np.array([bar.axis.at(v) for v in bar.span]))
    reach = np.sort(axis.along(ends)) - origin
    low, high = max(low, float(reach[0])), min(high, float(reach[1]))
    if high <= low:
        middle = float(np.clip(0.5 * (seat.span[0] + seat.span[1]) - origin, *sorted(reach)))
        return np.array([middle])
    count = max(2, int(np.ceil((high - low) / step_mm)) + 1)
    return np.linspace(low, high, count)


def length_with_u(pair: Array, covariance: Array) -> tuple[float, float]:
    """Length of a vector (2,) and its expanded uncertainty.

    Near zero the length has no direction to project on: the largest one is taken.
    """
    size = float(np.linalg.norm(pair))
    worst = float(np.sqrt(max(np.linalg.eigvalsh(covariance)[-1], 0.0)))
    if size <= COVERAGE * worst:
        return size, COVERAGE * worst
    unit = pair / size
    return size, COVERAGE * float(np.sqrt(max(float(unit @ covariance @ unit), 0.0)))


def _station(
    along: float,
    seated: Array,
    pair: Array,
    covariance: Array,
    across: Array,
    out: Array,
    wish: _Wish,
) -> GapStation:
    total, expanded = length_with_u(pair - [0.0, wish.standoff_mm], covariance)
    u = COVERAGE * np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    bar = seated + pair[0] * across + pair[1] * out
    return GapStation(
        along,
        seated,
        bar,
        float(pair[0]),
        float(pair[1]),
        total,
        float(u[0]),
        float(u[1]),
        expanded,
        judge(total, expanded, wish.tolerance_mm),
    )


def _sentences(
    bar: str, straights: tuple[StraightGap, ...], chain: Chain, wish: _Wish
) -> tuple[str, ...]:
    stations = [s for straight in straights for s in straight.stations]
    worst = max(stations, key=lambda s: s.total_mm)
    tolerance_mm, standoff_mm = wish.tolerance_mm, wish.standoff_mm
    wanted = f"the {standoff_mm:g} mm that it shall stand out of its seat"
    out = [
        f"The {bar} is {worst.total_mm:.2f} mm (U {worst.total_expanded_mm:.2f} mm) off "
        f"{wanted if standoff_mm else 'its seat'} "
        f"at worst, {worst.along_mm:.0f} mm from the seat's first cuff"
    ]
    mean_out = float(np.mean([s.out_mm for s in stations])) - standoff_mm
    u_out = float(np.mean([s.out_expanded_mm for s in stations]))
    if abs(mean_out) > u_out:
        way = "into the recess" if mean_out > 0 else "out of the recess"
        out.append(f"On the whole move it {abs(mean_out):.2f} mm {way} (U {u_out:.2f} mm)")
    open_ones = sum(s.verdict is Verdict.OPEN for s in stations)
    bad = sum(s.verdict is Verdict.OUT for s in stations)
    if bad:
        out.append(f"{bad} of {len(stations)} stations are outside {tolerance_mm:g} mm, proven")
    elif open_ones:
        out.append(
            f"{open_ones} of {len(stations)} stations cannot be decided against {tolerance_mm:g} mm"
        )
    else:
        out.append(f"All {len(stations)} stations are within {tolerance_mm:g} mm, proven")
    out += [s.deciding for s in straights if s.deciding]
    out += moved_sentences(chain)
    return tuple(out)


def moved_sentences(chain: Chain) -> list[str]:
    """What was left out of the carrying parts, in words."""
    return [
        f"Marker {m.marker_id} on the {part} moved between the shoots and was left out"
        for part, m in chain.moved
    ]
