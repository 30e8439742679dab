"""A bar against a recess's contour by pointers: one lip, or the centre line between two lips.

Directions at a station. "along" runs along the contour, "out" points out of the recess (away from
the pointers' paper; between two lips, square to the plane that they span), and
across = out x along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitscan.errors import DataError
from fitscan.fit.deciding import Share, influences_of, steepest
from fitscan.fit.gap import length_with_u, moved_sentences, outward
from fitscan.fit.gap_chain import Chain, find_loops, loop_sentences, make_chain, told_loops
from fitscan.fit.gap_standoff import (
    Against,
    Standoff,
    StandoffStation,
    judge_clearance,
    standoff_sentences,
    what_decides_station,
)
from fitscan.fit.propagate import MarkerInput, propagate_with
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.rotation import Array
from fitscan.shape.centre_line import CentreLine, Places
from fitscan.shape.contour import Contour, Stops
from fitscan.shape.propagate import Poses
from fitscan.survey.survey import Survey

__all__ = ["find_contour_gap"]

_SAMPLE_MM = 0.5
_FARTHEST_MM = 500.0
"""A bar that passes a contour farther away belongs elsewhere."""


def find_contour_gap(
    bar_survey: Survey,
    bar: str,
    target_survey: Survey,
    lips: Sequence[str],
    on: Sequence[str],
    *,
    via: Sequence[Survey] = (),
    tolerance_mm: float = 2.0,
    standoff_mm: float | None = None,
    station_mm: float = 50.0,
    clr_mm: float | None = None,
) -> Standoff:
    """Compare a bar with a contour.

    Against one lip the clearance of the bar's surface is told, and judged against the wanted
    stand-off if there is one. Against the centre line between two lips the offset of the axis is
    told and judged, with the stand-off as the wanted distance out of the recess (0 if None).

    Args:
        bar_survey: shows the bar's cuffs.
        bar: tube name.
        target_survey: shows the pointers.
        lips: how the names of a lip's pointers begin; one lip or two.
        on: the carrying part, or one for each step from the target to the bar.
        via: surveys between the two, in that order.
        tolerance_mm: of the stand-off or offset.
        standoff_mm: wanted.
        station_mm: distance between stations; every pointer of the first lip is one.
        clr_mm: the bar's centre-line radius; the kit's [[tube]] if None.

    Raises:
        InputError: unknown tube or pointers.
        DataError: too few pointers or common markers, or the bar does not pass the contour.
    """
    chain = make_chain((target_survey, *via, bar_survey), on)
    contour = Contour.of(target_survey, lips)
    line = CentreLine.of(bar_survey, bar, clr_mm)
    stops, places = _paired(chain, contour, line, station_mm)
    hint = outward(target_survey, contour.markers)
    model = _Model(chain, contour, line, stops, places, hint)
    inputs = chain.inputs(contour.markers, line.cuffs)
    value, covariance, jacobians = propagate_with(model.values, inputs)
    poses: list[Poses] = [i.poses for i in inputs]
    points = contour.points(poses[0], stops)[0]
    own = line.points_and_tangents(poses[chain.bar_row], places)[0]
    on_bar = chain.start.apply(own)
    centred = contour.centred
    wanted = (standoff_mm or 0.0) if centred else standoff_mm
    bow = model.bow_covariance(poses)
    stations = []
    for n in range(len(stops)):
        rows = 3 * n + np.arange(3)
        joint = covariance[np.ix_(rows, rows)] + bow[n]
        piece = line.names[int(places.piece[n])]
        stations.append(
            _station(float(stops.along_mm[n]), piece, points[n], on_bar[n], value[rows], joint,
                     wanted, tolerance_mm, centred=centred)
        )  # fmt: skip
    loops, apart = told_loops(find_loops(chain, points[0]))
    result = Standoff(
        bar, line.od_mm, Against.CENTRE if centred else Against.LIP, contour.name,
        ", then ".join(dict.fromkeys(on)), target_survey.frame, chain, loops, tuple(stations),
        wanted, tolerance_mm, _outline(contour, poses[0], points), None, (), (),
    )  # fmt: skip
    deciding = _deciding(result, value, covariance, bow, jacobians, inputs)
    sentences = [
        *standoff_sentences(result),
        *deciding,
        *_remarks(contour, line, chain, stops),
        *apart,
    ]
    warnings = (*chain.warnings, *loop_sentences(loops))
    return replace(result, sentences=tuple(sentences), warnings=warnings)


def _deciding(
    result: Standoff,
    value: Array,
    covariance: Array,
    bow: Array,
    jacobians: tuple[Array, ...],
    inputs: list[MarkerInput],
) -> list[str]:
    """What would decide the open station that is known best; none when no station is open."""
    rows = [i for i, s in enumerate(result.stations) if s.verdict is Verdict.OPEN]
    if not rows:
        return []
    n = min(rows, key=lambda i: result.stations[i].expanded_mm)
    if result.against is Against.CENTRE:
        own = [3 * n, 3 * n + 1]
        joint = covariance[np.ix_(own, own)] + bow[n][:2, :2]
        way = steepest(value[own] - np.array([0.0, result.standoff_mm or 0.0]), joint)
        bowed = float(way @ bow[n][:2, :2] @ way)
    else:
        own, way, bowed = [3 * n + 2], np.ones(1), float(bow[n][2, 2])
    influences = influences_of(
        [way @ j[own] for j in jacobians], inputs,
        carriers=[m for step in result.chain.steps for m in step.carrier.used],
        carried_by="the markers that carry the contour over",
    )  # fmt: skip
    lips = Share("what a lip may bow between its pointers", bowed, "a pointer where it bends")
    others = [lips] if bowed > 0.0 else []
    return [
        what_decides_station(
            result.stations[n], result.standoff_mm, result.tolerance_mm, influences, others
        )
    ]


@dataclass(frozen=True)
class _Model:
    """Across, out and clearance at every station as a function of poses."""

    chain: Chain
    contour: Contour
    line: CentreLine
    stops: Stops
    places: Places
    hint: Array

    def values(self, poses: list[Poses], shift: Array | None = None) -> Array:
        """Across, out and clearance (3 n,) with the contour shifted by (3,), for poses."""
        target, along, width = self.contour.points(poses[0], self.stops)
        if shift is not None:
            target = target + shift
        way = self.chain.target_from_bar(poses)
        point, tangent = self.line.points_and_tangents(poses[self.chain.bar_row], self.places)
        point, tangent = way.apply(point), way.turn(tangent)
        # The bar is straight enough around its place to slide along its tangent.
        slide = ((target - point) * along).sum(axis=1) / (tangent * along).sum(axis=1)
        away = point + slide[:, None] * tangent - target
        across, out = _directions(along, width, self.hint)
        foot = target - point
        foot = foot - (foot * tangent).sum(axis=1)[:, None] * tangent
        clearance = np.linalg.norm(foot, axis=1) - self.line.radius_mm
        parts = [(away * across).sum(axis=1), (away * out).sum(axis=1), clearance]
        return np.stack(parts, axis=1).reshape(-1)

    def bow_covariance(self, poses: list[Poses]) -> Array:
        """What the lips' bow between tips adds to each station's numbers (n, 3, 3)."""
        reach = 1e-3
        ways = [
            (self.values(poses, d) - self.values(poses, -d)).reshape(-1, 3) / (2.0 * reach)
            for d in reach * np.eye(3)
        ]
        by_shift = np.stack(ways, axis=2)
        return np.asarray(by_shift @ self.stops.bow @ by_shift.transpose(0, 2, 1))


def _directions(along: Array, width: Array, hint: Array) -> tuple[Array, Array]:
    """Unit vectors across and out (n, 3) at each station."""
    out = np.broadcast_to(hint, along.shape)
    if np.any(width):
        normal = np.cross(along, width)
        out = normal * np.sign((normal * out).sum(axis=1))[:, None]
    out = out - (out * along).sum(axis=1)[:, None] * along
    out = out / np.linalg.norm(out, axis=1)[:, None]
    return np.cross(out, along), out


def _paired(
    chain: Chain, contour: Contour, line: CentreLine, station_mm: float
) -> tuple[Stops, Places]:
    """Stations that the bar passes, and its place abreast of each."""
    stops = contour.stops(station_mm)
    points, along, _ = contour.points(contour.poses, stops)
    samples = line.places(_SAMPLE_MM)
    own, tangents = line.points_and_tangents(line.poses, samples)
    own, tangents = chain.start.apply(own), chain.start.turn(tangents)
    keep, rows = [], []
    for n in range(len(stops)):
        # Abreast of the centre line is what lies in the plane square to it; abreast of a lip is
        # what is nearest. Neither runs across the contour.
        way = along[n] if contour.centred else tangents
        height = ((own - points[n]) * way).sum(axis=1)
        steep = np.abs(tangents @ along[n])
        near = np.flatnonzero((np.abs(height) <= _SAMPLE_MM) & (steep > 0.5))
        if len(near):
            away = np.linalg.norm(own[near] - points[n], axis=1) + np.abs(height[near])
            best = int(near[np.argmin(away)])
            if np.linalg.norm(own[best] - points[n]) < _FARTHEST_MM:
                keep.append(n)
                rows.append(best)
    if not keep:
        raise DataError(
            f"The bar {line.tube!r} does not pass {contour.name} where its cuffs show it",
            "gap",
            "check the names, and put cuffs abreast of the pointers",
        )
    return stops.take(np.array(keep)), samples.take(np.array(rows))


def _station(
    along_mm: float,
    piece: str,
    target: Array,
    bar: Array,
    values: Array,
    covariance: Array,
    wanted: float | None,
    tolerance_mm: float,
    *,
    centred: bool,
) -> StandoffStation:
    u = COVERAGE * np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    across, out, clearance = (float(v) for v in values)
    if centred:
        off = values[:2] - [0.0, wanted or 0.0]
        value, expanded = length_with_u(off, covariance[:2, :2])
        verdict = judge(value, expanded, tolerance_mm)
    else:
        expanded = float(u[2])
        value, verdict = judge_clearance(clearance, expanded, wanted, tolerance_mm)
    return StandoffStation(
        along_mm, piece, target, bar, across, float(u[0]), out, float(u[1]),
        None if centred else clearance, None if centred else float(u[2]), value, expanded, verdict,
    )  # fmt: skip


def _outline(contour: Contour, poses: Poses, points: Array) -> tuple[Array, ...]:
    lips = tuple(lip.tips(poses) for lip in contour.lips)
    return (*lips, points) if contour.centred else lips


def _remarks(contour: Contour, line: CentreLine, chain: Chain, stops: Stops) -> list[str]:
    out = []
    for lip in contour.lips:
        for name in lip.missing:
            out.append(f"The pointer {name!r} was not found in the photos; the lip goes without it")
    if contour.taken_as_straight:
        out.append(
            "With two pointers a lip is taken as straight between them: put a third one midway "
            "to find out whether it is"
        )
    bow = COVERAGE * float(stops.bow_u_mm.max())
    if bow > 0.1:
        out.append(
            f"Between its pointers the contour may bow by up to {bow:.1f} mm, which U contains: "
            "put a pointer wherever it bends"
        )
    if line.open_bends:
        out.append(
            f"Nothing is told of the bends of the {line.tube}: give its centre-line radius "
            "(--clr-mm, or [[tube]] in the kit)"
        )
    return [*out, *moved_sentences(chain)]
