"""A cope in a report: which tubes meet at which angle, what was measured of it, and its cautions.

The template itself, at true size, is left to `fitscan.make`: a report is never printed to scale.
"""

from __future__ import annotations

from fitscan.make.cope_file import CopeFile
from fitscan.report.kinds.pieces import measured_tables
from fitscan.report.kinds.result import Result
from fitscan.report.section import Column, Section, Table

__all__ = ["RESULT"]

_RUNS = (
    Column("end", "end"),
    Column("run", "run"),
    Column("diameter", "od_mm", "mm", 1),
    Column("angle", "angle_deg", "deg", 2),
    Column("offset", "offset_mm", "mm", 2),
    Column("turn", "turn_deg", "deg", 2),
)


def _section(document: CopeFile) -> Section:
    runs = tuple(
        (end.end, r.name, r.od_mm, r.angle_deg, r.offset_mm, r.turn_deg)
        for end in document.ends
        for r in end.runs
    )
    tables = (Table("Ends", _RUNS, runs, key="ends"), *measured_tables(document.measured))
    return Section(
        word="Cope",
        title=document.name,
        headline=f"tube {document.od_mm:g} x {document.wall_mm:g} mm",
        judged=(),
        sentences=document.sentences,
        tables=tables,
        frame="that of the branch tube",
        facts=(("cut", document.fit),),
        warnings=(*document.warnings, document.caution),
        tool_version=document.tool_version,
    )


RESULT = Result(CopeFile, _section)
