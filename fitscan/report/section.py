"""What a result tells, apart from paper, screen and file: verdicts, sentences, tables of numbers.

Each kind of result fills one of these in `fitscan.report.kinds`; laying it out is left to `html`
and `pdf`, and tables for other programs to `fitscan.report.exchange`.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitscan.fit.verdict import Verdict
from fitscan.report.words import amount

__all__ = ["Cell", "Column", "Judged", "Measured", "Section", "Table", "shown"]


@dataclass(frozen=True)
class Measured:
    """A number with its expanded uncertainty U (k = 2), in the unit of its column.

    Attributes:
        value, expanded: the pair; never one without the other.
        unit: only where the rows of a column differ in it.
    """

    value: float
    expanded: float
    unit: str = ""


Cell = str | int | float | Measured | Verdict | None


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes:
        name: over it, for people: "across".
        key: in files for other programs, with the unit at its end: "across_mm".
        unit: for people, after the name.
        digits: decimals of a plain number; a `Measured` is rounded to what its U supports.
    """

    name: str
    key: str
    unit: str = ""
    digits: int = 0

    @property
    def heading(self) -> str:
        """Name and unit."""
        return f"{self.name}, {self.unit}" if self.unit else self.name


@dataclass(frozen=True)
class Table:
    """Rows of cells under columns; `note` explains the columns' words."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    key: str = ""


@dataclass(frozen=True)
class Judged:
    """Verdicts against one limit.

    Attributes:
        limit: in words: "2 mm".
        verdicts: of every judged number.
        what: that was judged: "stations".
    """

    limit: str
    verdicts: tuple[Verdict, ...]
    what: str

    @property
    def overall(self) -> Verdict:
        """Out when anything is proven out, open when anything is open, else in."""
        for verdict in (Verdict.OUT, Verdict.OPEN):
            if verdict in self.verdicts:
                return verdict
        return Verdict.IN

    @property
    def counts(self) -> str:
        """How many of which, in words."""
        parts = [f"{self.verdicts.count(v)} {v.value}" for v in Verdict if v in self.verdicts]
        return f"{len(self.verdicts)} {self.what} against {self.limit}: {', '.join(parts)}"


@dataclass(frozen=True)
class Section:
    """One result.

    Attributes:
        word: what kind of result it is, for people: "Gap".
        title: what was compared: "door bar against door bar seat, on the trim".
        headline: the number that matters most, with U.
        judged: verdicts, one entry for each limit; empty where nothing was judged.
        sentences: in the fitter's words, what to do first.
        tables: all numbers.
        frame: in which directions and points are told.
        facts: (name, value) pairs on how it was compared.
        warnings: that every output must carry.
        tool_version: that made it.
        surveys: names of the surveys that it rests on, as far as its file tells.
    """

    word: str
    title: str
    headline: str
    judged: tuple[Judged, ...]
    sentences: tuple[str, ...]
    tables: tuple[Table, ...]
    frame: str
    facts: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    tool_version: str
    surveys: tuple[str, ...] = ()

    @property
    def overall(self) -> Verdict | None:
        """The worst verdict, None where nothing was judged."""
        worst = [j.overall for j in self.judged if j.verdicts]
        for verdict in (Verdict.OUT, Verdict.OPEN):
            if verdict in worst:
                return verdict
        return Verdict.IN if worst else None

    @property
    def verdict_word(self) -> str | None:
        """The worst verdict in words."""
        return None if self.overall is None else self.overall.value


def shown(cell: Cell, column: Column) -> str:
    """A cell as people read it."""
    if cell is None:
        return "–"
    if isinstance(cell, Verdict):
        return cell.value
    if isinstance(cell, Measured):
        return amount(cell.value, cell.expanded, cell.unit)
    if isinstance(cell, float):
        return f"{round(cell, column.digits) + 0.0:.{column.digits}f}"
    return str(cell)
