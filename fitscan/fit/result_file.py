"""Results as files: the gap and the recheck with units in every name and U beside every number.

U is the expanded uncertainty (k = 2) throughout. Computing is left to `gap` and `recheck`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from pydantic import BaseModel, ConfigDict

from fitscan.geometry.rotation import Array
from fitscan.store.document import JsonDocument, Upgrade

if TYPE_CHECKING:
    # Either command's file loads without the other's computing.
    from fitscan.fit.align import Alignment
    from fitscan.fit.gap import Gap, GapStation, StraightGap
    from fitscan.fit.gap_chain import Loop, Step
    from fitscan.fit.moves import Move
    from fitscan.fit.recheck import CuffShift, Recheck

__all__ = [
    "CAUTION",
    "GapFile",
    "LoopRow",
    "RecheckFile",
    "StepRow",
    "gap_document",
    "loop_rows",
    "recheck_document",
    "step_rows",
]

CAUTION = (
    "fitscan measures fit. It does not approve a design, a weld or a material: the rules of the "
    "sanctioning body and local law decide, with a licensed or scrutineering person. Check by hand "
    "before cutting or welding; keep paper and fuel away from hot work."
)

Vector = tuple[float, float, float]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class MovedRow(_Model):
    """A marker of the carrying part that moved against the others and was left out."""

    marker_id: int
    shift_mm: Vector
    shift_U_mm: float


class AlignmentRow(_Model):
    """How the two surveys were brought together."""

    used: tuple[int, ...]
    moved: tuple[MovedRow, ...]
    congruency_statistic: float
    congruency_critical: float


class StepRow(_Model):
    """One step of the way from the target's survey to the bar's."""

    part: str
    a: str
    b: str
    alignment: AlignmentRow


class LoopRow(_Model):
    """A second way over the same surveys, held against the steps."""

    way: tuple[str, ...]
    part: str
    size_mm: float
    size_U_mm: float
    turn_deg: float
    turn_U_deg: float
    closes: bool


class StationRow(_Model):
    """The gap at one station."""

    along_mm: float
    across_mm: float
    across_U_mm: float
    out_mm: float
    out_U_mm: float
    total_mm: float
    total_U_mm: float
    verdict: str
    seated_mm: Vector
    bar_mm: Vector


class StraightRow(_Model):
    """One straight of the bar against one of its seat."""

    straight: int
    angle_deg: float
    angle_U_deg: float
    across: Vector
    out: Vector
    stations: tuple[StationRow, ...]


def _gap_2_from_1(old: dict[str, Any]) -> dict[str, Any]:
    """Version 1 knew one step only, whose alignment it kept, and no stand-off."""
    return {**old, "standoff_mm": 0.0, "steps": [], "loops": []}


class GapFile(JsonDocument):
    """A gap as stored."""

    KIND: ClassVar[str] = "fitscan.gap"
    SCHEMA_VERSION: ClassVar[int] = 2
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {1: _gap_2_from_1}

    tool_version: str
    coverage_factor: float
    bar: str
    target: str
    on: str
    frame: str
    tolerance_mm: float
    standoff_mm: float
    alignment: AlignmentRow
    steps: tuple[StepRow, ...]
    loops: tuple[LoopRow, ...]
    straights: tuple[StraightRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


class ShiftRow(_Model):
    """One marker of the part against its record.

    Of a cuff that was wrapped anew (`line_only`), shift and rest are those of the tube's line,
    square to it. `chance` is the probability that measuring alone leaves as much.
    """

    marker_id: int
    label: str
    place_mm: Vector
    shift_mm: Vector
    shift_U_mm: Vector
    total_mm: float
    total_U_mm: float
    left_mm: Vector
    left_U_mm: Vector
    bent: bool
    line_only: bool
    together: bool
    chance: float
    verdict: str


def _with_totals(content: dict[str, Any]) -> dict[str, Any]:
    """Lift version 1, which kept no length of a shift.

    The length's own U was not kept either. U in a direction n is at most the sum of |n_i| U_i,
    whatever the correlations are, so this bound stands in for it.
    """
    markers = []
    for row in content["markers"]:
        shift = np.array(row["shift_mm"], dtype=np.float64)
        size = float(np.linalg.norm(shift))
        way = np.abs(shift) / size if size > 0.0 else np.full(3, 3.0**-0.5)
        bound = float(way @ np.array(row["shift_U_mm"], dtype=np.float64))
        markers.append({**row, "total_mm": size, "total_U_mm": bound})
    return {**content, "markers": markers}


class MoveRow(_Model):
    """A move that brings the part nearer to its record; `unit` is mm or deg."""

    words: str
    turn: bool
    axis: str
    amount: float
    amount_U: float
    unit: str
    effect_mm: float
    leaves_mm: float
    leaves_at: str


def _without_moves(old: dict[str, Any]) -> dict[str, Any]:
    """Lift version 2, which knew nothing of moves, lines and the bending's chance."""
    rows = [
        {
            **row,
            "line_only": False,
            "together": not row["bent"],
            "chance": 0.0 if row["bent"] else 1.0,
        }
        for row in old["markers"]
    ]
    return {
        **old, "markers": rows, "moves": [], "undetermined": [], "bending_mm": 0.0, "deciding": [],
    }  # fmt: skip


