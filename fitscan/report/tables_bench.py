"""A part held against itself as tables for the screen, no wider than 80 characters.

Computing is left to `fitscan.fit.bench`; printing to the command line.
"""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.text import Text

from fitscan.fit.bench import Bench, PairChange
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

__all__ = ["bench_table"]

_MOST_PAIRS = 12


def bench_table(bench: Bench) -> RenderableType:
    """Sentences, distances that changed most, the pull at each marker, warnings, caution."""
    parts: list[RenderableType] = [heading(f"{bench.part} on the bench, against its own record")]
    parts += sentences_of([*bench.sentences, *bench.deciding])
    table = number_table(("tubes, and the cuffs between", "was", "change", "U", "verdict"))
    for p in bench.pairs[:_MOST_PAIRS]:
        table.add_row(
            Text(_pair_words(p)),
            f"{p.distance_mm:.0f}",
            *signed(p.change_mm, p.expanded_mm),
            verdict_text(p.verdict),
        )
    hidden = len(bench.pairs) - _MOST_PAIRS
    title = "distances between tubes, in mm; below 0: drawn together; U with k = 2"
    parts.append(titled(title, table))
    if hidden > 0:
        parts.append(Text(f"and {hidden} pairs of tubes more, see the result's file."))
    rows = sorted(bench.shifts, key=lambda s: -s.left_size_mm)
    pulls = number_table(("marker", "X", "Y", "Z", "total", "U", "verdict"))
    for s in rows:
        label = Text(s.label.replace(", straight ", " "))
        if s.bent:
            label.append(" pulled", style="bold")
        x, y, z = (f"{round(float(v), 2) + 0.0:+.2f}" for v in s.left_mm)
        pulls.add_row(
            label, x, y, z, f"{s.left_size_mm:.2f}", f"{s.size_expanded_mm:.2f}",
            verdict_text(s.verdict),
        )  # fmt: skip
    title = f"pull at each marker, in mm, in the frame {bench.axes.frame}; U with k = 2"
    parts.append(titled(title, pulls))
    counts = verdict_counts([s.verdict for s in rows], bench.tolerance_mm)
    parts.append(Text(f"{counts}. pulled: more than chance."))
    return Group(*parts, *ending(bench.warnings))


def _pair_words(p: PairChange) -> str:
    names = [n.replace(", straight ", " ") for n in (p.first, p.second)]
    return f"{names[0]} - {names[1]}: {p.cuffs[0]}, {p.cuffs[1]}"
