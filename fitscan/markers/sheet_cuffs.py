"""Cuffs on paper: how many tags go round a tube, how large, and the strip with its overlap.

Where the ink lies once the strip is wrapped is said by `layout`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from fitscan.markers.family import CELLS, cells
from fitscan.markers.kit import CuffSpec
from fitscan.markers.sheet_ink import HATCH, Ink, text_width

__all__ = ["CuffCard", "CuffShape", "cuff_shape"]

COLUMNS = 7
"""Tags round the tube: the fewest, and so the largest, that show a readable one from everywhere.

Halfway between two columns a tag is seen at 26 degrees and its curvature moves a cell by a third
of its width; with six columns it is half a cell and OpenCV's reader fails from every tenth
direction, with five from every third (drawn cylinders, tests/markers/test_sheet_cuffs.py).
"""

ROWS = 2
PITCH_OVER_SIDE = 1.3
"""Leaves 1.2 white cells to each side between neighbours."""

QUIET_CELLS = 1.2
"""White above the top and below the bottom row."""

TAIL_MM = 8.0
"""Overlap that goes under the strip's beginning."""

TEXT_LINE_MM = 3.0
CAPTION_MM = 3.6
LEAST_WIDTH_MM = 90.0


@dataclass(frozen=True)
class CuffShape:
    """Sizes of a cuff's strip in mm.

    Attributes:
        columns, rows: tags round and along the tube.
        side: of each black square.
        column_pitch, row_pitch: between centres.
        length: once round the ink's radius, from the cut edge to the lay-on line.
        quiet: white above and below the tags.
    """

    columns: int
    rows: int
    side: float
    column_pitch: float
    row_pitch: float
    length: float
    quiet: float

    @property
    def height(self) -> float:
        """Of the strip, with two lines of text on either edge."""
        tags = self.side + (self.rows - 1) * self.row_pitch
        return tags + 2.0 * (self.quiet + 2.0 * TEXT_LINE_MM)


def cuff_shape(od_mm: float, paper_mm: float) -> CuffShape:
    """Choose the largest sensible tags for a tube.

    Args:
        od_mm: outside diameter of the tube.
        paper_mm: thickness from the tube's surface to the ink.
    """
    length = math.pi * (od_mm + 2.0 * paper_mm)
    pitch = length / COLUMNS
    # Half millimetres can be checked with a steel rule.
    side = math.floor(2.0 * pitch / PITCH_OVER_SIDE) / 2.0
    row_pitch = math.ceil(2.0 * side * PITCH_OVER_SIDE) / 2.0
    return CuffShape(COLUMNS, ROWS, side, pitch, row_pitch, length, QUIET_CELLS * side / CELLS)


@dataclass(frozen=True)
class CuffCard:
    """One strip to cut out, with a line below it on where it goes.

    Attributes:
        spec: the cuff as the kit says it.
        shape: its strip.
        where: one line on where to stick it.
    """

    spec: CuffSpec
    shape: CuffShape
    where: str

    @property
    def width(self) -> float:
        """With the overlap, and with room for the line below a short strip."""
        return max(self.strip, LEAST_WIDTH_MM)

    @property
    def strip(self) -> float:
        """Length of the strip with its overlap."""
        return self.shape.length + TAIL_MM

    @property
    def height(self) -> float:
        """With the line below the strip."""
        return self.shape.height + CAPTION_MM

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw the strip; its left edge is the seam, angle 0."""
        shape, foot = self.shape, y + CAPTION_MM
        ink.cut_box(x, foot, self.strip, shape.height)
        self._draw_tags(ink, x, foot)
        self._draw_words(ink, x, foot)
        self._draw_tail(ink, x + shape.length, foot)
        first, last = self.spec.ids[0], self.spec.ids[-1]
        ink.text(x, y + 0.9, f"Cuff {first}-{last}: {self.where}", size=2.4, room=self.width)

    def _draw_tags(self, ink: Ink, x: float, foot: float) -> None:
        shape = self.shape
        middle = foot + shape.height / 2.0
        for n, tag_id in enumerate(self.spec.ids):
            row, column = divmod(n, shape.columns)
            x_tag = x + (column + 0.5) * shape.column_pitch
            y_tag = middle + ((shape.rows - 1) / 2.0 - row) * shape.row_pitch
            ink.pattern(~cells(tag_id), x_tag, y_tag, shape.side)
            if row == 0:
                y_text = y_tag + shape.side / 2.0 + shape.quiet + 0.6
            elif row == shape.rows - 1:
                y_text = y_tag - shape.side / 2.0 - shape.quiet - 2.2
            else:
                continue
            ink.text(x_tag, y_text, f"{tag_id}", size=2.4, bold=True, side="centre")

    def _draw_words(self, ink: Ink, x: float, foot: float) -> None:
        spec, shape = self.spec, self.shape
        y_top, y_bottom = foot + shape.height - 2.4, foot + 0.9
        name = (
            f"{spec.tube} · straight {spec.straight} · OD {spec.od_mm:g} mm · "
            f"{spec.ids[0]}-{spec.ids[-1]}"
        )
        times = max(1, int(shape.length / (text_width(name, 2.2) + 6.0)))
        room = shape.length / times
        for n in range(times):
            ink.text(x + n * room + 2.0, y_bottom, name, size=2.2, room=room - 4.0)
        words = "this end up (+z)"
        times = max(1, int(shape.length / 45.0))
        room = shape.length / times
        for n in range(times):
            ink.arrow_up(x + n * room + 3.2, y_top - 0.2, 2.0)
            ink.text(x + n * room + 5.2, y_top, words, size=2.2, room=room - 7.0)

    def _draw_tail(self, ink: Ink, x: float, foot: float) -> None:
        top = foot + self.shape.height
        step = 2.0
        for n in range(math.ceil((top - foot + TAIL_MM) / step)):
            # Lines at 45 degrees, clipped to the overlap by hand.
            start = n * step
            x0, y0 = (0.0, start) if start <= top - foot else (start - (top - foot), top - foot)
            run = min(TAIL_MM - x0, y0)
            ink.line((x + x0, foot + y0), (x + x0 + run, foot + y0 - run), grey=HATCH)
        ink.dashed((x, foot), (x, top))
        middle, room = (foot + top) / 2.0, self.shape.height - 3.0
        for n, words in enumerate(("this end goes underneath:", "lay the cut left edge on - - -")):
            ink.text(
                x + 3.3 + 2.8 * n, middle, words, size=2.2, room=room, side="centre", turned=True
            )
