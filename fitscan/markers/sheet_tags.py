"""Cards to cut out with one flat tag each: plain tags, a rule's ends, and pointers.

Which ids and words they carry is decided by `sheet_plan`.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitscan.markers.family import CELLS, cells
from fitscan.markers.sheet_ink import Ink, wrap

__all__ = ["Blank", "PointerCard", "TagCard", "TextCard"]

QUIET_CELLS = 1.5
"""White round a flat tag, inside the cut line."""

SHOULDER_CELLS = 1.1
"""White below a pointer's square."""

NECK_MM = 2.0
"""From a pointer's shoulders down to where its arrow begins."""

LABEL_MM = 8.0
TEXT_LINE_MM = 2.9
LEAST_WIDTH_MM = 36.0


@dataclass(frozen=True)
class TagCard:
    """A flat tag with its id and lines of text below it.

    Attributes:
        tag_id: of the tag.
        side: of the black square, mm.
        title: first line, usually the part.
        where: below it, on where to stick it.
        centre_marks: ticks at the card's edges that show the tag's centre lines.
    """

    tag_id: int
    side: float
    title: str
    where: str
    centre_marks: bool = False

    @property
    def quiet(self) -> float:
        """White round the black square."""
        return QUIET_CELLS * self.side / CELLS

    @property
    def width(self) -> float:
        """Of the card."""
        return max(self.side + 2.0 * self.quiet, LEAST_WIDTH_MM)

    @property
    def height(self) -> float:
        """Of the card with its label."""
        return self.side + 2.0 * self.quiet + 2.3 + TEXT_LINE_MM * (1 + len(self._place()))

    def _place(self) -> list[str]:
        """`where` in as many lines as the card's width asks for."""
        return wrap(self.where, 2.3, self.width - self._indent() - 1.0)

    def _indent(self) -> float:
        return 4.0 + 2.9 * len(f"{self.tag_id}")

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw the card."""
        ink.cut_box(x, y, self.width, self.height)
        x_tag, y_tag = x + self.width / 2.0, y + self.height - self.quiet - self.side / 2.0
        ink.pattern(~cells(self.tag_id), x_tag, y_tag, self.side)
        lines, left = self._place(), x + self._indent()
        room = x + self.width - left - 1.0
        base = y + 1.7 + TEXT_LINE_MM * len(lines)
        ink.text(x + 2.0, base - 2.0, f"{self.tag_id}", size=5.0, bold=True)
        ink.text(left, base, self.title, size=2.6, bold=True, room=room)
        for n, line in enumerate(lines, 1):
            ink.text(left, base - TEXT_LINE_MM * n, line, size=2.3, room=room)
        if self.centre_marks:
            self._draw_centre_marks(ink, x_tag, y_tag)

    def _draw_centre_marks(self, ink: Ink, x: float, y: float) -> None:
        out = self.side / 2.0 + self.quiet
        near = out - (QUIET_CELLS - 1.1) * self.side / CELLS
        for a, b in (((0, out), (0, near)), ((0, -out), (0, -near))):
            ink.line((x + a[0], y + a[1]), (x + b[0], y + b[1]), width=0.1, grey=0.0)
            ink.line((x + a[1], y + a[0]), (x + b[1], y + b[0]), width=0.1, grey=0.0)


@dataclass(frozen=True)
class PointerCard:
    """A flat tag with an arrow whose tip lies exactly `reach` below the tag's centre.

    The arrow is solid to its edges, so that cutting along them leaves a sharp tip.
    """

    tag_id: int
    side: float
    reach: float
    name: str
    part: str

    @property
    def quiet(self) -> float:
        """White round the black square."""
        return QUIET_CELLS * self.side / CELLS

    @property
    def width(self) -> float:
        """Of the card."""
        return max(self.side + 2.0 * self.quiet, LEAST_WIDTH_MM)

    @property
    def height(self) -> float:
        """From the arrow's tip to the top of the label."""
        return self.reach + self.side / 2.0 + self.quiet + LABEL_MM + 1.5

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw the card; the tip lies at (x + width/2, y)."""
        middle, centre, right = x + self.width / 2.0, y + self.reach, x + self.width
        top = y + self.height
        # The card narrows below the white round the square, and the arrow is what is left.
        shoulder = centre - self.side / 2.0 - SHOULDER_CELLS * self.side / CELLS
        foot = shoulder - NECK_MM
        half = min(3.5, 0.3 * (foot - y))
        # Nothing is drawn along the arrow itself: a line there would blunt the printed tip.
        ink.cut_line(
            [
                (middle - half, foot),
                (x, shoulder),
                (x, top),
                (right, top),
                (right, shoulder),
                (middle + half, foot),
            ],
            closed=False,
        )
        ink.polygon([(middle - half, foot), (middle, y), (middle + half, foot)])
        ink.pattern(~cells(self.tag_id), middle, centre, self.side)
        label = centre + self.side / 2.0 + self.quiet
        number = f"{self.tag_id}"
        ink.text(x + 1.5, label + 2.6, number, size=4.4, bold=True)
        left = x + 3.2 + 2.5 * len(number)
        room = right - left - 1.0
        lines = wrap(self.name, 2.6, room, bold=True)
        lines = lines if len(lines) <= 2 else [lines[0], " ".join(lines[1:])]
        for n, line in enumerate(lines):
            ink.text(left, label + 6.4 - 2.8 * n, line, size=2.6, bold=True, room=room)
        ink.text(left, label + 0.8, f"{self.part}: arrow tip on it", size=2.2, room=room)


@dataclass(frozen=True)
class Blank:
    """White that fills the rest of a row."""

    width: float
    height: float = 0.0

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw nothing."""


@dataclass(frozen=True)
class TextCard:
    """Lines of text: (words, letter height mm, bold), written from the top."""

    lines: tuple[tuple[str, float, bool], ...]
    width: float

    @property
    def height(self) -> float:
        """Of all lines."""
        return sum(1.4 * size for _, size, _ in self.lines) + 1.0

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Write the lines."""
        y += self.height
        for words, size, bold in self.lines:
            y -= 1.4 * size
            ink.text(x, y, words, size=size, bold=bold, room=self.width)
