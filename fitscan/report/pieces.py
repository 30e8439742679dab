"""What all tables are made of: headings, sentences, columns of numbers, warnings and caution.

Texts that a user wrote are never read as markup. Which results there are is left to `tables`.
"""

from __future__ import annotations

from collections.abc import Iterable

from rich.box import SIMPLE_HEAD
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from fitscan.fit.verdict import Verdict
from fitscan.report.words import CAUTION

__all__ = [
    "WIDTH",
    "ending",
    "facts_of",
    "heading",
    "item",
    "number_table",
    "sentences_of",
    "signed",
    "titled",
    "verdict_text",
]

WIDTH = 80
"""Columns of the narrowest screen that tables are made for."""

_LOOKS = {Verdict.IN: "green", Verdict.OPEN: "yellow", Verdict.OUT: "bold red"}


def heading(text: str) -> Text:
    """The line above everything."""
    return Text(text, style="bold")


def item(text: str) -> Padding:
    """A sentence whose further lines are set in."""
    return Padding(Text(text), (0, 0, 0, 2))


def sentences_of(sentences: Iterable[str]) -> list[RenderableType]:
    """Each sentence with its full stop."""
    return [item(s if s.endswith(".") else f"{s}.") for s in sentences]


def ending(warnings: Iterable[str]) -> list[RenderableType]:
    """What nobody may miss: warnings, then the caution."""
    out: list[RenderableType] = [Text(f"Warning: {w}", style="bold yellow") for w in warnings]
    return [Text(""), *out, Text(CAUTION, style="bold")]


def number_table(headers: tuple[str, ...]) -> Table:
    """A table of numbers; the first column (unless it is "along") and verdicts are words."""
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1), show_edge=False)
    for i, header in enumerate(headers):
        words = header == "verdict" or (i == 0 and header != "along")
        table.add_column(
            Text(header),
            justify="left" if words else "right",
            no_wrap=i > 0,
            overflow="fold",
        )
    return table


def titled(title: str, table: Table) -> Group:
    """A table under its title, which may be wider than the table, after an empty line."""
    return Group(Text(""), Text(title, style="italic"), table)


def facts_of(*rows: tuple[str, str]) -> Table:
    """Names and what is to be said of them, in two columns."""
    table = Table.grid(padding=(0, 2), pad_edge=False)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, value in rows:
        table.add_row(Text(name), Text(value))
    return table


def signed(value: float, expanded: float, digits: int = 2) -> tuple[str, str]:
    """A value with its sign, and its U, as two cells."""
    shown = round(value, digits) + 0.0  # no minus before a zero
    return f"{shown:+.{digits}f}", f"{expanded:.{digits}f}"


def verdict_text(verdict: Verdict) -> Text:
    """A verdict in its colour."""
    return Text(verdict.value, style=_LOOKS[verdict])