class RecheckFile(JsonDocument):
    """A recheck as stored.

    The rigid motion takes recorded points to where they are now, both in `frame`. `total` is the
    length of a marker's shift, with its own U.
    """

    KIND: ClassVar[str] = "fitscan.recheck"
    SCHEMA_VERSION: ClassVar[int] = 3
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {1: _with_totals, 2: _without_moves}

    tool_version: str
    coverage_factor: float
    part: str
    on: str
    frame: str
    tolerance_mm: float
    reference_mm: Vector
    shift_mm: Vector
    shift_U_mm: Vector
    turn_deg: Vector
    turn_U_deg: Vector
    covariance: tuple[tuple[float, ...], ...]
    now_from_record_rotation: tuple[Vector, Vector, Vector]
    now_from_record_translation_mm: Vector
    bending_mm: float
    undetermined: tuple[str, ...]
    moves: tuple[MoveRow, ...]
    alignment: AlignmentRow
    markers: tuple[ShiftRow, ...]
    sentences: tuple[str, ...]
    deciding: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def _alignment(a: Alignment) -> AlignmentRow:
    moved = tuple(
        MovedRow(marker_id=m.marker_id, shift_mm=_vector(m.shift_mm), shift_U_mm=m.expanded_mm)
        for m in a.moved
    )
    return AlignmentRow(
        used=a.used,
        moved=moved,
        congruency_statistic=a.statistic,
        congruency_critical=a.critical,
    )


def step_rows(steps: Iterable[Step]) -> tuple[StepRow, ...]:
    """Rows of a way's steps."""
    return tuple(
        StepRow(part=s.part, a=s.a, b=s.b, alignment=_alignment(s.alignment)) for s in steps
    )


def loop_rows(loops: Iterable[Loop]) -> tuple[LoopRow, ...]:
    """Rows of the loops that were held against a way."""
    return tuple(
        LoopRow(
            way=x.way,
            part=x.part,
            size_mm=x.size_mm,
            size_U_mm=x.expanded_mm,
            turn_deg=x.turn_deg,
            turn_U_deg=x.turn_expanded_deg,
            closes=x.closes,
        )
        for x in loops
    )


def _station(s: GapStation) -> StationRow:
    return StationRow(
        along_mm=s.along_mm,
        across_mm=s.across_mm,
        across_U_mm=s.across_expanded_mm,
        out_mm=s.out_mm,
        out_U_mm=s.out_expanded_mm,
        total_mm=s.total_mm,
        total_U_mm=s.total_expanded_mm,
        verdict=s.verdict.value,
        seated_mm=_vector(s.seated_mm),
        bar_mm=_vector(s.bar_mm),
    )


def _straight(s: StraightGap) -> StraightRow:
    return StraightRow(
        straight=s.number,
        angle_deg=s.angle_deg,
        angle_U_deg=s.angle_expanded_deg,
        across=_vector(s.across),
        out=_vector(s.out),
        stations=tuple(_station(x) for x in s.stations),
    )


def gap_document(gap: Gap) -> GapFile:
    """Turn a gap into its file's model."""
    from fitscan import __version__
    from fitscan.fit.verdict import COVERAGE

    return GapFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        bar=gap.bar,
        target=gap.target,
        on=gap.on,
        frame=gap.frame,
        tolerance_mm=gap.tolerance_mm,
        standoff_mm=gap.standoff_mm,
        alignment=_alignment(gap.alignment),
        steps=step_rows(gap.steps),
        loops=loop_rows(gap.loops),
        straights=tuple(_straight(s) for s in gap.straights),
        sentences=gap.sentences,
        warnings=gap.warnings,
        caution=CAUTION,
    )


def _shift(s: CuffShift) -> ShiftRow:
    return ShiftRow(
        marker_id=s.marker_id,
        label=s.label,
        place_mm=_vector(s.place_mm),
        shift_mm=_vector(s.shift_mm),
        shift_U_mm=_vector(s.shift_expanded_mm),
        total_mm=s.size_mm,
        total_U_mm=s.size_expanded_mm,
        left_mm=_vector(s.left_mm),
        left_U_mm=_vector(s.left_expanded_mm),
        bent=s.bent,
        line_only=s.line_only,
        together=s.together,
        chance=s.significance,
        verdict=s.verdict.value,
    )


def _move(m: Move) -> MoveRow:
    return MoveRow(
        words=m.words,
        turn=m.turn,
        axis="XYZ"[m.axis],
        amount=m.amount,
        amount_U=m.expanded,
        unit="deg" if m.turn else "mm",
        effect_mm=m.effect_mm,
        leaves_mm=m.leaves_mm,
        leaves_at=m.leaves_at,
    )


def recheck_document(r: Recheck) -> RecheckFile:
    """Turn a recheck into its file's model."""
    from fitscan import __version__
    from fitscan.fit.verdict import COVERAGE

    turn = r.now_from_record.rotation
    return RecheckFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        part=r.part,
        on=r.on,
        frame=r.axes.frame,
        tolerance_mm=r.tolerance_mm,
        reference_mm=_vector(r.reference_mm),
        shift_mm=_vector(r.shift_mm),
        shift_U_mm=_vector(r.shift_expanded_mm),
        turn_deg=_vector(r.turn_deg),
        turn_U_deg=_vector(r.turn_expanded_deg),
        covariance=tuple(tuple(float(v) for v in row) for row in np.asarray(r.covariance)),
        now_from_record_rotation=(_vector(turn[0]), _vector(turn[1]), _vector(turn[2])),
        now_from_record_translation_mm=_vector(r.now_from_record.translation),
        bending_mm=r.bending_mm,
        undetermined=r.undetermined,
        moves=tuple(_move(m) for m in r.moves),
        alignment=_alignment(r.alignment),
        markers=tuple(_shift(s) for s in r.shifts),
        sentences=r.sentences,
        deciding=r.deciding,
        warnings=r.warnings,
        caution=CAUTION,
    )
