"""A bar's stand-off in a report: clearance or offset with U, verdicts, and what is between.

The stand-off's own pictures are left to `overlay_standoff` and `plots_standoff`.
"""

from __future__ import annotations

import numpy as np

from fitscan.fit.gap_standoff_file import StandoffFile, StandoffRow
from fitscan.fit.verdict import Verdict
from fitscan.report.kinds.pieces import aligned_facts, frame_survey
from fitscan.report.kinds.result import Result
from fitscan.report.section import Cell, Column, Judged, Measured, Section, Table
from fitscan.report.shapes import Shapes, SpanShape
from fitscan.report.words import amount
from fitscan.survey.survey import Survey

__all__ = ["RESULT"]

_NOTE = (
    "clearance: from the bar's outside to the target, negative where it fouls. across: along the "
    "panel, square to the contour. out: out of the recess. off: distance of the axis from where "
    "it shall be."
)


def _columns(document: StandoffFile) -> tuple[Column, ...]:
    first = (Column("along", "along_mm", "mm"), Column("piece", "piece"))
    name = "off" if document.against == "centre line" else "clearance"
    judged = (Column(name, f"{name}_mm", "mm"), Column("verdict", "verdict"))
    if document.against == "scan":
        return (*first, *judged)
    return (*first, *judged, Column("across", "across_mm", "mm"), Column("out", "out_mm", "mm"))


def _told(s: StandoffRow) -> Measured:
    """The clearance, or against a centre line the offset."""
    if s.clearance_mm is None or s.clearance_U_mm is None:
        return Measured(s.value_mm, s.value_U_mm)
    return Measured(s.clearance_mm, s.clearance_U_mm)


def _row(s: StandoffRow) -> tuple[Cell, ...]:
    cells: tuple[Cell, ...] = (s.along_mm, s.piece, _told(s), Verdict(s.verdict))
    if s.across_mm is None or s.across_U_mm is None or s.out_mm is None or s.out_U_mm is None:
        return cells
    return (*cells, Measured(s.across_mm, s.across_U_mm), Measured(s.out_mm, s.out_U_mm))


def _headline(document: StandoffFile) -> str:
    """The worst station; one that is proven out comes before one that is only uncertain."""
    out = [s for s in document.stations if s.verdict == Verdict.OUT.value]
    if document.standoff_mm is None:
        s = min(out or document.stations, key=lambda s: s.value_mm)
        if s.value_mm < -s.value_U_mm:
            return f"fouls by {amount(-s.value_mm, s.value_U_mm, 'mm')} at worst"
        return f"clearance {amount(s.value_mm, s.value_U_mm, 'mm')} at its tightest"
    s = max(out or document.stations, key=lambda s: s.value_mm)
    return f"{amount(s.value_mm, s.value_U_mm, 'mm')} off what is wanted at worst"


def _facts(document: StandoffFile) -> tuple[tuple[str, str], ...]:
    """The way from the target to the bar, loops, and how a scan was placed."""
    facts: list[tuple[str, str]] = []
    for step in document.steps:
        head = f"{step.a} to {step.b}"
        facts += [(f"{head}, {n}", v) for n, v in aligned_facts(step.alignment, step.part)]
    for loop in document.loops:
        away = amount(loop.size_mm, loop.size_U_mm, "mm")
        said = "agrees" if loop.closes else "does not agree"
        facts.append((f"second way over the {loop.part}", f"{said}: {away} apart"))
    placed = document.placement
    if placed is not None:
        for n in placed.named:
            word = "off" if n.used else "off, and was left out"
            facts.append(
                (f"scan's point, marker {n.marker_id}", f"{n.misfit_mm:.2f} mm {word}")
            )  # fmt: skip
        if placed.refined_places:
            text = f"{placed.refined_places} places of paper, {placed.refined_rms_mm:.2f} mm rms"
            facts.append(("the scan was refined on", text))
        facts.append(("size in the survey over the scan", amount(placed.scale, placed.scale_U)))
        facts.append((f"SHA-256 of {placed.scan}", placed.sha256))
    return tuple(facts)


def _section(document: StandoffFile) -> Section:
    limit = "clear by more than U"
    if document.standoff_mm is not None:
        limit = f"{document.standoff_mm:g} ± {document.tolerance_mm:g} mm"
    verdicts = tuple(Verdict(s.verdict) for s in document.stations)
    rows = tuple(_row(s) for s in document.stations)
    return Section(
        word="Stand-off",
        title=f"{document.bar} against {document.target}",
        headline=_headline(document),
        judged=(Judged(limit, verdicts, "stations"),),
        sentences=document.sentences,
        tables=(Table("Stations", _columns(document), rows, _NOTE, "stations"),),
        frame=document.frame,
        facts=_facts(document),
        warnings=document.warnings,
        tool_version=document.tool_version,
        surveys=frame_survey(document.frame),
    )


def _shapes(document: StandoffFile, survey: Survey) -> Shapes | None:
    """What lies between bar and target at each station, in the frame of the target's survey."""
    if document.frame != survey.frame:
        return None
    spans = []
    for number, s in enumerate(document.stations, 1):
        told = _told(s)
        target, bar = np.array(s.target_mm), np.array(s.bar_mm)
        word = "off where it shall be"
        if s.clearance_mm is not None:
            # From the bar's outside: the axis is a radius farther away.
            away = target - bar
            size = max(float(np.linalg.norm(away)), 1e-9)
            bar = bar + 0.5 * document.bar_od_mm / size * away
            word = "clear" if told.value >= 0 else "fouled"
        said = f"{amount(abs(told.value), told.expanded, 'mm')} {word}"
        spans.append(
            SpanShape(
                "gap",
                f"station {number}",
                np.array([target, bar]),
                f"station {number}: {said}, {s.verdict}",
                Verdict(s.verdict),
                abs(told.value) > told.expanded,
            )
        )
    return Shapes(survey.frame, spans=tuple(spans))


RESULT = Result(StandoffFile, _section, _shapes)
