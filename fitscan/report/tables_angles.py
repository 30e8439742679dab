"""Angles and tubes as tables for the screen, no wider than 80 characters.

Computing is left to `fitscan.fit`; printing to the command line.
"""

from __future__ import annotations

from itertools import groupby

from rich.console import Group, RenderableType
from rich.text import Text

from fitscan.fit.reading import Reading, Told
from fitscan.report.pieces import (
    ending,
    heading,
    number_table,
    sentences_of,
    titled,
    verdict_text,
)

__all__ = ["angles_table"]

_FRAME = (
    "Axes of ISO 8855: X forward, Y left, Z up. A lean is told as seen from the side (forward) "
)
_FRAME += "and from behind (left); in the frame "


def angles_table(angles: Told) -> RenderableType:
    """Sentences, one table for each thing and what it was held against, warnings, caution."""
    parts: list[RenderableType] = [heading(angles.heading)]
    parts += sentences_of(angles.sentences)
    for (subject, against), rows in groupby(angles.readings, key=lambda r: (r.subject, r.against)):
        table = number_table(("number", "value", "U", "unit", "wanted", "verdict"))
        for r in rows:
            value, expanded = shown(r)
            wanted = "-" if r.wanted is None else f"{r.wanted:g} ± {r.tolerance:g}"
            table.add_row(
                Text(r.name), value, expanded, r.unit, wanted,
                Text("-") if r.verdict is None else verdict_text(r.verdict),
            )  # fmt: skip
        parts.append(titled(f"{subject}, against {against}; U with k = 2", table))
    if angles.axes.known:
        parts.append(Text(f"{_FRAME}{angles.axes.frame}."))
    return Group(*parts, *ending(angles.warnings))


def shown(r: Reading) -> tuple[str, str]:
    """Value with its sign, and U: thousandths of a degree, hundredths of a millimetre."""
    digits = 3 if r.unit == "deg" else 2
    return f"{round(r.value, digits) + 0.0:+.{digits}f}", f"{r.expanded:.{digits}f}"
