"""A door's sweep as tables for the screen, no wider than 80 characters.

Computing is left to `fitscan.fit.sweep`; printing to the command line.
"""

from __future__ import annotations

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from fitscan.fit.sweep import DoorAngle, Sweep
from fitscan.report.pieces import (
    ending,
    heading,
    number_table,
    sentences_of,
    signed,
    titled,
    verdict_text,
)

__all__ = ["shown_angles", "sweep_table"]

_MOST_ROWS = 14


def sweep_table(sweep: Sweep) -> RenderableType:
    """Sentences, clearance by door angle, positions, warnings, caution."""
    parts: list[RenderableType] = [heading(f"{sweep.bar} and the {sweep.hinge.door} as it shuts")]
    parts += sentences_of([*sweep.sentences, *sweep.deciding])
    table = number_table(("open deg", "clearance", "U", "nearest", "verdict"))
    for a in shown_angles(sweep):
        table.add_row(
            f"{a.open_deg:.1f}",
            *signed(a.clearance_mm, a.expanded_mm),
            Text(a.obstacle[:30]),
            verdict_text(a.verdict),
        )
    title = "smallest clearance at each door angle, mm, below 0 where they overlap; U with k = 2"
    parts.append(titled(title, table))
    hidden = len(sweep.angles) - len(shown_angles(sweep))
    if hidden > 0:
        parts.append(Text(f"and {hidden} door angles more, see the result's file and plot."))
    places = number_table(("survey", "open deg", "U deg", "slid mm", "U mm"))
    hinge = sweep.hinge
    for (name, angle, u), slid, v in zip(
        sweep.positions, hinge.slides_mm, hinge.slides_expanded_mm, strict=True
    ):
        places.add_row(Text(name), *signed(angle, u, 3), *signed(float(slid), float(v)))
    parts.append(titled("positions of the door; slid: along the axis, against the first", places))
    return Group(*parts, *ending(sweep.warnings))


def shown_angles(sweep: Sweep) -> list[DoorAngle]:
    """The tightest angle, those near it, and some on the way to open."""
    size = np.array([a.clearance_mm for a in sweep.angles])
    order = np.argsort(size)[: _MOST_ROWS // 2].tolist()
    spread = np.linspace(0, len(size) - 1, _MOST_ROWS - len(order)).astype(int).tolist()
    return [sweep.angles[i] for i in sorted({*order, *spread})]
