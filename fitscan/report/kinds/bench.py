"""A part held against itself in a report: distances between tubes, and the pull at each marker.

Its own picture is left to `plots_bench`.
"""

from __future__ import annotations

from fitscan.fit.bench_file import BenchFile
from fitscan.fit.verdict import Verdict
from fitscan.report.kinds.result import Result
from fitscan.report.section import Cell, Column, Judged, Measured, Section, Table
from fitscan.report.words import amount

__all__ = ["RESULT"]

_PAIRS = (
    Column("between", "first"),
    Column("and", "second"),
    Column("where", "where"),
    Column("change", "change_mm", "mm"),
    Column("verdict", "verdict"),
    Column("was", "distance_mm", "mm"),
)
_PULL = (
    Column("marker", "marker"),
    Column("total", "total_mm", "mm"),
    Column("verdict", "verdict"),
    Column("X", "x_mm", "mm"),
    Column("Y", "y_mm", "mm"),
    Column("Z", "z_mm", "mm"),
)


def _section(document: BenchFile) -> Section:
    pairs: tuple[tuple[Cell, ...], ...] = tuple(
        (
            p.first,
            p.second,
            f"{p.where + ', ' if p.where else ''}cuffs {p.cuffs[0]} and {p.cuffs[1]}",
            Measured(p.change_mm, p.change_U_mm),
            Verdict(p.verdict),
            p.distance_mm,
        )
        for p in document.pairs
    )
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            m.label + (" (pulled)" if m.pulled else ""),
            Measured(m.total_mm, m.total_U_mm),
            Verdict(m.verdict),
            *(Measured(v, u) for v, u in zip(m.pull_mm, m.pull_U_mm, strict=True)),
        )
        for m in sorted(document.markers, key=lambda m: -m.total_mm)
    )
    worst = max(document.markers, key=lambda m: m.total_mm)
    verdicts = tuple(Verdict(m.verdict) for m in document.markers)
    return Section(
        word="Bench check",
        title=f"{document.part} against its own record",
        headline=f"pulled by {amount(worst.total_mm, worst.total_U_mm, 'mm')} at worst "
        f"({worst.label})",
        judged=(Judged(f"{document.tolerance_mm:g} mm", verdicts, "markers"),),
        sentences=(*document.sentences, *document.deciding),
        tables=(
            Table(
                "How distances between tubes changed", _PAIRS, pairs,
                "below 0: drawn together.", "pairs",
            ),
            Table(
                "Pull at each marker", _PULL, rows, "pulled: more than chance.", "markers"
            ),
        ),
        frame=document.frame,
        facts=(),
        warnings=document.warnings,
        tool_version=document.tool_version,
    )  # fmt: skip


RESULT = Result(BenchFile, _section)
