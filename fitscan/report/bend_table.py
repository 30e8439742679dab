"""A bend table for the screen, no wider than 80 characters.

The numbers come from `fitscan.make`; printing it is left to the command line.
"""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from fitscan.make.bar_file import BarFile
from fitscan.make.bends_file import CAUTIONS, BendsFile

__all__ = ["bar_table", "bend_table"]


def bend_table(document: BendsFile) -> RenderableType:
    """Rows for the bender, the points, developed length, cautions."""
    said = (
        f"Last straight {document.last_mm:.2f} mm; developed length {document.developed_mm:.2f} mm "
        f"along the centre line, at a radius of {document.clr_mm:g} mm."
    )
    rows, points = _rows(document), _points(document)
    return Group(rows, Text(said), points, *(Text(c) for c in CAUTIONS))


def bar_table(document: BarFile) -> RenderableType:
    """Rows for the bender and the points of a planned bar; its sentences say the rest."""
    return Group(_rows(document), _points(document))


def _rows(document: BendsFile | BarFile) -> Table:
    rows = Table(box=SIMPLE_HEAD)
    for head in ("bend", "feed mm", "turn deg", "angle deg", "set deg", "starts at mm", "arc mm"):
        rows.add_column(head, justify="right")
    for n, b in enumerate(document.bends, 1):
        rows.add_row(
            f"{n}",
            f"{b.feed_mm:.2f}",
            f"{b.turn_deg:+.2f}",
            f"{b.bend_deg:.2f}",
            f"{b.set_deg:.2f}",
            f"{b.start_mm:.2f}",
            f"{b.arc_mm:.2f}",
        )
    return rows


def _points(document: BendsFile | BarFile) -> Table:
    points = Table(box=SIMPLE_HEAD)
    for head in ("point", "X mm", "Y mm", "Z mm"):
        points.add_column(head, justify="right")
    last = len(document.points_mm) - 1
    for n, p in enumerate(document.points_mm):
        name = "start" if n == 0 else "end" if n == last else f"apex {n}"
        points.add_row(name, *(f"{v:.2f}" for v in p))
    return points
