"""Drawings on paper at true size: pages with rulers and cautions, tiled where one is too small.

What is drawn is left to `flat` and `template`; the page itself comes from the printed sheets.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

from fitscan.errors import InputError
from fitscan.make.flat import Drawing, Kind
from fitscan.markers.sheet_ink import Ink, wrap
from fitscan.markers.sheet_page import RULER_MM, Format, Frame, Page, Placed

__all__ = ["OVERLAP_MM", "Plate", "render_pdf"]

OVERLAP_MM = 14.0
"""What neighbouring tiles share; the registration crosses stand in its middle."""

SPARE_MM = 0.5
"""White round a drawing, so that its outline is not clipped to half its width."""

_RULERS_MM = {False: RULER_MM + 42.0, True: RULER_MM}
"""Height that the upright ruler needs, by whether the page lies; words stand over it or beside."""

WIDTHS = {Kind.CUT: 0.3, Kind.OUTLINE: 0.3, Kind.FOLD: 0.2}
THIN_MM = 0.15
DASHES = {Kind.FOLD: [3.0, 1.5], Kind.CENTRE: [6.0, 1.2, 1.2, 1.2]}

NOTE = (
    "Measure both rulers: 150.0 mm, or this template must not be used. Print at 100 %, "
    "never fit to page."
)


@dataclass(frozen=True)
class Plate:
    """A drawing with the sentences that stand over it."""

    drawing: Drawing
    advice: tuple[str, ...]


@dataclass(frozen=True)
class _Tile:
    """A window of a drawing: column, row from the lower left, of so many."""

    drawing: Drawing
    column: int
    row: int
    columns: int
    rows: int
    step_x: float
    step_y: float

    @property
    def left(self) -> float:
        return self.column * self.step_x - SPARE_MM

    @property
    def bottom(self) -> float:
        return self.row * self.step_y - SPARE_MM

    @property
    def width(self) -> float:
        return min(self.step_x + OVERLAP_MM, self.drawing.width + SPARE_MM - self.left)

    @property
    def height(self) -> float:
        return min(self.step_y + OVERLAP_MM, self.drawing.height + SPARE_MM - self.bottom)

    def draw(self, ink: Ink, x: float, y: float) -> None:
        canvas = ink.canvas
        canvas.saveState()
        path = canvas.beginPath()
        path.rect(x, y, self.width, self.height)
        canvas.clipPath(path, stroke=0, fill=0)
        canvas.translate(x - self.left, y - self.bottom)
        _ink_drawing(ink, self.drawing)
        self._crosses(ink)
        canvas.restoreState()

    def _crosses(self, ink: Ink) -> None:
        """Crosses in the overlaps, each named, the same on both sheets that show it."""
        half = OVERLAP_MM / 2.0 - SPARE_MM
        width, height = self.drawing.width, self.drawing.height
        for i in range(1, self.columns):
            x = i * self.step_x + half
            for n, y in enumerate(_along(height, self.step_y, self.rows)):
                _cross(ink, x, y, f"{_letter(i)}{n + 1}")
        for j in range(1, self.rows):
            y = j * self.step_y + half
            for n, x in enumerate(_along(width, self.step_x, self.columns)):
                _cross(ink, x, y, f"{j}{_letter(n + 1)}")


def _along(length: float, step: float, tiles: int) -> list[float]:
    """Two places for crosses on each tile's own length, clear of the overlaps."""
    places = []
    for k in range(tiles):
        start = k * step + (OVERLAP_MM if k else 0.0)
        end = min((k + 1) * step, length) if k < tiles - 1 else length
        places += [start + 0.15 * (end - start), start + 0.85 * (end - start)]
    return places


def _letter(n: int) -> str:
    return chr(ord("A") + n - 1)


def _cross(ink: Ink, x: float, y: float, name: str) -> None:
    ink.line((x - 4.0, y), (x + 4.0, y), width=0.12, grey=0.0)
    ink.line((x, y - 4.0), (x, y + 4.0), width=0.12, grey=0.0)
    ink.canvas.setLineWidth(0.12)
    ink.canvas.circle(x, y, 2.0, stroke=1, fill=0)
    ink.text(x + 2.2, y + 0.9, name, size=2.2)


