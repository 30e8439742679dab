"""The wrap-around template of a coped end: its edge unrolled, match lines, words.

The curve comes from `cope`; putting the drawing on paper or into DXF is left to `flat_pdf` and
`flat_dxf`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.make.cope import CopeProfile
from fitscan.make.flat import Drawing, Kind, Label, Stroke

__all__ = ["PAPER_MM", "TAB_MM", "EndName", "Template", "wrap_template"]

PAPER_MM = 0.1
"""Thickness of 80 g/m2 office paper (common practice, no source)."""

TAB_MM = 8.0
"""Strip beyond a full turn that goes under the other end."""

CLEAR_MM, BAND_MM, HEAD_MM = 9.0, 31.0, 9.0
"""From the highest place of the edge upwards: full match lines, the words, the square edge."""

LINE_MM = 3.9

EndName = Literal["near", "far"]


@dataclass(frozen=True)
class Template:
    """A template and where its square edge lies.

    Attributes:
        drawing: unrolled, print outwards, z upwards; the near end's edge is at the bottom, the far
            end's at the top.
        around_mm: length of one turn, pi x (od + paper): the middle of the paper is not stretched.
        square_edge_mm: height of the straight edge above the end's reference point.
    """

    drawing: Drawing
    around_mm: float
    square_edge_mm: float


def wrap_template(
    profile: CopeProfile,
    end: EndName,
    words: tuple[str, ...],
    *,
    title: str,
    paper_mm: float = PAPER_MM,
) -> Template:
    """Unroll a coped end.

    Args:
        profile: what to cut.
        end: of the tube.
        words: lines printed on the template.
        title: of the drawing.
        paper_mm: thickness of what is wrapped round the tube.
    """
    around = math.pi * (profile.branch.od_mm + paper_mm)
    low, high = float(profile.line.min()), float(profile.line.max())
    band = max(BAND_MM, LINE_MM * (len(words) + 1) + 5.0)
    top = high + CLEAR_MM + band + HEAD_MM
    sheet = _Sheet(end, around, low, top)
    x = profile.angle / (2.0 * math.pi) * around
    edge = np.column_stack([x, profile.line])
    strokes = [
        sheet.stroke(Kind.CUT, edge),
        *_outline(sheet, edge, top),
        *_match_lines(sheet, profile, high, top),
        *_arrow(sheet, high + CLEAR_MM + 4.0, band - 8.0),
        *_pointer(sheet, profile, high + CLEAR_MM),
    ]
    labels = [*_degrees(sheet, top), *_words(sheet, words, high + CLEAR_MM, band)]
    drawing = Drawing(title, tuple(strokes), tuple(labels), around + TAB_MM, top - low)
    return Template(drawing, around, top)


@dataclass(frozen=True)
class _Sheet:
    """Heights above the reference point to places on the drawing: a far end hangs upside down."""

    end: EndName
    around: float
    low: float
    top: float

    def y(self, height: float) -> float:
        return height - self.low if self.end == "near" else self.top - height

    def stroke(self, kind: Kind, points: Array) -> Stroke:
        y = points[:, 1] - self.low if self.end == "near" else self.top - points[:, 1]
        return Stroke(kind, np.column_stack([points[:, 0], y]))

    def line(self, kind: Kind, *points: tuple[float, float]) -> Stroke:
        return self.stroke(kind, np.array(points, dtype=np.float64))


def _outline(sheet: _Sheet, edge: Array, top: float) -> list[Stroke]:
    """The other three sides, with the tab behind the last line."""
    a, w, last = sheet.around, TAB_MM, float(edge[-1, 1])
    # The tab starts higher, so that it cannot hide the edge it slides under.
    return [
        sheet.line(Kind.TRIM, (0.0, last), (0.0, top), (a + w, top), (a + w, last + 6.0)),
        sheet.line(Kind.TRIM, (a + w, last + 6.0), (a, last + 3.0)),
    ]


def _match_lines(sheet: _Sheet, profile: CopeProfile, high: float, top: float) -> list[Stroke]:
    """Lines at 0, 90, 180, 270 and 360 deg, left out behind the words; ticks every 15 deg."""
    strokes = []
    for k in range(5):
        x = sheet.around * k / 4.0
        foot = float(np.interp(k * math.pi / 2.0, profile.angle, profile.line))
        strokes.append(sheet.line(Kind.MARK, (x, foot), (x, high + CLEAR_MM)))
        strokes.append(sheet.line(Kind.MARK, (x, top - HEAD_MM), (x, top)))
    for k in range(25):
        x = sheet.around * k / 24.0
        strokes.append(sheet.line(Kind.MARK, (x, top - 2.0), (x, top)))
    return strokes


def _arrow(sheet: _Sheet, foot: float, length: float) -> list[Stroke]:
    """An arrow towards the tube's other end, at the right of the words."""
    x, tip = sheet.around - 5.0, foot + length
    return [
        sheet.line(Kind.MARK, (x, foot), (x, tip)),
        sheet.line(Kind.MARK, (x - 2.0, tip - 4.0), (x, tip), (x + 2.0, tip - 4.0)),
    ]


def _pointer(sheet: _Sheet, profile: CopeProfile, start: float) -> list[Stroke]:
    """A line from the words to the cut edge at 45 deg."""
    x = sheet.around / 8.0
    tip = float(np.interp(math.pi / 4.0, profile.angle, profile.line))
    return [
        sheet.line(Kind.MARK, (x, start + 1.0), (x, tip)),
        sheet.line(Kind.MARK, (x - 1.2, tip + 3.0), (x, tip), (x + 1.2, tip + 3.0)),
    ]


def _degrees(sheet: _Sheet, top: float) -> list[Label]:
    labels = []
    for k, name in enumerate(("0 match", "90", "180", "270")):
        x = sheet.around * k / 4.0 + 1.0
        room = sheet.around / 4.0 - 2.0
        y = min(sheet.y(top - 3.4), sheet.y(top - 5.6))
        labels.append(Label(x, y, name, size=2.8, room=room, bold=k == 0))
    labels.append(Label(sheet.around + 0.7, y, "360", size=2.6, room=TAB_MM - 1.2))
    middle = min(sheet.y(top - 12.0), sheet.y(top - 32.0))
    tab = Label(sheet.around + TAB_MM / 2.0 + 0.9, middle, "tab: goes under", turned=True)
    return [*labels, tab]


def _words(sheet: _Sheet, words: tuple[str, ...], foot: float, band: float) -> list[Label]:
    """Lines of text, read from the top down whichever way the template hangs."""
    room = sheet.around - 14.0
    upper = max(sheet.y(foot), sheet.y(foot + band)) - 4.5
    lines = [*words, "this edge is the cut (arrow at 45)"]
    if sheet.end == "far":
        lines = [lines[-1], *words]
    labels = [
        Label(2.0, upper - LINE_MM * n, line, size=2.9, room=room, bold="is the cut" in line)
        for n, line in enumerate(lines)
    ]
    other = "far end" if sheet.end == "near" else "near end"
    y = sheet.y(foot + band / 2.0) - 4.0
    return [*labels, Label(sheet.around - 7.2, y, other, size=2.6, bold=True, turned=True)]
