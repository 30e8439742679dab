"""A fitted tube against its plan in a report: what was planned, what the survey found, verdicts.

Comparing is left to `fitscan.make.as_built`.
"""

from __future__ import annotations

from fitscan.fit.angle_file import ReadingRow
from fitscan.make.as_built_file import AsBuiltFile
from fitscan.report.kinds.pieces import reading_tables, readings_judged
from fitscan.report.kinds.result import Result
from fitscan.report.section import Section
from fitscan.report.words import amount

__all__ = ["RESULT"]


def _strain(r: ReadingRow) -> float:
    """How far a number is from what was planned, in tolerances."""
    return abs(r.value - (r.wanted or 0.0)) / max(r.tolerance or 0.0, r.U, 1e-9)


def _section(document: AsBuiltFile) -> Section:
    worst = max(document.readings, key=_strain)
    return Section(
        word="As built",
        title=f"{document.name} against its plan",
        headline=f"{worst.subject}, {worst.name}: {amount(worst.value, worst.U, worst.unit)}",
        judged=readings_judged(document.readings),
        sentences=document.sentences,
        tables=reading_tables(document.readings),
        frame="that of the tube",
        facts=(),
        warnings=document.warnings,
        tool_version=document.tool_version,
        surveys=(document.survey,),
    )


RESULT = Result(AsBuiltFile, _section)
