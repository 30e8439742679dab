"""How far a bar is from where it should sit, station by station, carried over by a common part.

The bar is measured in one survey (door shut), the seated axis in another (door open, stubs in the
recess); the part that both see (the trim) brings them together. Pictures are left to
`fitscan.report`.

Directions at a station. "along" is the seated axis; "out" points out of the recess, away from the
part's surface (the mean of its flat markers' normals, made square to "along"); "across" completes
the triad: across = out x along.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from fitscan.errors import DataError
from fitscan.fit.align import Alignment, align, difference_covariance, motion_rows
from fitscan.fit.propagate import MarkerInput, propagate
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.line import Line
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, angle_between
from fitscan.shape.straight import Straight, axis_through, straights_of
from fitscan.survey.survey import Survey

__all__ = ["Gap", "GapStation", "StraightGap", "find_gap"]

Poses = Mapping[int, Rigid]

_STATION_MM = 50.0
_STEEPEST_DEG = 30.0


@dataclass(frozen=True)
class GapStation:
    """The gap at one place along the seated axis.

    Attributes:
        along_mm: from the first cuff of the seated axis.
        seated_mm, bar_mm: (3,) points on the seated axis and on the bar's axis, in the frame of
            the target's survey.
        across_mm, out_mm, total_mm: offset of the bar from the seated axis; total is its length.
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
    """

    number: int
    angle_deg: float
    angle_expanded_deg: float
    stations: tuple[GapStation, ...]
    across: Array
    out: Array
    bar_od_mm: float


@dataclass(frozen=True)
class Gap:
    """A bar against its seated axis.

    Attributes:
        bar, target: tube names.
        on: the part that carried the target over.
        frame: in which points are told.
        alignment: target's survey from the bar's survey.
        straights: one entry for each pair.
        tolerance_mm: for the verdicts.
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

    @property
    def stations(self) -> list[GapStation]:
        """All stations of all straights."""
        return [s for straight in self.straights for s in straight.stations]


def find_gap(
    bar_survey: Survey,
    bar: str,
    target_survey: Survey,
    target: str,
    on: str,
    *,
    tolerance_mm: float = 2.0,
    station_mm: float = _STATION_MM,
) -> Gap:
    """Compare a bar with the axis it should have.

    Args:
        bar_survey: shows the bar's cuffs and the carrying part.
        bar: tube name.
        target_survey: shows the stubs' cuffs and the carrying part.
        target: tube name of the stubs.
        on: the carrying part.
        tolerance_mm: largest wanted distance of the axes.
        station_mm: distance between stations.

    Raises:
        InputError: unknown tubes, or no cuff of them was measured.
        DataError: too few common markers; no straight of the bar runs beside the target.
    """
    alignment = align(target_survey, bar_survey, on)
    bars = straights_of(bar_survey, bar)
    seats = straights_of(target_survey, target)
    pairs = _pairs(bars, seats, alignment.a_from_b, bar, target)
    carrier = _Carrier.of(target_survey, bar_survey, alignment)
    straights = tuple(
        _straight_gap(target_survey, bar_survey, carrier, b, s, tolerance_mm, station_mm)
        for b, s in pairs
    )
    warnings = [*target_survey.quality.warnings, *bar_survey.quality.warnings]
    return Gap(
        bar,
        target,
        on,
        target_survey.frame,
        alignment,
        straights,
        tolerance_mm,
        _sentences(bar, straights, alignment, on, tolerance_mm),
        tuple(dict.fromkeys(warnings)),
    )


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


@dataclass(frozen=True)
class _Carrier:
    """The alignment as a function of poses: the same weights, evaluated for changed poses."""

    used: tuple[int, ...]
    start: Rigid
    gain: Array

    @staticmethod
    def of(target: Survey, bar: Survey, alignment: Alignment) -> _Carrier:
        used = list(alignment.used)
        places = np.array([bar.poses[bar.row(m)].translation for m in used])
        seen = alignment.a_from_b.apply(places)
        rows = motion_rows(seen - alignment.a_from_b.translation)
        covariance = difference_covariance(target, bar, used, alignment.a_from_b, rows)
        weighted = cho_solve(cho_factor(covariance), rows)
        gain = np.asarray(np.linalg.solve(rows.T @ weighted, weighted.T), dtype=np.float64)
        return _Carrier(alignment.used, alignment.a_from_b, gain)

    def target_from_bar(self, target: Poses, bar: Poses) -> Rigid:
        there = np.array([target[m].translation for m in self.used])
        here = self.start.apply(np.array([bar[m].translation for m in self.used]))
        return self.start.step(self.gain @ (there - here).reshape(-1))


