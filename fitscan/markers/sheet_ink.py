"""Drawing in true millimetres on a PDF page: lines, text that keeps to its width, tag patterns.

Knows nothing of markers or page layouts; those are left to `sheet_page` and the cards.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

__all__ = ["Ink", "outlines", "text_width", "wrap"]

BLACK, DARK, GREY, HATCH = 0.0, 0.25, 0.5, 0.85
"""Grey levels, 0 black to 1 paper; everything prints on a black-only printer."""

PLAIN, BOLD = "Helvetica", "Helvetica-Bold"

Point = tuple[float, float]
Side = Literal["left", "centre", "right"]


def outlines(black: npt.NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Closed outlines of the union of black cells, so that no seam can show between cells.

    Args:
        black: (rows, columns), row 0 at the top.

    Returns:
        Loops of corner points (column, row), holes running the other way round, so that a
        non-zero winding fill paints exactly the black cells.
    """
    ahead: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for r, c in np.argwhere(black).tolist():
        ring = [(c, r), (c + 1, r), (c + 1, r + 1), (c, r + 1)]
        for start, end in zip(ring, ring[1:] + ring[:1], strict=True):
            if start in ahead.get(end, []):
                ahead[end].remove(start)  # an edge between two black cells is no outline
            else:
                ahead.setdefault(start, []).append(end)
    loops = []
    while any(ahead.values()):
        first = next(p for p, ends in ahead.items() if ends)
        loop = [first]
        while (after := ahead[loop[-1]].pop()) != first:
            loop.append(after)
        loops.append(_without_straight_points(loop))
    return loops


def _without_straight_points(loop: list[tuple[int, int]]) -> list[tuple[int, int]]:
    kept = []
    for i, (x, y) in enumerate(loop):
        (x0, y0), (x1, y1) = loop[i - 1], loop[(i + 1) % len(loop)]
        if (x - x0) * (y1 - y) != (y - y0) * (x1 - x):
            kept.append((x, y))
    return kept


def text_width(text: str, size_mm: float, *, bold: bool = False) -> float:
    """Width of a line of text in mm."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, BOLD if bold else PLAIN, size_mm))


def wrap(text: str, size_mm: float, width_mm: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than `width_mm`, where its words allow it."""
    from reportlab.lib.utils import simpleSplit

    return [str(line) for line in simpleSplit(text, BOLD if bold else PLAIN, size_mm, width_mm)]


class Ink:
    """Draws on the current page of a canvas; all places are mm from the page's lower left."""

    def __init__(self, canvas: Canvas) -> None:
        self.canvas = canvas

    def line(self, a: Point, b: Point, *, width: float = 0.15, grey: float = GREY) -> None:
        """Draw a straight line."""
        self.canvas.setLineWidth(width)
        self.canvas.setStrokeGray(grey)
        self.canvas.line(*a, *b)

    def dashed(self, a: Point, b: Point, *, width: float = 0.2, grey: float = DARK) -> None:
        """Draw a dashed line: lay or fold here, do not cut."""
        self.canvas.setDash([1.2, 0.8])
        self.line(a, b, width=width, grey=grey)
        self.canvas.setDash()

    def polygon(self, points: Sequence[Point], *, grey: float = BLACK) -> None:
        """Fill a polygon."""
        self._fill([points], grey)

    def cut_line(self, points: Sequence[Point], *, closed: bool = True) -> None:
        """Draw an outline to cut along."""
        path = self.canvas.beginPath()
        path.moveTo(*points[0])
        for p in points[1:]:
            path.lineTo(*p)
        if closed:
            path.close()
        self.canvas.setLineWidth(0.15)
        self.canvas.setStrokeGray(GREY)
        self.canvas.setLineJoin(0)
        self.canvas.drawPath(path, stroke=1, fill=0)

    def cut_box(self, x: float, y: float, width: float, height: float) -> None:
        """Draw a rectangle to cut along."""
        self.cut_line([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])

    def pattern(
        self, black: npt.NDArray[np.bool_], x_centre: float, y_centre: float, side: float
    ) -> None:
        """Fill a square pattern of n x n cells, `side` mm wide, as one outline without seams."""
        cell = side / black.shape[0]
        left, top = x_centre - side / 2.0, y_centre + side / 2.0
        loops = [[(left + cell * c, top - cell * r) for c, r in loop] for loop in outlines(black)]
        self._fill(loops, BLACK)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 2.4,
        room: float | None = None,
        bold: bool = False,
        side: Side = "left",
        turned: bool = False,
        grey: float = BLACK,
    ) -> None:
        """Write one line with its baseline at (x, y).

        Args:
            x: of the line's left end, centre or right end, by `side`.
            y: of the baseline.
            words: what to write.
            size: letter height (em) in mm.
            room: the width it may take; a longer line gets smaller letters, then narrower ones.
            bold: bold letters.
            side: which point of the line lies at x.
            turned: write upwards instead of to the right.
            grey: of the letters.
        """
        squeeze = 1.0
        if room is not None and (long := text_width(words, size, bold=bold)) > room:
            size *= max(room / long, 0.8)
            squeeze = min(1.0, room / text_width(words, size, bold=bold))
        width = text_width(words, size, bold=bold) * squeeze
        back = {"left": 0.0, "centre": width / 2.0, "right": width}[side]
        self.canvas.saveState()
        self.canvas.translate(x, y)
        if turned:
            self.canvas.rotate(90)
        self.canvas.setFillGray(grey)
        block = self.canvas.beginText(-back, 0.0)
        block.setFont(BOLD if bold else PLAIN, size)
        block.setHorizScale(100.0 * squeeze)
        block.textOut(words)
        self.canvas.drawText(block)
        self.canvas.restoreState()

    def arrow_up(self, x: float, y: float, size: float) -> None:
        """Draw a small solid arrowhead pointing up, centred on x, its foot at y."""
        self.polygon([(x - size * 0.45, y), (x + size * 0.45, y), (x, y + size)])

    def _fill(self, loops: Sequence[Sequence[Point]], grey: float) -> None:
        path = self.canvas.beginPath()
        for loop in loops:
            path.moveTo(*loop[0])
            for p in loop[1:]:
                path.lineTo(*p)
            path.close()
        self.canvas.setFillGray(grey)
        # 1 is the non-zero winding rule: loops that touch at a corner stay filled on both sides.
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=1)
