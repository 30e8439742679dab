"""Tubes and nodes in a report: bends, lengths and offsets with U, and where tubes should meet.

The tubes' own picture is left to `plots_angles`.
"""

from __future__ import annotations

import numpy as np

from fitscan.fit.tube_file import TubesFile
from fitscan.report.kinds.pieces import reading_tables, readings_judged
from fitscan.report.kinds.result import Result
from fitscan.report.section import Section
from fitscan.report.shapes import Shapes, measured_span
from fitscan.report.words import amount
from fitscan.shape.datum import car_axes
from fitscan.survey.survey import Survey

__all__ = ["RESULT"]


def _section(document: TubesFile) -> Section:
    names = [t.tube for t in document.tubes] + [f"{n.a} meets {n.b}" for n in document.nodes]
    shown = document.readings[0] if document.readings else None
    headline = f"{len(document.readings)} numbers"
    if shown is not None:
        headline = f"{shown.subject}, {shown.name}: {amount(shown.value, shown.U, shown.unit)}"
    return Section(
        word="Tubes",
        title="; ".join(names),
        headline=headline,
        judged=readings_judged(document.readings),
        sentences=document.sentences,
        tables=reading_tables(document.readings),
        frame=document.frame,
        facts=(),
        warnings=document.warnings,
        tool_version=document.tool_version,
        surveys=(document.survey,),
    )


def _shapes(document: TubesFile, survey: Survey) -> Shapes | None:
    """The offset at each node, in the survey's own frame."""
    axes = car_axes(survey)
    if document.survey != survey.name or document.frame != axes.frame:
        return None
    back = axes.car_from_survey.inverse()
    spans = []
    for node in document.nodes:
        ends = back.apply(np.array([node.on_a_mm, node.on_b_mm]))
        size = float(np.linalg.norm(ends[1] - ends[0]))
        reading = next(
            (r for r in document.readings if node.a in r.subject and node.b in r.subject), None
        )
        if reading is not None:
            name = f"{node.a} meets {node.b}"
            spans.append(measured_span("gap", name, ends, size, reading.U, None))
    return Shapes(survey.frame, spans=tuple(spans))


RESULT = Result(TubesFile, _section, _shapes)