def _straight_gap(
    target_survey: Survey,
    bar_survey: Survey,
    carrier: _Carrier,
    bar: Straight,
    seat: Straight,
    tolerance_mm: float,
    station_mm: float,
) -> StraightGap:
    out_hint = _outward(target_survey, list(carrier.used))
    at = _stations(carrier, bar, seat, station_mm)
    seat_weights = _weights(target_survey, seat)
    bar_weights = _weights(bar_survey, bar)

    def values(poses: list[Poses]) -> Array:
        target, shut = poses
        seat_axis = _axis(target, seat, seat_weights)
        bar_axis = _carried(_axis(shut, bar, bar_weights), carrier.target_from_bar(target, shut))
        across, out = _triad(seat_axis.direction, out_hint)
        points = seat_axis.point + np.outer(at - _start(seat, seat_axis), seat_axis.direction)
        # The bar's point in the plane square to the seated axis at each station.
        slope = bar_axis.direction / (bar_axis.direction @ seat_axis.direction)
        reach = (points - bar_axis.point) @ seat_axis.direction
        away = bar_axis.point + np.outer(reach, slope) - points
        tilt = slope - seat_axis.direction
        return np.concatenate([away @ across, away @ out, [tilt @ across, tilt @ out]])

    inputs = [
        MarkerInput(target_survey, tuple(dict.fromkeys([*carrier.used, *seat.cuffs]))),
        MarkerInput(bar_survey, tuple(dict.fromkeys([*carrier.used, *bar.cuffs]))),
    ]
    value, covariance = propagate(values, inputs)
    axis = _axis(inputs[0].poses, seat, seat_weights)
    across, out = _triad(axis.direction, out_hint)
    n = len(at)
    stations = []
    for i in range(n):
        pair = np.array([value[i], value[n + i]])
        joint = covariance[np.ix_([i, n + i], [i, n + i])]
        point = axis.at(float(at[i] - _start(seat, axis)))
        stations.append(_station(float(at[i]), point, pair, joint, across, out, tolerance_mm))
    tilt, tilt_covariance = value[2 * n :], covariance[2 * n :, 2 * n :]
    size, expanded = _length(tilt, tilt_covariance)
    angle = float(np.degrees(np.arctan(size)))
    return StraightGap(
        bar.number, angle, float(np.degrees(expanded)), tuple(stations), across, out, bar.od_mm
    )


def _start(seat: Straight, axis: Line) -> float:
    """Place of the axis's point, measured from the first cuff of the seat."""
    return float(axis.along(axis.point) - axis.along(seat.centres[0]))


def _axis(poses: Poses, straight: Straight, weights: Array) -> Line:
    centres = np.array([poses[c].translation for c in straight.cuffs])
    own = poses[straight.cuffs[0]].rotation[:, 2]
    sense = 1.0 if own @ straight.axis.direction >= 0 else -1.0
    return axis_through(centres, weights, sense * own)


def _weights(survey: Survey, straight: Straight) -> Array:
    covariances = [survey.pose(c).covariance[3:, 3:] for c in straight.cuffs]
    return np.array([1.0 / max(float(np.trace(c)), 1e-12) for c in covariances])


def _triad(along: Array, out_hint: Array) -> tuple[Array, Array]:
    out = out_hint - (out_hint @ along) * along
    out = out / np.linalg.norm(out)
    return np.cross(out, along), out


def _outward(survey: Survey, markers: list[int]) -> Array:
    """Mean normal of the carrying part's flat markers, out of their paper."""
    # A cuff's z runs along its tube and says nothing of the surface.
    cuffs = {c.first_id for c in survey.kit.cuff}
    flat = [m for m in markers if m not in cuffs] or markers
    normals = np.array([survey.poses[survey.row(m)].rotation[:, 2] for m in flat])
    total = normals.sum(axis=0)
    size = float(np.linalg.norm(total))
    return np.asarray(total / size if size > 1e-6 else normals[0])


def _stations(carrier: _Carrier, bar: Straight, seat: Straight, step_mm: float) -> Array:
    """Places along the seat, from its first cuff, where both it and the bar are straight."""
    axis = seat.axis
    origin = float(axis.along(seat.centres[0]))
    low, high = (v - origin for v in seat.span)
    ends = carrier.start.apply(np.array([bar.axis.at(v) for v in bar.span]))
    reach = np.sort(axis.along(ends)) - origin
    low, high = max(low, float(reach[0])), min(high, float(reach[1]))
    if high <= low:
        middle = float(np.clip(0.5 * (seat.span[0] + seat.span[1]) - origin, *sorted(reach)))
        return np.array([middle])
    count = max(2, int(np.ceil((high - low) / step_mm)) + 1)
    return np.linspace(low, high, count)


def _length(pair: Array, covariance: Array) -> tuple[float, float]:
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
    tolerance_mm: float,
) -> GapStation:
    total, expanded = _length(pair, covariance)
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
        judge(total, expanded, tolerance_mm),
    )


def _sentences(
    bar: str,
    straights: tuple[StraightGap, ...],
    alignment: Alignment,
    on: str,
    tolerance_mm: float,
) -> tuple[str, ...]:
    stations = [s for straight in straights for s in straight.stations]
    worst = max(stations, key=lambda s: s.total_mm)
    out = [
        f"The {bar} is {worst.total_mm:.2f} mm (U {worst.total_expanded_mm:.2f} mm) off its seat "
        f"at worst, {worst.along_mm:.0f} mm from the seat's first cuff"
    ]
    mean_out = float(np.mean([s.out_mm for s in stations]))
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
            f"{open_ones} of {len(stations)} stations cannot be decided against "
            f"{tolerance_mm:g} mm: add photos of the cuffs at those stations"
        )
    else:
        out.append(f"All {len(stations)} stations are within {tolerance_mm:g} mm, proven")
    for m in alignment.moved:
        out.append(f"Marker {m.marker_id} on the {on} moved between the shoots and was left out")
    return tuple(out)
