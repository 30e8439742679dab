"""A report as one HTML page that needs nothing else: no network, no script, no other file.

What it says comes from `book`; the same on paper from `pdf`. Every text passes the template's
escaping, and the page's own policy forbids it to load or run anything.
"""

from __future__ import annotations

import base64
from pathlib import Path

from fitscan.fit.verdict import Verdict
from fitscan.report.book import Book, Picture
from fitscan.report.measured import how_measured
from fitscan.report.palette import VERDICT_LOOKS
from fitscan.report.section import Cell, Column, Measured, shown
from fitscan.report.words import amount

__all__ = ["html_page", "render_template"]

SIGNS = {Verdict.IN: "●", Verdict.OPEN: "▲", Verdict.OUT: "■"}
"""Shapes of the verdicts as in all pictures; they tell the verdicts apart in grey, too."""


def html_page(book: Book) -> str:
    """The whole page."""
    shoots = [how_measured(p) for p in book.shoots]
    return render_template("report.html", book=book, shoots=shoots)


def render_template(name: str, **content: object) -> str:
    """Fill a template of this package; every text is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["data"] = _data
    environment.filters["sentence"] = _sentence
    environment.globals.update(
        shown=shown, is_number=_is_number, verdict_class=_verdict_class, sign=_sign,
        is_verdict=_is_verdict, amount=amount,
    )  # fmt: skip
    return environment.get_template(name).render(**content)


def _data(picture: Picture) -> str:
    return f"data:{picture.mime};base64,{base64.b64encode(picture.data).decode('ascii')}"


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _is_number(cell: Cell, column: Column) -> bool:
    return isinstance(cell, int | float | Measured)


def _is_verdict(cell: Cell) -> bool:
    return isinstance(cell, Verdict)


def _verdict_class(verdict: Verdict | None) -> str:
    return "none" if verdict is None else VERDICT_LOOKS[verdict].word.lower()


def _sign(verdict: Verdict | None) -> str:
    return "" if verdict is None else SIGNS[verdict]
