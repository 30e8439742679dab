"""A planned bar in a report: what the bender does, and how close it stays to its target.

Planning is left to `fitscan.make`; the template at true size is never in a report.
"""

from __future__ import annotations

from fitscan.make.bar_file import BarFile
from fitscan.report.kinds.pieces import bend_tables, measured_tables
from fitscan.report.kinds.result import Result
from fitscan.report.section import Cell, Column, Measured, Section, Table
from fitscan.report.words import amount

__all__ = ["RESULT"]

_STATIONS = (
    Column("station", "station"),
    Column("at", "at_mm", "mm"),
    Column("deviation", "deviation_mm", "mm", 2),
)


def _off(deviation: float, expanded: float | None) -> Cell:
    return deviation if expanded is None else Measured(deviation, expanded)


def _section(document: BarFile) -> Section:
    rows = tuple((s.label, s.at_mm, _off(s.deviation_mm, s.expanded_mm)) for s in document.stations)
    worst = document.worst
    off = f"{worst.deviation_mm:.2f} mm"
    if worst.expanded_mm is not None:
        off = amount(worst.deviation_mm, worst.expanded_mm, "mm")
    return Section(
        word="Bar to be made",
        title=f"{document.name}, along {document.target}",
        headline=f"{off} off its target at worst, at {worst.label}",
        judged=(),
        sentences=document.sentences,
        tables=(
            *bend_tables(document.bends, document.points_mm),
            Table("How close it stays to its target", _STATIONS, rows, key="stations"),
            *measured_tables(document.measured),
        ),
        frame=document.frame,
        facts=(("developed length", f"{document.developed_mm:.2f} mm along the centre line"),),
        warnings=(*document.warnings, document.caution),
        tool_version=document.tool_version,
    )


RESULT = Result(BarFile, _section)
