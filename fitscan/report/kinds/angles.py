"""Angles in a report: leans, levels and symmetry with U and verdicts.

The angles' own picture is left to `plots_angles`.
"""

from __future__ import annotations

from fitscan.fit.angle_file import AnglesFile
from fitscan.report.kinds.pieces import reading_tables, readings_judged
from fitscan.report.kinds.result import Result
from fitscan.report.section import Section
from fitscan.report.words import amount

__all__ = ["RESULT"]


def _section(document: AnglesFile) -> Section:
    wanted = [r for r in document.readings if r.wanted is not None] or list(document.readings)
    worst = max(wanted, key=lambda r: abs(r.value - (r.wanted or 0.0)) / max(r.U, 1e-9))
    return Section(
        word="Angles",
        title=f"in survey {document.survey}",
        headline=f"{worst.subject}, {worst.name}: {amount(worst.value, worst.U, worst.unit)}",
        judged=readings_judged(document.readings),
        sentences=document.sentences,
        tables=reading_tables(document.readings),
        frame=document.frame,
        facts=(),
        warnings=document.warnings,
        tool_version=document.tool_version,
        surveys=(document.survey,),
    )


RESULT = Result(AnglesFile, _section)
