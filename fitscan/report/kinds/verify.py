"""The check with a steel rule in a report: each length with its error, U and verdict.

Its own picture is left to `plots_verify`.
"""

from __future__ import annotations

from fitscan.fit.verdict import Verdict
from fitscan.fit.verify_file import VerifyFile
from fitscan.report.kinds.result import Result
from fitscan.report.section import Column, Judged, Measured, Section, Table
from fitscan.report.words import amount

__all__ = ["RESULT"]

_COLUMNS = (
    Column("from", "from"),
    Column("to", "to"),
    Column("read", "read_mm", "mm", 1),
    Column("measured", "measured_mm", "mm"),
    Column("error", "error_mm", "mm"),
    Column("error / U", "error_over_U", "", 2),
    Column("verdict", "verdict"),
)
_NOTE = (
    "error: measured less read, U of both sides. error / U: up to 1 the survey and the rule agree "
    "within what both know."
)


def _section(document: VerifyFile) -> Section:
    worst = max(document.lengths, key=lambda r: abs(r.error_mm))
    rows = tuple(
        (
            r.ends[0],
            r.ends[1],
            r.read_mm,
            Measured(r.measured_mm, r.measured_U_mm),
            Measured(r.error_mm, r.error_U_mm),
            r.error_over_U,
            Verdict(r.verdict),
        )
        for r in document.lengths
    )
    verdicts = tuple(Verdict(r.verdict) for r in document.lengths)
    facts = [("read on", document.made_at), ("scale of the survey from", document.scale_source)]
    if document.note:
        facts.append(("note", document.note))
    return Section(
        word="Check with a steel rule",
        title=f"survey {document.survey}",
        headline=f"error {amount(worst.error_mm, worst.error_U_mm, 'mm')} at worst",
        judged=(Judged(f"{document.limit_mm:g} mm", verdicts, "lengths"),),
        sentences=document.sentences,
        tables=(Table("Lengths", _COLUMNS, rows, _NOTE, "lengths"),),
        frame="lengths only",
        facts=tuple(facts),
        warnings=document.warnings,
        tool_version=document.tool_version,
        surveys=(document.survey,),
    )


RESULT = Result(VerifyFile, _section)
