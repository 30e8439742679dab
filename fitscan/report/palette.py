"""Colours, widths and line styles of every picture, by what the line stands for.

One meaning keeps one look in photos and plots; where lines run is left to `overlay` and `plots`.

The colours are the set of eight that M. Okabe and K. Ito published for people with any kind of
colour vision ("Color Universal Design", 2002; also B. Wong, Nature Methods 8, 441, 2011). Paper
copies are often grey, so colour never stands alone: lines differ in dash and width, verdicts in
shape, and each line on a photo has an edge of the opposite lightness.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitscan.fit.verdict import Verdict

__all__ = ["COLOURS", "STYLES", "VERDICT_LOOKS", "LineStyle", "VerdictLook"]

COLOURS = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky": "#56B4E9",
    "green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermilion": "#D55E00",
    "purple": "#CC79A7",
    "white": "#FFFFFF",
}


@dataclass(frozen=True)
class LineStyle:
    """How a line is drawn.

    Attributes:
        colour, edge_colour: hexadecimal RGB.
        width_px: of the line; edge_px: how far its edge reaches beyond it on either side.
        dash_px: lengths of dash and space, or None for a full line.
    """

    colour: str
    edge_colour: str
    width_px: float
    edge_px: float
    dash_px: tuple[float, ...] | None = None


_BLACK, _WHITE = COLOURS["black"], COLOURS["white"]

# Yellow and full: where it is. Blue and dashed: where it should be. Vermilion: the difference.
STYLES = {
    "tube outline": LineStyle(COLOURS["yellow"], _BLACK, 2.6, 1.1),
    "tube axis": LineStyle(COLOURS["yellow"], _BLACK, 1.8, 1.0, (24.0, 5.0, 5.0, 5.0)),
    "seat outline": LineStyle(COLOURS["blue"], _WHITE, 2.6, 1.3, (13.0, 8.0)),
    "seat axis": LineStyle(COLOURS["blue"], _WHITE, 1.8, 1.1, (5.0, 5.0)),
    "whisker": LineStyle(COLOURS["vermilion"], _WHITE, 3.4, 1.5),
    "arrow": LineStyle(COLOURS["vermilion"], _WHITE, 6.0, 2.5),
    "left out": LineStyle(COLOURS["purple"], _BLACK, 4.0, 1.6),
    "marker": LineStyle(COLOURS["sky"], _BLACK, 1.6, 0.8),
    "leader": LineStyle(COLOURS["white"], _BLACK, 1.4, 0.9),
}


@dataclass(frozen=True)
class VerdictLook:
    """How a verdict is marked: colour, a shape by matplotlib's letter, and its word."""

    colour: str
    shape: str
    word: str


VERDICT_LOOKS = {
    Verdict.IN: VerdictLook(COLOURS["green"], "o", "in"),
    Verdict.OPEN: VerdictLook(COLOURS["orange"], "^", "open"),
    Verdict.OUT: VerdictLook(COLOURS["vermilion"], "s", "OUT"),
}
