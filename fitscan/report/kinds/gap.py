"""The gap in a report: stations with U, verdicts, and the whiskers in space.

The gap's own pictures are left to `overlay` and `plots`.
"""

from __future__ import annotations

import numpy as np

from fitscan.fit.result_file import GapFile, StationRow
from fitscan.fit.verdict import Verdict
from fitscan.report.kinds.pieces import aligned_facts, frame_survey
from fitscan.report.kinds.result import Result
from fitscan.report.section import Column, Judged, Measured, Section, Table
from fitscan.report.shapes import Shapes, SpanShape, TubeShape, measured_span
from fitscan.report.words import amount
from fitscan.survey.survey import Survey

__all__ = ["RESULT"]

_COLUMNS = (
    Column("along", "along_mm", "mm"),
    Column("total", "total_mm", "mm"),
    Column("verdict", "verdict"),
    Column("across", "across_mm", "mm"),
    Column("out", "out_mm", "mm"),
)
_NOTE = (
    "along: from the seat's first cuff. across: along the panel, square to the seat. out: away "
    "from the panel, out of the recess. total: distance of the two axes."
)


def _stations(document: GapFile) -> list[StationRow]:
    return [s for straight in document.straights for s in straight.stations]


def _section(document: GapFile) -> Section:
    stations = _stations(document)
    worst = max(stations, key=lambda s: s.total_mm)
    tables = []
    for straight in document.straights:
        rows = tuple(
            (
                s.along_mm,
                Measured(s.total_mm, s.total_U_mm),
                Verdict(s.verdict),
                Measured(s.across_mm, s.across_U_mm),
                Measured(s.out_mm, s.out_U_mm),
            )
            for s in straight.stations
        )
        angle = amount(straight.angle_deg, straight.angle_U_deg, "deg")
        title = f"Straight {straight.straight}: axes at {angle}"
        note = _NOTE if straight is document.straights[-1] else ""
        tables.append(Table(title, _COLUMNS, rows, note, f"straight {straight.straight}"))
    verdicts = tuple(Verdict(s.verdict) for s in stations)
    return Section(
        word="Gap",
        title=f"{document.bar} against {document.target}",
        headline=f"{amount(worst.total_mm, worst.total_U_mm, 'mm')} off its seat at worst",
        judged=(Judged(f"{document.tolerance_mm:g} mm", verdicts, "stations"),),
        sentences=document.sentences,
        tables=tuple(tables),
        frame=document.frame,
        facts=_facts(document),
        warnings=document.warnings,
        tool_version=document.tool_version,
        surveys=frame_survey(document.frame),
    )


def _facts(document: GapFile) -> tuple[tuple[str, str], ...]:
    """The way from the seat to the bar, step by step, and whether other ways agree."""
    facts: list[tuple[str, str]] = []
    if document.standoff_mm:
        words = f"{document.standoff_mm:g} mm, taken off the distance"
        facts.append(("the bar is to stand off by", words))
    if len(document.steps) > 1:
        for step in document.steps:
            head = f"{step.a} to {step.b}"
            facts += [(f"{head}, {n}", v) for n, v in aligned_facts(step.alignment, step.part)]
    else:
        facts += aligned_facts(document.alignment, document.on)
    for loop in document.loops:
        away = amount(loop.size_mm, loop.size_U_mm, "mm")
        said = "agrees" if loop.closes else "does not agree"
        facts.append((f"second way over the {loop.part}", f"{said}: {away} apart"))
    return tuple(facts)


def _shapes(document: GapFile, survey: Survey) -> Shapes | None:
    """Seat, bar and gap in the frame of the seat's survey."""
    if document.frame != survey.frame:
        return None
    spans: list[SpanShape] = []
    tubes: list[TubeShape] = []
    cuffs = {c.tube: c for c in survey.kit.cuff}
    number = 0
    for straight in document.straights:
        for s in straight.stations:
            number += 1
            ends = np.array([s.seated_mm, s.bar_mm])
            name = f"station {number}"
            verdict = Verdict(s.verdict)
            spans.append(measured_span("gap", name, ends, s.total_mm, s.total_U_mm, verdict))
        outer = (straight.stations[0], straight.stations[-1])
        for role, tube, points in (
            ("tube", document.bar, [s.bar_mm for s in outer]),
            ("seat", document.target, [s.seated_mm for s in outer]),
        ):
            if tube not in cuffs or len(straight.stations) < 2:
                continue
            cuff = cuffs[tube]
            where = "where it sits, carried over" if role == "tube" else "where the bar should sit"
            text = f"{tube}, straight {straight.straight}, {where}"
            # The seat is as thick as the bar that is to lie in it.
            od = cuffs[document.bar].od_mm if document.bar in cuffs else cuff.od_mm
            tubes.append(TubeShape(role, tube, cuff.part, od, np.array(points), text))
    return Shapes(survey.frame, tubes=tuple(tubes), spans=tuple(spans))


RESULT = Result(GapFile, _section, _shapes)
