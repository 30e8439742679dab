"""The recheck in a report: how a part moved since its record, marker by marker, and the way back.

The recheck's own pictures are left to `overlay` and `plots`.
"""

from __future__ import annotations

import numpy as np

from fitscan.fit.result_file import RecheckFile, ShiftRow
from fitscan.fit.verdict import Verdict
from fitscan.report.kinds.pieces import aligned_facts
from fitscan.report.kinds.result import Result
from fitscan.report.section import Cell, Column, Judged, Measured, Section, Table
from fitscan.report.shapes import Shapes, measured_span
from fitscan.report.words import amount
from fitscan.shape.datum import car_axes
from fitscan.survey.survey import Survey

__all__ = ["RESULT", "is_record_of"]

_MOTION = (
    Column("axis", "axis"),
    Column("shift", "shift_mm", "mm"),
    Column("turn", "turn_deg", "deg"),
)
_MOVES = (
    Column("move", "move"),
    Column("what to do", "what"),
    Column("by", "by"),
    Column("leaves", "leaves_mm", "mm", 2),
    Column("at", "leaves_at"),
)
_MARKERS = (
    Column("marker", "marker"),
    Column("total", "total_mm", "mm"),
    Column("verdict", "verdict"),
    Column("X", "x_mm", "mm"),
    Column("Y", "y_mm", "mm"),
    Column("Z", "z_mm", "mm"),
)
_SAME_MM = 1e-6


def _section(document: RecheckFile) -> Section:
    car = document.frame.startswith("car")
    names = ("X, forward", "Y, left", "Z, up") if car else ("X", "Y", "Z")
    motion = tuple(
        (name, Measured(shift, shift_u), Measured(turn, turn_u))
        for name, shift, shift_u, turn, turn_u in zip(
            names, document.shift_mm, document.shift_U_mm, document.turn_deg,
            document.turn_U_deg, strict=True,
        )
    )  # fmt: skip
    sizes = _sizes(document)
    order = sorted(range(len(document.markers)), key=lambda i: -sizes[i].value)
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            m.label + _remark(m),
            sizes[i],
            Verdict(m.verdict),
            *(Measured(v, u) for v, u in zip(m.shift_mm, m.shift_U_mm, strict=True)),
        )
        for i in order
        for m in (document.markers[i],)
    )
    worst = sizes[order[0]]
    label = document.markers[order[0]].label
    notes = []
    if any(m.bent for m in document.markers):
        notes.append("bent: did not move with the rest of the part as one rigid piece.")
    if any(m.line_only for m in document.markers):
        notes.append("line only: the cuff was wrapped anew, so its tube's line is compared.")
    note = " ".join(notes)
    verdicts = tuple(Verdict(m.verdict) for m in document.markers)
    return Section(
        word="Recheck",
        title=f"{document.part} against its record",
        headline=f"{amount(worst.value, worst.expanded, 'mm')} off its record at worst ({label})",
        judged=(Judged(f"{document.tolerance_mm:g} mm", verdicts, "markers"),),
        sentences=(*document.sentences, *document.deciding),
        tables=(
            *_moves(document),
            Table("How the part moved as one piece since its record", _MOTION, motion, key="part"),
            Table("How each marker moved since its record", _MARKERS, rows, note, "markers"),
        ),
        frame=document.frame,
        facts=aligned_facts(document.alignment, document.on),
        warnings=document.warnings,
        tool_version=document.tool_version,
    )


def _remark(row: ShiftRow) -> str:
    words = [w for w, yes in (("bent", row.bent), ("line only", row.line_only)) if yes]
    return f" ({', '.join(words)})" if words else ""


def _moves(document: RecheckFile) -> list[Table]:
    """The way back, move by move."""
    if not document.moves:
        return []
    rows = tuple(
        (n, m.words, Measured(m.amount, m.amount_U, m.unit), m.leaves_mm, m.leaves_at)
        for n, m in enumerate(document.moves, 1)
    )
    note = "leaves: what is left at worst after this move and those before it."
    return [Table("Moves, in the order in which they help most", _MOVES, rows, note, "moves")]


def _sizes(document: RecheckFile) -> list[Measured]:
    return [Measured(m.total_mm, m.total_U_mm) for m in document.markers]


def is_record_of(document: RecheckFile, survey: Survey) -> bool:
    """Whether the places that the recheck was told from are those of this survey, to the last bit.

    The file does not name its record, so its numbers must.
    """
    # A cuff that was wrapped anew is told at a foot on its tube, not at its own place.
    whole = [m for m in document.markers if not m.line_only]
    if not whole or not all(survey.has(m.marker_id) for m in whole):
        return False
    axes = car_axes(survey)
    if axes.frame != document.frame:
        return False
    here = [survey.poses[survey.row(m.marker_id)].translation for m in whole]
    told = axes.car_from_survey.apply(np.array(here))
    there = np.array([m.place_mm for m in whole])
    return bool(np.max(np.abs(told - there)) < _SAME_MM)


def _shapes(document: RecheckFile, survey: Survey) -> Shapes | None:
    """The way back of each marker, in the frame of the record's survey."""
    if not is_record_of(document, survey):
        return None
    back = car_axes(survey).car_from_survey.inverse()
    spans = []
    for m, size in zip(document.markers, _sizes(document), strict=True):
        place = np.array(m.place_mm)
        ends = back.apply(np.stack([place + np.array(m.shift_mm), place]))
        verdict = Verdict(m.verdict)
        spans.append(measured_span("move", m.label, ends, size.value, size.expanded, verdict))
    return Shapes(survey.frame, spans=tuple(spans))


RESULT = Result(RecheckFile, _section, _shapes)
