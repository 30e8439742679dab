"""How far a bar stands off a contour or a scanned surface, station by station, in words.

The numbers come from `gap_contour` and `gap_scan`, files from `gap_standoff_file`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from fitscan.fit.deciding import Influence, Share, what_decides
from fitscan.fit.gap_chain import Chain, Loop
from fitscan.fit.verdict import Verdict, judge
from fitscan.geometry.rotation import Array
from fitscan.shape.scan_place import Placement

__all__ = [
    "Against",
    "Standoff",
    "StandoffStation",
    "judge_clearance",
    "standoff_sentences",
    "what_decides_station",
]


class Against(str, Enum):
    """What a bar is held against."""

    LIP = "lip"
    CENTRE = "centre line"
    SCAN = "scan"


@dataclass(frozen=True)
class StandoffStation:
    """One place.

    Attributes:
        along_mm: along the contour from its first pointer, or along the bar from its first cuff.
        piece: of the bar there: "straight 1", "bend 1-2".
        target_mm, bar_mm: (3,) on the target and on the bar's axis, in the frame of the target's
            survey.
        across_mm, out_mm: of the bar's axis from the contour, None against a scan.
        across_expanded_mm, out_expanded_mm: their U (k = 2).
        clearance_mm, clearance_expanded_mm: between the bar's surface and the target with U,
            negative where it fouls; None against a centre line.
        value_mm, expanded_mm: what is judged, with U: the distance of the axis from where it
            shall be, the error of the stand-off, or the clearance itself where no stand-off is
            wanted.
        verdict: see `judge_clearance` and `fitscan.fit.verdict.judge`.
    """

    along_mm: float
    piece: str
    target_mm: Array
    bar_mm: Array
    across_mm: float | None
    across_expanded_mm: float | None
    out_mm: float | None
    out_expanded_mm: float | None
    clearance_mm: float | None
    clearance_expanded_mm: float | None
    value_mm: float
    expanded_mm: float
    verdict: Verdict


@dataclass(frozen=True)
class Standoff:
    """A bar against a contour or a scan.

    Attributes:
        bar: tube name; bar_od_mm: its outside diameter.
        against: what kind of target; target: in words.
        on: the carrying parts in words.
        frame: in which points are told.
        chain: from the target's survey to the bar's; loops: second ways held against it.
        stations: in order.
        standoff_mm: wanted, or None where only fouling is judged.
        tolerance_mm: of it.
        outline: lines (n, 3) of the target in the frame of its survey, for pictures.
        placement: of the scan in the target's survey; None against pointers.
        sentences, warnings: as in every result.
    """

    bar: str
    bar_od_mm: float
    against: Against
    target: str
    on: str
    frame: str
    chain: Chain
    loops: tuple[Loop, ...]
    stations: tuple[StandoffStation, ...]
    standoff_mm: float | None
    tolerance_mm: float
    outline: tuple[Array, ...]
    placement: Placement | None
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def worst(self) -> StandoffStation:
        """The tightest station where clearance counts, else the one that is off most.

        Those that are proven out come first: a number with a wide U is no news.
        """
        proven = [s for s in self.stations if s.verdict is Verdict.OUT]
        if self.standoff_mm is None:
            return min(proven or self.stations, key=lambda s: s.value_mm)
        return max(proven or self.stations, key=lambda s: s.value_mm)

    @property
    def tightest(self) -> StandoffStation:
        """The station with the smallest clearance; one that fouls for certain comes first."""
        sure = [s for s in self.stations if _gap(s) < -(s.clearance_expanded_mm or 0.0)]
        return min(sure or self.stations, key=_gap)


def _gap(s: StandoffStation) -> float:
    return s.clearance_mm if s.clearance_mm is not None else 0.0


def what_decides_station(
    station: StandoffStation,
    wanted: float | None,
    tolerance_mm: float,
    influences: Sequence[Influence],
    others: Sequence[Share],
) -> str:
    """A sentence on what would decide an open station.

    Args:
        station: whose verdict is open.
        wanted: its stand-off, or None where the question is whether it is clear.
        tolerance_mm: of the stand-off.
        influences: of the surveys on the judged number.
        others: what else its variance is made of, mm^2.
    """
    limit = 0.0 if wanted is None else tolerance_mm
    found = what_decides(station.value_mm, station.expanded_mm, limit, influences, others=others)
    return f"Open {_where(station)}: {found.sentence}"


def judge_clearance(
    clearance: float, expanded: float, standoff: float | None, tolerance: float
) -> tuple[float, Verdict]:
    """The judged value and what can be said of it.

    Without a wanted stand-off the question is whether the bar is clear: in when it is by more
    than U, out when it fouls by more than U.
    """
    if standoff is not None:
        off = abs(clearance - standoff)
        return off, judge(off, expanded, tolerance)
    if clearance >= expanded:
        return clearance, Verdict.IN
    return clearance, Verdict.OUT if clearance < -expanded else Verdict.OPEN


def standoff_sentences(result: Standoff) -> tuple[str, ...]:
    """What the stations say, in the fitter's words."""
    if result.against is Against.CENTRE:
        out = _centre_sentences(result)
    else:
        out = _clearance_sentences(result)
        if result.standoff_mm is None:
            return (*out, _clear_counts(result))
    limit = f"{result.tolerance_mm:g} mm of what is wanted"
    return (*out, _counts(result.stations, f"outside {limit}", f"within {limit}"))


