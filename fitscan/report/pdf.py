"""A report on paper: the same content as the page, as a PDF in A4 or US Letter.

What it says comes from `book` and `measured`. Texts that a user wrote are escaped: reportlab reads
markup in its paragraphs.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from fitscan.fit.verdict import Verdict
from fitscan.markers.sheet_page import PAPERS
from fitscan.report.book import Book, Picture, ResultPart
from fitscan.report.html import SIGNS
from fitscan.report.lettering import font_file
from fitscan.report.measured import HowMeasured, how_measured
from fitscan.report.palette import COLOURS
from fitscan.report.section import Cell, Measured, Table, shown
from fitscan.report.words import SHORT_CAUTION, amount

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import Flowable

__all__ = ["pdf_of"]

_MM = 72.0 / 25.4
_MARGIN_MM = 16.0
_FOOT_MM = 14.0
_PLAIN, _BOLD = "fitscan-plain", "fitscan-bold"
_TALLEST_PICTURE = 0.44
"""Share of a page's height, so that two pictures fit on a page."""

_TALLEST_PLOT = 0.62
_EMPTY_ROWS = 3

_DARK = {Verdict.IN: "#00614A", Verdict.OPEN: "#7A4E00", Verdict.OUT: "#A13F00"}
"""The verdicts' colours of the palette, darkened until they are readable as text on white."""


