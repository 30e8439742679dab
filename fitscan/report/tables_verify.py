"""A verification as a table for the screen, no wider than 80 characters.

Computing is left to `fitscan.fit.verify`; printing to the command line.
"""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.text import Text

from fitscan.fit.verify import CheckedLength, Verification
from fitscan.report.pieces import (
    ending,
    heading,
    number_table,
    sentences_of,
    signed,
    titled,
    verdict_text,
)
from fitscan.report.words import verdict_counts

__all__ = ["verify_table"]


def verify_table(result: Verification) -> RenderableType:
    """Each length with error, U, their ratio and verdict; then warnings and caution."""
    parts: list[RenderableType] = [heading(f"Survey {result.survey} against a steel rule")]
    parts += sentences_of(result.sentences)
    table = number_table(("from, to", "read", "measured", "error", "U", "error/U", "verdict"))
    for c in result.lengths:
        table.add_row(
            Text(_ends(c)),
            f"{c.read.length_mm:.1f}",
            f"{c.measured_mm:.2f}",
            *signed(c.error_mm, c.expanded_mm),
            f"{c.ratio:.2f}",
            verdict_text(c.verdict),
        )
    parts.append(titled("in mm; error: measured less read; U (k = 2) of both sides", table))
    counts = verdict_counts([c.verdict for c in result.lengths], result.limit_mm)
    parts.append(Text(f"{counts}."))
    parts.append(Text("error/U: up to 1 the survey and the rule agree within what both know."))
    return Group(*parts, *ending(result.warnings))


def _ends(c: CheckedLength) -> str:
    """Ids are enough to find the marks, and leave room for the numbers."""
    return f"{c.read.ids[0]}, {c.read.ids[1]}"
