"""A bar against a scanned surface: the clearance of its outside all along, and where it fouls.

A station owns its length of bar, so that the tightest place between two stations is not missed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitscan.errors import DataError
from fitscan.fit.deciding import Share, influences_of
from fitscan.fit.gap import moved_sentences
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
from fitscan.fit.verdict import COVERAGE, Verdict
from fitscan.geometry.rotation import Array, skew
from fitscan.shape.centre_line import CentreLine, Places
from fitscan.shape.propagate import Poses
from fitscan.shape.scan import Scan
from fitscan.shape.scan_place import Placement, place_scan
from fitscan.shape.scan_points import ScanPoints
from fitscan.shape.scan_surface import Feet, Surface
from fitscan.survey.survey import Survey

__all__ = ["find_scan_gap"]

_SAMPLE_MM = 0.25
_FARTHEST_MM = 200.0
"""A scan farther from the bar than this is not what the bar is fitted to."""
_MARGIN_MM = 2.0


def find_scan_gap(
    bar_survey: Survey,
    bar: str,
    scan: Scan,
    points: ScanPoints,
    target_survey: Survey,
    on: Sequence[str],
    *,
    via: Sequence[Survey] = (),
    tolerance_mm: float = 2.0,
    standoff_mm: float | None = None,
    station_mm: float = 50.0,
    clr_mm: float | None = None,
) -> Standoff:
    """Clearance of a bar's surface from a scan.

    Args:
        bar_survey: shows the bar's cuffs.
        bar: tube name.
        scan: of the part.
        points: picked in it.
        target_survey: shows the picked tags and pointers.
        on: the carrying part, or one for each step from the target to the bar.
        via: surveys between the two, in that order.
        tolerance_mm: of the stand-off.
        standoff_mm: wanted clearance; without it only fouling is judged.
        station_mm: length of bar that a station stands for.
        clr_mm: the bar's centre-line radius; the kit's [[tube]] if None.

    Raises:
        InputError: unknown tube, or a picked point that is none of the kit's.
        DataError: the scan cannot be placed, or the bar does not come near it.
        EnvironmentProblem: Open3D or one of its system packages is missing.
    """
    chain = make_chain((target_survey, *via, bar_survey), on)
    line = CentreLine.of(bar_survey, bar, clr_mm)
    placement, surface = place_scan(target_survey, scan, points)
    places, feet = _tightest(chain, line, placement, surface, station_mm)
    model = _Model(chain, line, placement, places, feet)
    inputs = chain.inputs(placement.markers, line.cuffs)
    poses: list[Poses] = [i.poses for i in inputs]
    value, covariance, jacobians = propagate_with(model.values, inputs)
    placed, rough = model.own_variance(), feet.u**2 + points.surface_u_mm**2
    variance = np.diag(covariance) + placed + rough
    target = placement.survey_from_scan.apply(feet.points)
    on_bar = chain.start.apply(line.points(poses[chain.bar_row], places))
    stations = []
    for n in range(len(places)):
        expanded = COVERAGE * float(np.sqrt(variance[n]))
        clearance = float(value[n])
        judged, verdict = judge_clearance(clearance, expanded, standoff_mm, tolerance_mm)
        stations.append(
            StandoffStation(
                float(places.run[n]),
                line.names[int(places.piece[n])],
                target[n],
                on_bar[n],
                None,
                None,
                None,
                None,
                clearance,
                expanded,
                judged,
                expanded,
                verdict,
            )
        )
    loops, apart = told_loops(find_loops(chain, target[0]))
    result = Standoff(
        bar, line.od_mm, Against.SCAN, f"the scan {scan.name}", ", then ".join(dict.fromkeys(on)),
        target_survey.frame, chain, loops, tuple(stations), standoff_mm, tolerance_mm,
        (target,), placement, (), (),
    )  # fmt: skip
    sentences = [
        *standoff_sentences(result),
        *_deciding(result, placed, rough, jacobians, inputs),
        *placement.remarks,
        *moved_sentences(chain),
        *apart,
    ]
    if surface.coarse:
        sentences.append(
            "The scan's points lie too far apart to judge its noise: it counts as none"
        )
    if line.open_bends:
        sentences.append(
            f"Nothing is told of the bends of the {bar}: give its centre-line radius (--clr-mm, or "
            "[[tube]] in the kit)"
        )
    warnings = (*chain.warnings, *loop_sentences(loops))
    return replace(result, sentences=tuple(sentences), warnings=warnings)


def _deciding(
    result: Standoff,
    placed: Array,
    rough: Array,
    jacobians: tuple[Array, ...],
    inputs: list[MarkerInput],
) -> list[str]:
    """What would decide the tightest open station; none when no station is open."""
    rows = [i for i, s in enumerate(result.stations) if s.verdict is Verdict.OPEN]
    if not rows:
        return []
    n = min(rows, key=lambda i: result.stations[i].clearance_mm or 0.0)
    influences = influences_of(
        [j[n] for j in jacobians], inputs,
        carriers=[m for step in result.chain.steps for m in step.carrier.used],
        carried_by="the markers that carry the scan over",
    )  # fmt: skip
    others = [
        Share(
            "how the scan's points were picked",
            float(placed[n]),
            "more points picked in the scan around the bar, or picked more closely",
        ),
        Share("the scanned surface itself", float(rough[n]), "a finer or better scan there"),
    ]
    return [
        what_decides_station(
            result.stations[n], result.standoff_mm, result.tolerance_mm, influences, others
        )
    ]


def _tightest(
    chain: Chain, line: CentreLine, placement: Placement, surface: Surface, station_mm: float
) -> tuple[Places, Feet]:
    """The tightest place of each station's length of bar, and the surface's place there."""
    scan_from_bar = placement.survey_from_scan.inverse() @ chain.start
    samples = line.places(_SAMPLE_MM)
    x = scan_from_bar.apply(line.points(line.poses, samples))
    near = np.flatnonzero(
        np.abs(surface.nearest(x).distance) < _FARTHEST_MM + line.radius_mm
    )  # fmt: skip
    if not len(near):
        raise DataError(
            f"The bar {line.tube!r} comes nowhere within {_FARTHEST_MM:g} mm of the scan",
            placement.scan,
            "check that it is the scan of the part beside this bar, and which point is which",
        )
    samples, x = samples.take(near), x[near]
    feet = surface.evened(x, _MARGIN_MM).nearest(x)
    count = max(1, int(np.ceil(np.ptp(samples.run) / station_mm - 1e-6)))
    edges = np.linspace(samples.run.min(), samples.run.max(), count + 1)
    owner = np.clip(np.searchsorted(edges, samples.run, side="right") - 1, 0, count - 1)
    rows = []
    for n in range(count):
        mine = np.flatnonzero(owner == n)
        if len(mine):
            rows.append(int(mine[np.argmin(feet.distance[mine])]))
    k = np.array(rows)
    return samples.take(k), Feet(feet.points[k], feet.normals[k], feet.distance[k], feet.u[k])


@dataclass(frozen=True)
class _Model:
    """Clearances as a function of poses, near the surveyed ones.

    The nearest pair of places stays nearest to first order, so both are kept where they are on
    bar and scan, and only their distance along the line between them changes.
    """

    chain: Chain
    line: CentreLine
    placement: Placement
    places: Places
    feet: Feet

    def _along(self) -> Array:
        """Unit directions (n, 3) along which a clearance grows, in the target's frame."""
        to_target = self.placement.survey_from_scan
        axis = self.chain.start.apply(self.line.points(self.line.poses, self.places))
        away = axis - to_target.apply(self.feet.points)
        size = np.linalg.norm(away, axis=1)
        away = np.where(self.feet.distance[:, None] < 0.0, -away, away)
        normals = to_target.turn(self.feet.normals)
        unit = away / np.maximum(size, 1e-9)[:, None]
        return np.where((size > 1e-3)[:, None], unit, normals)

    def values(self, poses: list[Poses]) -> Array:
        """Clearances (n,) of the bar's outside."""
        placed = self.placement.survey_from_scan_for(poses[0])
        own = self.line.points(poses[self.chain.bar_row], self.places)
        away = self.chain.target_from_bar(poses).apply(own) - placed.apply(self.feet.points)
        return np.asarray((away * self._along()).sum(axis=1) - self.line.radius_mm)

    def own_variance(self) -> Array:
        """Variance (n,) from the placement's own covariance."""
        arms = self.placement.survey_from_scan.turn(self.feet.points)
        rows = np.zeros((len(arms), 3, 6))
        rows[:, :, :3], rows[:, :, 3:] = -skew(arms), np.eye(3)
        jacobian = np.einsum("ni,nij->nj", self._along(), rows)
        return np.asarray(np.einsum("ni,ij,nj->n", jacobian, self.placement.own, jacobian))
