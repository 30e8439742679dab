"""What the sections of several kinds share: how surveys were brought together, tables of readings.

What a kind tells beyond that is left to its own module.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from fitscan.fit.angle_file import ReadingRow
from fitscan.fit.result_file import AlignmentRow
from fitscan.fit.verdict import Verdict
from fitscan.make.bends_file import BendRow
from fitscan.make.quantity import QuantityRow
from fitscan.report.section import Column, Judged, Measured, Table
from fitscan.report.words import amount

__all__ = [
    "aligned_facts",
    "bend_tables",
    "frame_survey",
    "measured_tables",
    "reading_tables",
    "readings_judged",
]

_READINGS = (
    Column("number", "number"),
    Column("value", "value"),
    Column("unit", "unit"),
    Column("wanted", "wanted"),
    Column("verdict", "verdict"),
)

_BENDS = (
    Column("bend", "bend"),
    Column("feed", "feed_mm", "mm", 2),
    Column("turn", "turn_deg", "deg", 2),
    Column("angle", "bend_deg", "deg", 2),
    Column("set", "set_deg", "deg", 2),
    Column("starts at", "start_mm", "mm", 2),
    Column("arc", "arc_mm", "mm", 2),
)
_POINTS = (
    Column("point", "point"),
    Column("X", "x_mm", "mm", 2),
    Column("Y", "y_mm", "mm", 2),
    Column("Z", "z_mm", "mm", 2),
)
_MEASURED = (Column("measured", "measured"), Column("value", "value"))


def aligned_facts(alignment: AlignmentRow, on: str) -> tuple[tuple[str, str], ...]:
    """How two surveys were brought together, and which markers were left out of it."""
    facts = [
        (
            "brought together on",
            f"{len(alignment.used)} markers of the {on}: "
            + ", ".join(str(m) for m in alignment.used),
        ),
        (
            "do they agree",
            f"congruency test {alignment.congruency_statistic:.2f}, "
            f"whose limit is {alignment.congruency_critical:.2f}",
        ),
    ]
    facts += [
        (
            f"marker {m.marker_id}",
            "moved by "
            + amount(float(np.linalg.norm(m.shift_mm)), m.shift_U_mm, "mm")
            + " between the shoots and was left out",
        )
        for m in alignment.moved
    ]
    return tuple(facts)


def frame_survey(frame: str) -> tuple[str, ...]:
    """Name of the survey whose own frame this is."""
    head, _, name = frame.partition(" ")
    return (name,) if head == "survey" and name else ()


def readings_judged(rows: Sequence[ReadingRow]) -> tuple[Judged, ...]:
    """Verdicts of the readings, by what they were held to."""
    out = []
    judged = [r for r in rows if r.verdict is not None]
    for unit in dict.fromkeys(r.unit for r in judged):
        mine = [r for r in judged if r.unit == unit]
        limits = sorted({r.tolerance for r in mine if r.tolerance is not None})
        words = " and ".join(f"± {limit:g} {unit}" for limit in limits)
        verdicts = tuple(Verdict(r.verdict) for r in mine)
        out.append(Judged(words, verdicts, "number" if len(mine) == 1 else "numbers"))
    return tuple(out)


def reading_tables(rows: Sequence[ReadingRow]) -> tuple[Table, ...]:
    """One table for each thing and what it was held against."""
    tables = []
    for (subject, against), some in groupby(rows, key=lambda r: (r.subject, r.against)):
        cells = tuple(
            (
                r.name,
                Measured(r.value, r.U),
                r.unit,
                None if r.wanted is None else f"{r.wanted:g} ± {r.tolerance:g}",
                None if r.verdict is None else Verdict(r.verdict),
            )
            for r in some
        )
        tables.append(Table(f"{subject}, against {against}", _READINGS, cells, key=subject))
    return tuple(tables)


def bend_tables(
    bends: Sequence[BendRow], points: Sequence[tuple[float, float, float]]
) -> tuple[Table, ...]:
    """Rows for the bender, and the points: start, apexes, end."""
    last = len(points) - 1
    rows = tuple(
        (n, b.feed_mm, b.turn_deg, b.bend_deg, b.set_deg, b.start_mm, b.arc_mm)
        for n, b in enumerate(bends, 1)
    )
    named = tuple(
        ("start" if n == 0 else "end" if n == last else f"apex {n}", *p)
        for n, p in enumerate(points)
    )
    return (
        Table("For the bender", _BENDS, rows, key="bender"),
        Table("Points", _POINTS, named, key="points"),
    )


def measured_tables(rows: Sequence[QuantityRow]) -> tuple[Table, ...]:
    """What was measured in the survey for something to be made; nothing where all was typed."""
    if not rows:
        return ()
    cells = tuple((q.name, Measured(q.value, q.expanded, q.unit)) for q in rows)
    return (Table("Measured in the survey, U with k = 2", _MEASURED, cells, key="measured"),)
