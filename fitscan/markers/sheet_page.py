"""A printed page: paper, margins, rulers on both axes, heading, cautions, and cards in rows.

What is on the cards is left to them; which pages there are is decided by `sheets`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from fitscan.errors import InputError
from fitscan.markers.sheet_ink import DARK, Ink

__all__ = ["PAPERS", "RULER_MM", "Card", "Format", "Frame", "Page", "Paper", "Placed", "flow"]

MARGIN_MM = 8.0
"""White edge of every sheet; common printers reach to 4 or 6 mm (common practice, no source)."""

RULER_MM = 150.0
"""Length of both rulers of a sheet."""

CAUTION = (
    "Caution: this measures fit only. It does not approve a design, a weld or a material: the "
    "rules of the sanctioning body, local law",
    "and a licensed or scrutineering person decide. Check by hand before cutting. Keep paper "
    "away from hot work and fuel.",
)

HEADING_MM, LINE_MM, SMALL_MM, CAUTION_MM = 3.4, 3.1, 2.2, 2.7
GAP_MM, RULER_SIDE_MM, LABEL_SIDE_MM = 1.8, 9.0, 3.0
RULER_BAND_MM, CAUTION_BAND_MM, NOTE_BAND_MM = 7.4, 6.4, 3.0


@dataclass(frozen=True)
class Paper:
    """A paper size, upright."""

    name: str
    short_mm: float
    long_mm: float


PAPERS = {
    "a4": Paper("A4", 210.0, 297.0),  # ISO 216
    "letter": Paper("US Letter", 215.9, 279.4),  # 8.5 x 11 in, ANSI/ASME Y14.1 size A
}


@dataclass(frozen=True)
class Format:
    """A paper with the scale that the printer is known to print at.

    Attributes:
        paper: the paper.
        short: measured / nominal along the paper's short edge; the drawing is divided by it.
        long: the same along the long edge.
    """

    paper: Paper
    short: float = 1.0
    long: float = 1.0

    @property
    def corrected(self) -> bool:
        """Whether the drawing differs from its true size to make up for the printer."""
        return (self.short, self.long) != (1.0, 1.0)

    def scale(self, landscape: bool) -> tuple[float, float]:
        """Printer scale (across, along) of a page as one reads it."""
        return (self.long, self.short) if landscape else (self.short, self.long)

    def size_mm(self, landscape: bool) -> tuple[float, float]:
        """Paper's width and height."""
        p = self.paper
        return (p.long_mm, p.short_mm) if landscape else (p.short_mm, p.long_mm)