def _where(s: StandoffStation) -> str:
    return f"at {s.along_mm:.0f} mm ({s.piece})"


def _centre_sentences(result: Standoff) -> tuple[str, ...]:
    worst = result.worst
    wanted = result.standoff_mm or 0.0
    place = f"{wanted:g} mm out from {result.target}" if wanted else result.target
    out = [
        f"The {result.bar}'s axis is {worst.value_mm:.2f} mm (U {worst.expanded_mm:.2f} mm) off "
        f"{place} at worst, {_where(worst)}"
    ]
    offs = np.array([s.out_mm for s in result.stations], dtype=np.float64)
    u = float(np.mean([s.out_expanded_mm or 0.0 for s in result.stations]))
    mean = float(offs.mean()) - wanted
    if abs(mean) > u:
        way = "into the recess" if mean > 0 else "out of the recess"
        out.append(f"On the whole move it {abs(mean):.2f} mm {way} (U {u:.2f} mm)")
    return tuple(out)


def _clearance_sentences(result: Standoff) -> tuple[str, ...]:
    tightest = result.tightest
    gap, u = _gap(tightest), tightest.clearance_expanded_mm or 0.0
    told = f"{abs(gap):.2f} mm (U {u:.2f} mm)"
    if gap < -u:
        out = [f"The {result.bar} fouls {result.target} by {told} at worst, {_where(tightest)}"]
    elif gap < u:
        out = [
            f"Whether the {result.bar} clears {result.target} cannot be told at its tightest, "
            f"{_where(tightest)}: clearance {gap:.2f} mm (U {u:.2f} mm)"
        ]
    else:
        out = [
            f"The {result.bar} is {told} clear of {result.target} at its tightest, "
            f"{_where(tightest)}"
        ]
    worst = result.worst
    if result.standoff_mm is not None and worst.verdict is Verdict.OUT:
        need = result.standoff_mm - _gap(worst)
        way = "away from" if need > 0 else "towards"
        out.append(
            f"Move it {abs(need):.2f} mm {way} {result.target} (U {worst.expanded_mm:.2f} mm), "
            f"{_where(worst)}"
        )
    return tuple(out)


def _clear_counts(result: Standoff) -> str:
    return _counts(result.stations, "fouled", "clear")


def _counts(stations: Sequence[StandoffStation], out: str, inside: str) -> str:
    total = len(stations)
    bad = sum(s.verdict is Verdict.OUT for s in stations)
    undecided = sum(s.verdict is Verdict.OPEN for s in stations)
    if bad:
        return f"{bad} of {total} stations are {out}, proven"
    if undecided:
        return f"{undecided} of {total} stations cannot be decided"
    return f"All {total} stations are {inside}, proven" if total > 1 else f"It is {inside}, proven"
