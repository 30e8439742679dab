"""Small line drawings that show how a cuff, a pointer and a rule are put on.

They are not to scale and hold nothing that a camera could take for a marker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from fitscan.markers.sheet_ink import BLACK, DARK, HATCH, Ink, Point

__all__ = ["CuffSketch", "PointerSketch", "RuleSketch"]

TEXT_MM = 2.5


def _arc(x: float, y: float, a: float, b: float, start: float, end: float) -> list[Point]:
    """Points of an ellipse from angle to angle in degrees."""
    turns = [math.radians(start + (end - start) * n / 24.0) for n in range(25)]
    return [(x + a * math.cos(t), y + b * math.sin(t)) for t in turns]


def _path(ink: Ink, points: list[Point], *, width: float = 0.25, grey: float = BLACK) -> None:
    for a, b in pairwise(points):
        ink.line(a, b, width=width, grey=grey)


def _box(ink: Ink, x: float, y: float, width: float, height: float, grey: float) -> None:
    ink.polygon([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], grey=grey)


def _span(ink: Ink, x0: float, x1: float, y: float, words: str) -> None:
    """Dimension line with arrowheads and its words in the middle above it."""
    ink.line((x0, y), (x1, y), width=0.15, grey=BLACK)
    for x, way in ((x0, 1.0), (x1, -1.0)):
        ink.polygon([(x, y), (x + way * 2.2, y + 0.6), (x + way * 2.2, y - 0.6)])
    ink.text((x0 + x1) / 2.0, y + 0.8, words, size=TEXT_MM, side="centre", room=abs(x1 - x0) - 6)


@dataclass(frozen=True)
class CuffSketch:
    """A tube with its cuff, seam towards the reader."""

    width: float = 54.0
    height: float = 58.0

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw it."""
        middle, half, flat = x + 18.0, 9.0, 2.6
        ink.text(x, y + self.height - 3.0, "Cuff on its tube", size=2.9, bold=True)
        for side in (-half, half):
            ink.line((middle + side, y + 2.0), (middle + side, y + 48.0), width=0.25, grey=BLACK)
        _path(ink, _arc(middle, y + 48.0, half, flat, 0.0, 360.0))
        for height in (14.0, 36.0):
            _path(ink, _arc(middle, y + height, half + 0.4, flat, 180.0, 360.0), width=0.4)
        for side in (-half - 0.4, half + 0.4):
            ink.line((middle + side, y + 14.0), (middle + side, y + 36.0), width=0.4, grey=BLACK)
        ink.line((middle, y + 14.0 - flat), (middle, y + 36.0 - flat), width=0.3, grey=BLACK)
        for row in (15.5, 25.0):
            for left in (-7.6, 2.0):
                _box(ink, middle + left, y + row - 2.0, 5.6, 6.5, HATCH)
        ink.arrow_up(middle + 13.5, y + 32.0, 3.0)
        ink.line((middle + 13.5, y + 24.0), (middle + 13.5, y + 32.0), width=0.4, grey=BLACK)
        notes = (
            (33.0, "arrow: to the same end"),
            (30.0, "for all cuffs of a tube"),
            (20.5, "cut left edge lies on"),
            (17.5, "the dashed line; the"),
            (14.5, "hatched end is under it"),
        )
        for height, words in notes:
            ink.text(x + 33.5, y + height, words, size=TEXT_MM, room=self.width - 33.0 + 6.0)
        ink.line((x + 33.0, y + 18.5), (middle + 0.6, y + 20.0), width=0.15, grey=DARK)


@dataclass(frozen=True)
class PointerSketch:
    """A pointer on a panel, its tip on the edge of a recess."""

    width: float = 58.0
    height: float = 58.0

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw it."""
        ink.text(x, y + self.height - 3.0, "Pointer on a lip", size=2.9, bold=True)
        lip = y + 14.0
        ink.line((x, lip), (x + 36.0, lip), width=0.5, grey=BLACK)
        for n in range(12):
            ink.line((x + 3.0 * n, lip - 3.0), (x + 3.0 * n + 3.0, lip), width=0.15, grey=DARK)
        middle = x + 18.0
        card = [(-10, 40), (-10, 12), (-2, 9), (0, 0), (2, 9), (10, 12), (10, 40)]
        outline = [(middle + a, lip + b * 0.85) for a, b in card]
        _path(ink, [*outline, outline[0]], width=0.25)
        ink.polygon([outline[2], outline[3], outline[4]])
        _box(ink, middle - 6.5, lip + 13.0, 13.0, 13.0, HATCH)
        notes = ((12.0, "sharp tip exactly"), (9.0, "on the point;"), (6.0, "card flat"))
        for height, words in notes:
            ink.text(x + 38.0, y + height, words, size=TEXT_MM)


@dataclass(frozen=True)
class RuleSketch:
    """A bar with the two cards of a rule and what to measure on it."""

    width: float = 150.0
    height: float = 44.0

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw it."""
        ink.text(x, y + self.height - 3.0, "Rule on a straight bar", size=2.9, bold=True)
        ink.cut_box(x, y + 12.0, self.width, 13.0)
        left, right, side = x + 8.0, x + self.width - 18.0, 10.0
        for place, name in ((left, "A"), (right, "B")):
            _box(ink, place, y + 13.5, side, side, HATCH)
            ink.text(place + side / 2, y + 16.7, name, size=5.0, bold=True, side="centre")
        for a, up in ((0.0, 34.0), (side, 3.0)):
            reach = y + (up + 1.0 if up > 20 else up - 1.0)
            for place in (left, right):
                ink.line((place + a, y + 18.0), (place + a, reach), width=0.1, grey=DARK)
        _span(ink, left, right, y + 33.0, "left black edge to left black edge")
        _span(ink, left + side, right + side, y + 4.0, "right black edge to right black edge")
        ink.text(
            x + self.width / 2.0,
            y + 17.5,
            "length_mm = the mean of both, 800 to 1000 mm",
            size=2.9,
            side="centre",
        )