@dataclass(frozen=True)
class Frame:
    """The part of a page that cards may use, in mm as they will be on the printed paper."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def width(self) -> float:
        """From left to right."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """From bottom to top."""
        return self.top - self.bottom


class Card(Protocol):
    """Something with a size that can be drawn with its lower left corner at a place."""

    @property
    def width(self) -> float: ...  # noqa: D102
    @property
    def height(self) -> float: ...  # noqa: D102
    def draw(self, ink: Ink, x: float, y: float) -> None: ...  # noqa: D102


@dataclass(frozen=True)
class Placed:
    """A card and its lower left corner on the page."""

    card: Card
    x: float
    y: float


@dataclass(frozen=True)
class Page:
    """One sheet: heading, advice under it, a note at the rulers, and its cards."""

    heading: str
    advice: tuple[str, ...]
    note: str
    landscape: bool
    cards: tuple[Placed, ...] = ()

    @property
    def _gap(self) -> float:
        """White below the heading; a page without advice (the board's) needs every millimetre."""
        return GAP_MM if self.advice else GAP_MM / 2.0

    def frame(self, form: Format) -> Frame:
        """Where cards may lie, between heading, rulers and cautions."""
        # A printer that prints 0.99 of the drawing shows a drawing of 1/0.99 of the paper.
        width, height = (
            mm * s
            for mm, s in zip(form.size_mm(self.landscape), form.scale(self.landscape), strict=True)
        )
        foot = CAUTION_BAND_MM + RULER_BAND_MM + (NOTE_BAND_MM if self.note else 0.0)
        head = HEADING_MM + LINE_MM * len(self.advice) + self._gap
        left = MARGIN_MM + RULER_SIDE_MM + (LABEL_SIDE_MM if self.landscape else 0.0)
        return Frame(left, MARGIN_MM + foot, width - MARGIN_MM, height - MARGIN_MM - head)

    def draw(self, ink: Ink, form: Format, ident: str) -> None:
        """Draw the page on the canvas's current page, which it sizes; `ident` names the sheet."""
        across, along = form.scale(self.landscape)
        width, height = form.size_mm(self.landscape)
        point = 72.0 / 25.4
        ink.canvas.setPageSize((width * point, height * point))
        ink.canvas.scale(point / across, point / along)
        frame = self.frame(form)
        self._draw_heading(ink, frame, ident)
        self._draw_foot(ink, frame, form)
        for placed in self.cards:
            placed.card.draw(ink, placed.x, placed.y)

    def _draw_heading(self, ink: Ink, frame: Frame, ident: str) -> None:
        y = frame.top + LINE_MM * len(self.advice) + self._gap + 0.4
        room = frame.right - MARGIN_MM
        ink.text(MARGIN_MM, y, self.heading, size=3.6, bold=True, room=room * 0.68)
        ink.text(frame.right, y, ident, size=2.6, side="right", room=room * 0.3)
        for n, line in enumerate(self.advice, 1):
            ink.text(MARGIN_MM, y - LINE_MM * n, line, size=2.5, room=room)

    def _draw_foot(self, ink: Ink, frame: Frame, form: Format) -> None:
        room = frame.right - MARGIN_MM
        for n, line in enumerate(reversed(CAUTION)):
            ink.text(MARGIN_MM, MARGIN_MM + 0.6 + 3.0 * n, line, size=CAUTION_MM, room=room)
        if self.note:
            ink.text(MARGIN_MM, MARGIN_MM + 6.7, self.note, size=2.5, bold=True, room=room)
        _draw_rulers(ink, frame, self.landscape)


def _draw_rulers(ink: Ink, frame: Frame, landscape: bool) -> None:
    """Draw both rulers along the frame's left and lower side, with the edge they run along."""
    edges = ("long", "short") if landscape else ("short", "long")
    x, y = frame.left, frame.bottom - 1.8
    _ruler_across(ink, x, y)
    beside = x + RULER_MM + 3.0
    room = frame.right - beside
    ink.text(beside, y - 2.0, f"across ({edges[0]} edge)", size=SMALL_MM, room=room)
    ink.text(beside, y - 4.6, "must be 150.0 mm", size=SMALL_MM, room=room)
    _ruler_along(ink, x - 1.8, frame.bottom)
    words = f"along ({edges[1]} edge) must be 150.0 mm"
    if landscape:  # the ruler fills the height, so its words stand beside it
        middle = frame.bottom + RULER_MM / 2.0
        ink.text(MARGIN_MM + 1.7, middle, words, size=SMALL_MM, side="centre", turned=True)
    else:
        ink.text(x - 4.0, frame.bottom + RULER_MM + 3.0, words, size=SMALL_MM, turned=True)


def _ruler_across(ink: Ink, x: float, y: float) -> None:
    """Draw the ruler from x to the right, ticks hanging down from y."""
    for mm in range(int(RULER_MM) + 1):
        ink.line((x + mm, y), (x + mm, y - _tick(mm)), width=0.1, grey=DARK)
        if mm % 10 == 0:
            ink.text(x + mm, y - 5.2, f"{mm}", size=SMALL_MM, side="centre")


def _ruler_along(ink: Ink, x: float, y: float) -> None:
    """Draw the ruler from y upwards, ticks to the left of x."""
    for mm in range(int(RULER_MM) + 1):
        ink.line((x, y + mm), (x - _tick(mm), y + mm), width=0.1, grey=DARK)
        if mm % 10 == 0:
            ink.text(x - 3.5, y + mm - 0.8, f"{mm}", size=SMALL_MM, side="right")


def _tick(mm: int) -> float:
    return 3.0 if mm % 10 == 0 else 2.2 if mm % 5 == 0 else 1.4


def flow(
    page: Page, form: Format, cards: Sequence[Card], *, gap_mm: float, what: str
) -> list[Page]:
    """Put cards on as many copies of an empty page as they need, in rows, in their order.

    Args:
        page: heading and notes of every page.
        form: paper and printer.
        cards: what to place.
        gap_mm: white between cards; 0 lets neighbours share one cut.
        what: name of the cards, for the error.

    Raises:
        InputError: one card alone is larger than a page.
    """
    frame = page.frame(form)
    sheets: list[list[Placed]] = []
    x = y = row = 0.0
    for card in cards:
        if card.width > frame.width + 1e-9 or card.height > frame.height + 1e-9:
            raise InputError(
                f"{what} needs {card.width:.0f} x {card.height:.0f} mm and the page has "
                f"{frame.width:.0f} x {frame.height:.0f} mm",
                form.paper.name,
                "ask for a smaller one or use the other paper",
            )
        if sheets and x + card.width > frame.right + 1e-9:
            x, y, row = frame.left, y - row - gap_mm, 0.0
        if not sheets or y - card.height < frame.bottom - 1e-9:
            sheets.append([])
            x, y, row = frame.left, frame.top, 0.0
        sheets[-1].append(Placed(card, x, y - card.height))
        x += card.width + gap_mm
        row = max(row, card.height)
    return [
        Page(page.heading, page.advice, page.note, page.landscape, tuple(placed))
        for placed in sheets
    ]
