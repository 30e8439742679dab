"""A bend table in a report: what the bender does, and the points that it comes from.

The table's arithmetic is left to `fitscan.make`.
"""

from __future__ import annotations

from fitscan.make.bends_file import BendsFile
from fitscan.report.kinds.pieces import bend_tables
from fitscan.report.kinds.result import Result
from fitscan.report.section import Section

__all__ = ["RESULT"]


def _count(bends: int) -> str:
    return "1 bend" if bends == 1 else f"{bends} bends"


def _section(document: BendsFile) -> Section:
    return Section(
        word="Bend table",
        title=f"{_count(len(document.bends))} at a radius of {document.clr_mm:g} mm",
        headline=f"developed length {document.developed_mm:.2f} mm along the centre line",
        judged=(),
        sentences=("Computed from typed numbers: there is no U",),
        tables=bend_tables(document.bends, document.points_mm),
        frame="that of the points",
        facts=(
            ("last straight", f"{document.last_mm:.2f} mm"),
            (
                "spring-back allowed",
                f"{document.springback_percent:g} % and {document.springback_deg:g} deg",
            ),
        ),
        warnings=(document.caution,),
        tool_version=document.tool_version,
    )


RESULT = Result(BendsFile, _section)
