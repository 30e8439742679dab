"""Angles, tubes and nodes on a photo: the straights that they rest on, with their numbers.

Which photos are taken is left to `choose`, the shapes they share with other results to `overlay`.
"""

from __future__ import annotations

import numpy as np

from fitscan.fit.reading import Reading, Told
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rotation import Array
from fitscan.report.drawing import Drawing, Key
from fitscan.report.labels import Wish
from fitscan.report.overlay import (
    Sheet,
    draw_markers,
    inside,
    photo_words,
    square_to_axis,
)
from fitscan.report.palette import VERDICT_LOOKS
from fitscan.report.view import PhotoView
from fitscan.report.words import amount
from fitscan.shape.axis_rule import AxisRule
from fitscan.survey.survey import Survey

__all__ = ["angles_drawing", "angles_points"]

_MOST_SENTENCES = 3
_ORDER = (Verdict.OUT, Verdict.OPEN, Verdict.IN, None)


def angles_points(told: Told) -> Array:
    """Points (n, 3) that a picture should show, in the survey's frame: the straights' ends."""
    return np.array([r.straight.axis.at(v) for r in told.rules for v in r.straight.span])


def angles_drawing(told: Told, survey: Survey, view: PhotoView) -> Drawing:
    """The straights where they are, and at each the number of it that matters most.

    A straight of which the photo shows no cuff is drawn as its axis. At each straight stands its
    worst judged number, or its first where nothing is judged; each number stands once.
    """
    sheet = Sheet(view)
    draw_markers(sheet, survey)
    for rule in told.rules:
        s = rule.straight
        sheet.add_tube("tube", s.axis, s.od_mm, s.span, s.tube, hidden=_hidden(rule, survey, view))
    wishes: list[Wish] = []
    told_already: list[Reading] = []
    for rule in told.rules:
        reading = _of(rule, told, told_already)
        place, seen = view.shown(rule.straight.centres.mean(axis=0)[None])
        if reading is None or not seen[0] or not inside(place[0], view):
            continue
        told_already.append(reading)
        text = f"{reading.name}: {amount(reading.value, reading.expanded, reading.unit)}"
        away = square_to_axis(sheet, place[0])
        look = None if reading.verdict is None else VERDICT_LOOKS[reading.verdict]
        mark = ("", "") if look is None else (look.shape, look.colour)
        wishes.append(Wish(text, place[0], away, rule.name, *mark))
    verdicts = [r.verdict for r in told_already if r.verdict is not None]
    for verdict in dict.fromkeys(verdicts):
        look = VERDICT_LOOKS[verdict]
        sheet.legend.append(Key("symbol", verdict.value, look.shape, look.colour))
    lost = sheet.label(wishes)
    sheet.lines = [
        *told.sentences[:_MOST_SENTENCES],
        "Labels: the number of each straight that is furthest out, with U (k = 2); all others "
        "stand in the table.",
        f"{photo_words(view)}, survey {survey.name}. Directions: {told.axes.frame}.",
    ]
    if lost:
        sheet.lines.append(f"{lost} straights have no label for lack of room: see the table.")
    return sheet.finish(told.heading, told.warnings)


def _hidden(rule: AxisRule, survey: Survey, view: PhotoView) -> bool:
    printed = {i for c in survey.kit.cuff if c.first_id in rule.cuffs for i in c.ids}
    return printed.isdisjoint(view.entry.tags)


def _of(rule: AxisRule, told: Told, but: list[Reading]) -> Reading | None:
    """The number of a straight that matters most and is not told yet.

    Out before open before in before unjudged; a size that is only an uncertainty says nothing here.
    """
    mine = [
        r
        for r in told.readings
        if set(rule.cuffs) & set(r.cuffs) and r not in but and (r.value or r.verdict)
    ]
    own = [r for r in mine if set(r.cuffs) <= set(rule.cuffs)] or mine
    return min(own, key=lambda r: _ORDER.index(r.verdict), default=None)
