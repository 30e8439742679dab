"""A bar's stand-off as a table for the screen.

What the numbers are is left to `fitscan.fit`.
"""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.text import Text

from fitscan.fit.gap_standoff import Against, Standoff
from fitscan.report.pieces import (
    ending,
    heading,
    number_table,
    sentences_of,
    signed,
    titled,
    verdict_text,
)

__all__ = ["standoff_table"]


def standoff_table(result: Standoff) -> RenderableType:
    """A stand-off: sentences, stations, warnings, caution."""
    parts: list[RenderableType] = [heading(f"{result.bar} against {result.target}")]
    parts += sentences_of(result.sentences)
    scan = result.against is Against.SCAN
    centred = result.against is Against.CENTRE
    columns = ["along"]
    columns += [] if scan else ["across", "U", "out", "U"]
    columns += ["off", "U"] if centred else ["clear", "U"]
    table = number_table((*columns, "verdict"))
    for s in result.stations:
        cells = [f"{s.along_mm:.0f}"]
        for value, u in (
            () if scan else ((s.across_mm, s.across_expanded_mm), (s.out_mm, s.out_expanded_mm))
        ):
            cells += signed(value or 0.0, u or 0.0)
        if centred:
            cells += [f"{s.value_mm:.2f}", f"{s.expanded_mm:.2f}"]
        else:
            cells += signed(s.clearance_mm or 0.0, s.clearance_expanded_mm or 0.0)
        table.add_row(*cells, verdict_text(s.verdict))
    wanted = "clear of it"
    if result.standoff_mm is not None:
        wanted = f"{result.standoff_mm:g} ± {result.tolerance_mm:g} mm"
    parts.append(titled(f"wanted: {wanted}; all in mm, U with k = 2", table))
    parts.append(Text(_KEY[result.against]))
    if result.chain.steps:
        steps = "; ".join(
            f"{s.a} to {s.b} on {len(s.alignment.used)} markers of the {s.part}"
            for s in result.chain.steps
        )
        parts.append(Text(f"Brought together: {steps}."))
    else:
        parts.append(Text("Both were measured in one survey: nothing had to be brought together."))
    for loop in result.loops:
        if loop.closes:
            way = " - ".join(loop.way)
            parts.append(
                Text(f"The way {way} closes to {loop.size_mm:.2f} mm (U {loop.expanded_mm:.2f}).")
            )
    return Group(*parts, *ending(result.warnings))


_KEY = {
    Against.SCAN: "along: along the bar; clear: from the bar's outside to the scan, negative "
    "where it fouls. A station stands for its length of bar, at its tightest place.",
    Against.LIP: "along: from the lip's first pointer; clear: from the bar's outside to the lip, "
    "negative where it fouls; across and out: of the bar's axis from the lip.",
    Against.CENTRE: "along: from the first pointer; across: between the lips; out: out of the "
    "recess; off: distance of the bar's axis from where it shall be.",
}
