"""A foot plate in a report: its corners, folds, and what it was held against.

Its template at true size is left to `fitscan.make`.
"""

from __future__ import annotations

from fitscan.fit.verdict import Verdict
from fitscan.make.plate_file import PlateFile
from fitscan.report.kinds.pieces import measured_tables
from fitscan.report.kinds.result import Result
from fitscan.report.section import Cell, Column, Judged, Measured, Section, Table

__all__ = ["RESULT"]

_CORNERS = (
    Column("face", "face"),
    Column("corner", "corner"),
    Column("x", "x_mm", "mm", 1),
    Column("y", "y_mm", "mm", 1),
    Column("off the face", "off_mm", "mm", 2),
)
_AGAINST = (
    Column("what", "what"),
    Column("value", "value", "", 2),
    Column("unit", "unit"),
    Column("at least", "least", "", 2),
    Column("verdict", "verdict"),
)
_WORDS = {v.value: v for v in Verdict}


def _section(document: PlateFile) -> Section:
    corners = tuple((c.face, c.name, c.x_mm, c.y_mm, c.off_mm) for c in document.corners)
    rows: list[tuple[Cell, ...]] = []
    for a in document.against:
        value: Cell = a.value if a.expanded is None else Measured(a.value, a.expanded)
        rows.append((a.what, value, a.unit, a.least, _WORDS.get(a.verdict, a.verdict)))
    tables = [Table("Corners of the cut sheet", _CORNERS, corners, key="corners")]
    if rows:
        title = f"Held against {document.rule}" if document.rule else "Held against"
        tables.append(Table(title, _AGAINST, tuple(rows), key="against"))
    verdicts = tuple(_WORDS[a.verdict] for a in document.against if a.verdict in _WORDS)
    judged = (Judged(document.rule or "what was wanted", verdicts, "numbers"),) if verdicts else ()
    folds = len(document.folds)
    return Section(
        word="Foot plate",
        title=document.name,
        headline=f"{document.thickness_mm:g} mm thick, {folds} fold{'' if folds == 1 else 's'}",
        judged=judged,
        sentences=document.sentences,
        tables=(*tables, *measured_tables(document.measured)),
        frame="that of the flat sheet",
        facts=(("inner radius of folds", f"{document.radius_mm:g} mm"),),
        warnings=(*document.warnings, document.caution),
        tool_version=document.tool_version,
    )


RESULT = Result(PlateFile, _section)