def pdf_of(book: Book, paper: str = "a4") -> bytes:
    """The whole document.

    Args:
        book: what it says.
        paper: "a4" or "letter", a key of `PAPERS`.
    """
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    _register_fonts()
    size = PAPERS[paper]
    width, height = size.short_mm * _MM, size.long_mm * _MM
    margin, foot = _MARGIN_MM * _MM, (_FOOT_MM + 6.0) * _MM
    frame = Frame(
        margin, foot, width - 2 * margin, height - margin - foot,
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip
    stream = io.BytesIO()
    document = BaseDocTemplate(
        stream, pagesize=(width, height), title=book.title, author="fitscan", subject=SHORT_CAUTION,
        creator=f"fitscan {book.tool_version}",
    )  # fmt: skip

    def footer(canvas: Canvas, doc: Any) -> None:
        canvas.saveState()
        canvas.setFont(_PLAIN, 7.0)
        canvas.drawString(margin, _FOOT_MM * _MM, SHORT_CAUTION)
        words = f"fitscan {book.tool_version}, {book.made_at}"
        canvas.drawString(margin, (_FOOT_MM - 4.0) * _MM, words)
        canvas.drawRightString(width - margin, (_FOOT_MM - 4.0) * _MM, f"page {doc.page}")
        canvas.restoreState()

    document.addPageTemplates(PageTemplate("page", [frame], onPage=footer))
    layout = _Layout(width - 2 * margin, height - margin - foot)
    document.build(layout.all_of(book))
    return stream.getvalue()


def _register_fonts() -> None:
    from reportlab.pdfbase.pdfmetrics import getRegisteredFontNames, registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    if _PLAIN not in getRegisteredFontNames():
        registerFont(TTFont(_PLAIN, str(font_file())))
        registerFont(TTFont(_BOLD, str(font_file(bold=True))))


class _Layout:
    """Pieces of the report as reportlab's flowables, for a width and height in points."""

    def __init__(self, width: float, height: float) -> None:
        from reportlab.lib.styles import ParagraphStyle

        self.width, self.height = width, height

        def style(name: str, size: float, *, bold: bool = False, **more: Any) -> ParagraphStyle:
            font = _BOLD if bold else _PLAIN
            return ParagraphStyle(name, fontName=font, fontSize=size, leading=1.32 * size, **more)

        self.styles = {
            "title": style("title", 17, bold=True, spaceAfter=6),
            "h2": style("h2", 13, bold=True, spaceBefore=12, spaceAfter=5, keepWithNext=1),
            "h3": style("h3", 10.5, bold=True, spaceBefore=8, spaceAfter=3, keepWithNext=1),
            "text": style("text", 9, spaceAfter=3),
            "strong": style("strong", 9, bold=True, spaceAfter=3),
            "small": style("small", 7.5, spaceAfter=3),
            "cell": style("cell", 7.8),
            "head": style("head", 7.8, bold=True),
            "hash": style("hash", 5.6),
            "big": style("big", 14, bold=True),
        }

    def words(self, text: str, style: str = "text", colour: str = "") -> Flowable:
        """A paragraph of plain text."""
        from reportlab.platypus import Paragraph

        said = escape(text)
        if colour:
            said = f'<font color="{colour}">{said}</font>'
        return Paragraph(said, self.styles[style])

    def all_of(self, book: Book) -> list[Flowable]:
        """Everything, in order."""
        from reportlab.platypus import PageBreak

        shoots = [how_measured(p) for p in book.shoots]
        out = self._front(book)
        for result in book.results:
            out += [PageBreak(), *self._result(result)]
        out += [PageBreak(), self.words("How it was measured", "h2")]
        for shoot in shoots:
            out += self._shoot(shoot)
        for survey in book.surveys:
            out += [self.words(f"Pictures of survey {survey.survey.name}", "h3")]
            out += self._pairs([p for p in survey.pictures if p.on_photo])
            out += self._pictures([p for p in survey.pictures if not p.on_photo])
        out += [PageBreak(), *self._hand(book, shoots)]
        out += [PageBreak(), *self._files(book, shoots)]
        return out

    def _front(self, book: Book) -> list[Flowable]:
        out = [
            self.words(book.title, "title"),
            self.words(
                f"Report made {book.made_at} with fitscan {book.tool_version}. U is the expanded "
                "uncertainty (k = 2): the true value lies within ± U in about 95 of 100 cases.",
                "small",
            ),
            self._boxed(book.caution),
        ]
        if book.results:
            out.append(self.words("Verdicts", "h2"))
            out += [self._card(r) for r in book.results]
            legend = (
                f"{SIGNS[Verdict.IN]} inside by more than U, proven. {SIGNS[Verdict.OUT]} outside "
                f"by more than U, proven. {SIGNS[Verdict.OPEN]} closer to the limit than U. Rules "
                "of ISO 14253-1 and JCGM 106."
            )
            out.append(self.words(legend, "small"))
        if book.warnings or book.notes:
            out.append(self.words("Mind this", "h2"))
            out += [self._item(f"Warning: {w}", "strong") for w in book.warnings]
            out += [self._item(n) for n in book.notes]
        return out

    def _boxed(self, text: str) -> Flowable:
        return self._grid([[self.words(text, "strong")]], [self.width], box=True)

    def _card(self, result: ResultPart) -> Flowable:
        s = result.section
        verdict = s.overall
        said = "nothing was judged" if verdict is None else f"{SIGNS[verdict]} {verdict.value}"
        lines = [
            self.words(f"{s.word}: {s.title}", "strong"),
            self.words(said, "big", _DARK[verdict] if verdict else ""),
            self.words(s.headline),
            *(self.words(j.counts, "small") for j in s.judged),
        ]
        return self._grid([[lines]], [self.width], box=True)

    def _item(self, text: str, style: str = "text") -> Flowable:
        full = text if text.endswith((".", "!", "?")) else f"{text}."
        return self.words(f"• {full}", style)

    def _result(self, result: ResultPart) -> list[Flowable]:
        s = result.section
        out = [self.words(f"{s.word}: {s.title}", "h2")]
        out += [self._item(t, "strong" if i == 0 else "text") for i, t in enumerate(s.sentences)]
        out += self._pictures(result.pictures)
        for table in s.tables:
            out += self._table(table)
        out.append(self.words("How it was compared", "h3"))
        record = [("record", result.record)] if result.record else []
        out.append(self._facts([("told in the frame", s.frame), *s.facts, *record]))
        return out

    def _pictures(self, pictures: Iterable[Picture]) -> list[Flowable]:
        from reportlab.platypus import KeepTogether, Spacer

        out: list[Flowable] = []
        for p in pictures:
            tallest = _TALLEST_PICTURE if p.on_photo else _TALLEST_PLOT
            image = self._image(p, self.width, tallest * self.height)
            out.append(KeepTogether([Spacer(1, 6), image, self.words(f"{p.words}.", "small")]))
        return out

    def _pairs(self, pictures: Sequence[Picture]) -> list[Flowable]:
        """Pictures in two columns."""
        half = 0.5 * self.width
        images = [self._image(p, half - 8.0, 0.5 * self.height) for p in pictures]
        rows = [[images[i], *images[i + 1 : i + 2]] for i in range(0, len(images), 2)]
        return [self._grid([[*row, ""][:2]], [half, half]) for row in rows]

    def _image(self, p: Picture, width: float, height: float) -> Flowable:
        from reportlab.platypus import Image

        scale = min(width / p.width, height / p.height)
        return Image(io.BytesIO(p.data), p.width * scale, p.height * scale, hAlign="LEFT")

    def _table(self, table: Table) -> list[Flowable]:
        head = [self.words(c.heading, "head") for c in table.columns]
        rows: list[list[Any]] = [head]
        for row in table.rows:
            rows.append([self._cell(c, table, i) for i, c in enumerate(row)])
        widths = _widths(table, self.width)
        out = [self.words(table.title, "h3"), self._grid(rows, widths, head=True)]
        if table.note:
            out.append(self.words(table.note, "small"))
        return out

    def _cell(self, cell: Cell, table: Table, column: int) -> Flowable:
        text = shown(cell, table.columns[column])
        if isinstance(cell, Verdict):
            return self.words(f"{SIGNS[cell]} {text}", "head", _DARK[cell])
        return self.words(text, "cell")

    def _facts(self, pairs: Sequence[tuple[str, str]]) -> Flowable:
        rows = [[self.words(n, "head"), self.words(v, "cell")] for n, v in pairs]
        return self._grid(rows, [0.24 * self.width, 0.76 * self.width])

    def _shoot(self, shoot: HowMeasured) -> list[Flowable]:
        out = [self.words(shoot.name, "h3"), self._facts(shoot.facts)]
        for title, items in (
            ("Photos refused", shoot.refused),
            ("Left out", shoot.left_out),
            ("What would make it better", shoot.advice),
        ):
            if items:
                out.append(self.words(title, "strong"))
                out += [self._item(t) for t in items]
        for table in shoot.tables:
            out += self._table(table)
        return out

    def _hand(self, book: Book, shoots: list[HowMeasured]) -> list[Flowable]:
        out = [
            self.words("Checks by hand", "h2"),
            self.words(
                "Measure at least one of these with a tape or a steel rule before you cut or weld, "
                "from the middle of one tag to the middle of the other. If it disagrees by more "
                "than U and your own reading allow, trust neither until you know why."
            ),
        ]
        heads = ("what", "measured, mm", "read by hand, mm", "with which tool", "agrees?")
        rows: list[list[Any]] = [[self.words(h, "head") for h in heads]]
        for shoot in shoots:
            for c in shoot.lengths:
                what = f"{shoot.name}: tags {c.ids[0]} to {c.ids[1]} ({c.part})"
                number = amount(c.length_mm, c.expanded_mm)
                rows.append([self.words(what, "cell"), self.words(number, "cell"), "", "", ""])
        rows += [["", "", "", "", ""] for _ in range(_EMPTY_ROWS)]
        shares = (0.34, 0.18, 0.18, 0.18, 0.12)
        out.append(self._grid(rows, [s * self.width for s in shares], lined=True, tall=22.0))
        people = ("measured by", "checked by hand by", "licensed or scrutineering person")
        signs: list[list[Any]] = [
            [self.words(h, "head") if h else "" for h in ("", "name", "date", "signature")],
            *([self.words(p, "cell"), "", "", ""] for p in people),
        ]
        out.append(self.words("Signatures", "h2"))
        out.append(
            self._grid(signs, [s * self.width for s in (0.25, 0.3, 0.15, 0.3)], lined=True, tall=30)
        )
        out.append(self._boxed(book.caution))
        return out

    def _files(self, book: Book, shoots: list[HowMeasured]) -> list[Flowable]:
        out = [self.words("Files this rests on", "h2")]
        heads = [self.words(h, "head") for h in ("file", "what", "fitscan", "SHA-256")]
        rows: list[list[Any]] = [heads]
        for f in book.sources:
            rows.append(
                [
                    self.words(f.name, "cell"), self.words(f.word, "cell"),
                    self.words(f.tool_version, "cell"), self.words(f.sha256, "hash"),
                ]
            )  # fmt: skip
        shares = (0.27, 0.16, 0.1, 0.47)
        out.append(self._grid(rows, [s * self.width for s in shares], head=True))
        for shoot in shoots:
            out.append(self.words(f"Photos of {shoot.name[0].lower()}{shoot.name[1:]}", "h3"))
            rows = [[self.words(h, "head") for h in ("photo", "", "SHA-256")]]
            for name, what, digest in shoot.photos:
                cells = (self.words(name, "cell"), self.words(what, "cell"))
                rows.append([*cells, self.words(digest or "not kept", "hash")])
            out.append(self._grid(rows, [s * self.width for s in (0.37, 0.16, 0.47)], head=True))
        return out

    def _grid(
        self,
        rows: list[list[Any]],
        widths: list[float],
        *,
        head: bool = False,
        box: bool = False,
        lined: bool = False,
        tall: float = 0.0,
    ) -> Flowable:
        from reportlab.lib.colors import HexColor
        from reportlab.platypus import Table as Grid

        black, soft = HexColor(COLOURS["black"]), HexColor("#9AA0A8")
        look: list[tuple[Any, ...]] = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 6 if box or lined else 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 6),
            ("TOPPADDING", (0, 0), (-1, -1), 2.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        ]
        if box:
            look += [
                ("BOX", (0, 0), (-1, -1), 0.8, black), ("LINEBEFORE", (0, 0), (0, -1), 5, black),
            ]  # fmt: skip
        elif lined:
            look.append(("GRID", (0, 0), (-1, -1), 0.6, black))
        else:
            look.append(("LINEBELOW", (0, 0), (-1, -1), 0.3, soft))
        if head:
            look.append(("LINEBELOW", (0, 0), (-1, 0), 1.0, black))
        heights = [max(tall, 1.0) if i else None for i in range(len(rows))] if tall else None
        return Grid(
            rows, colWidths=widths, rowHeights=heights, style=look, hAlign="LEFT",
            repeatRows=1 if head or lined else 0, spaceBefore=4, spaceAfter=6,
        )  # fmt: skip


def _widths(table: Table, width: float) -> list[float]:
    """Widths of columns, points: by their longest text, words wrapped where room is short."""
    longest = []
    for i, column in enumerate(table.columns):
        signs = [3 if isinstance(row[i], Verdict) else 0 for row in table.rows]
        texts = [shown(row[i], column) for row in table.rows]
        wanted = max((len(t) + n for t, n in zip(texts, signs, strict=True)), default=0)
        numbers = all(isinstance(row[i], float | int | Measured) for row in table.rows)
        least = max(len(w) for w in column.heading.split())
        longest.append(float(max(wanted if numbers else min(wanted, 34), least, 5) + 3))
    points = [4.9 * n for n in longest]
    total = sum(points)
    return [p * width / total for p in points] if total > width else points
