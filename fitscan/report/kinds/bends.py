"""A bend table in a report: what the bender does, and the points that it comes from.

The table's arithmetic is left to `fitscan.make`.
"""

from __future__ import annotations

from fitscan.make.bends_file import BendsFile
from fitscan.report.kinds.result import Result
from fitscan.report.section import Column, Section, Table

__all__ = ["RESULT"]

_ROWS = (
    Column("bend", "bend"),
    Column("feed", "feed_mm", "mm", 2),
    Column("turn", "turn_deg", "deg", 2),
    Column("angle", "bend_deg", "deg", 2),
    Column("set", "set_deg", "deg", 2),
    Column("starts at", "start_mm", "mm", 2),
    Column("arc", "arc_mm", "mm", 2),
)
_POINTS = (
    Column("point", "point"),
    Column("X", "x_mm", "mm", 2),
    Column("Y", "y_mm", "mm", 2),
    Column("Z", "z_mm", "mm", 2),
)


def _section(document: BendsFile) -> Section:
    last = len(document.points_mm) - 1
    rows = tuple(
        (n, b.feed_mm, b.turn_deg, b.bend_deg, b.set_deg, b.start_mm, b.arc_mm)
        for n, b in enumerate(document.bends, 1)
    )
    points = tuple(
        ("start" if n == 0 else "end" if n == last else f"apex {n}", *p)
        for n, p in enumerate(document.points_mm)
    )
    return Section(
        word="Bend table",
        title=f"{len(document.bends)} bends at a radius of {document.clr_mm:g} mm",
        headline=f"developed length {document.developed_mm:.2f} mm along the centre line",
        judged=(),
        sentences=(),
        tables=(
            Table("For the bender", _ROWS, rows, "Computed from typed numbers: no U.", "bender"),
            Table("Points", _POINTS, points, key="points"),
        ),
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