def _ink_drawing(ink: Ink, drawing: Drawing) -> None:
    canvas = ink.canvas
    canvas.setLineJoin(1)
    for stroke in drawing.strokes:
        path = canvas.beginPath()
        points = stroke.points.tolist()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        canvas.setLineWidth(WIDTHS.get(stroke.kind, THIN_MM))
        canvas.setStrokeGray(0.0)
        canvas.setDash(DASHES.get(stroke.kind, []))
        canvas.drawPath(path, stroke=1, fill=0)
    canvas.setDash()
    for t in drawing.labels:
        ink.text(
            t.x,
            t.y,
            t.words,
            size=t.size,
            room=t.room,
            bold=t.bold,
            side="centre" if t.middle else "left",
            turned=t.turned,
        )


def _grid(length: float, room: float) -> tuple[int, float]:
    """How many tiles a length needs, and the step from one to the next."""
    length += 2.0 * SPARE_MM
    if length <= room:
        return 1, length
    step = room - OVERLAP_MM
    return math.ceil((length - OVERLAP_MM) / step), step


def _pages(plate: Plate, form: Format) -> list[Page]:
    """The orientation that needs fewer sheets; upright when both need the same."""
    choices = []
    for landscape in (False, True):
        page = _page(plate, form, landscape)
        frame = page.frame(form)
        columns, step_x = _grid(plate.drawing.width, frame.width)
        rows, step_y = _grid(plate.drawing.height, frame.height)
        choices.append((columns * rows, landscape, page, frame, columns, rows, step_x, step_y))
    fit = [c for c in choices if c[3].height >= _RULERS_MM[c[1]]]
    if not fit:
        raise InputError(
            "The sentences over the drawing leave no room for the rulers", plate.drawing.title,
            "give a shorter name, or look at the survey's warnings first",
        )  # fmt: skip
    _, landscape, page, frame, columns, rows, step_x, step_y = min(fit, key=lambda c: c[:2])
    tiles = [
        _Tile(plate.drawing, column, row, columns, rows, step_x, step_y)
        for row in reversed(range(rows))
        for column in range(columns)
    ]
    return [_filled(page, tile, frame, len(tiles) > 1) for tile in tiles]


def _page(plate: Plate, form: Format, landscape: bool) -> Page:
    room = Page("", (), NOTE, landscape).frame(form).width
    lines = [line for text in plate.advice for line in wrap(text, 2.5, room)]
    return Page(plate.drawing.title, tuple(lines), NOTE, landscape)


def _filled(page: Page, tile: _Tile, frame: Frame, tiled: bool) -> Page:
    heading = page.heading
    if tiled:
        row = tile.rows - tile.row
        heading += f" · row {row} of {tile.rows}, column {tile.column + 1} of {tile.columns}"
        heading += " · lay cross on cross"
    placed = Placed(tile, frame.left, frame.top - tile.height)
    return Page(heading, page.advice, page.note, page.landscape, (placed,))


def render_pdf(plates: list[Plate], form: Format, title: str) -> tuple[bytes, int]:
    """Draw plates into one PDF that asks the reader's print dialogue not to scale it.

    Args:
        plates: what to draw, each from a new sheet on.
        form: paper, and the printer's scale if it is known.
        title: of the document; also printed on every sheet.

    Returns:
        the file's content and its number of pages.

    Raises:
        InputError: so many sentences over a drawing that the rulers find no room.
    """
    from reportlab.pdfgen.canvas import Canvas

    pages = [page for plate in plates for page in _pages(plate, form)]
    stream = io.BytesIO()
    # invariant: no date and no random id, so that the same request gives the same bytes.
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setCreator("fitscan")
    canvas.setViewerPreference("PrintScaling", "None")
    ink = Ink(canvas)
    for n, page in enumerate(pages, 1):
        page.draw(ink, form, f"{title} · {form.paper.name} · sheet {n}/{len(pages)}")
        canvas.showPage()
    canvas.save()
    return stream.getvalue(), len(pages)
