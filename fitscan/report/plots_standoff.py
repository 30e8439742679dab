"""A bar's stand-off along the bar or contour as a plot: the judged number with U, and its parts.

Numbers come from `fitscan.fit`, files are left to `write_standoff`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fitscan.fit.gap_standoff import Against, Standoff
from fitscan.report.overlay_standoff import standoff_heading
from fitscan.report.page import page, plain
from fitscan.report.palette import COLOURS, VERDICT_LOOKS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["standoff_plot"]

_MOST_SENTENCES = 6


@plain
def standoff_plot(result: Standoff, note: str = "") -> Figure:
    """Clearance or offset along the way, and across and out where they are told.

    Artists carry their meaning as gid: "judged", "judged U", "tolerance", "fouled", "across",
    "across U", "out", "out U", "verdict <word>".
    """
    parts = result.stations[0].across_mm is not None
    lines = [f"{s}." for s in result.sentences[:_MOST_SENTENCES]]
    figure, (bottom, top) = page(
        standoff_heading(result),
        [*lines, *([note] if note else [])],
        result.warnings,
        6.2 if parts else 4.2,
    )
    ratios = (3, 2) if parts else (1,)
    inch = 1.0 / float(figure.get_figheight())
    grid = figure.add_gridspec(
        len(ratios), 1, left=0.09, right=0.97, bottom=bottom + 0.55 * inch,
        top=top - 0.2 * inch, hspace=0.3, height_ratios=ratios,
    )  # fmt: skip
    _judged_panel(figure.add_subplot(grid[0]), result)
    if parts:
        _parts_panel(figure.add_subplot(grid[1]), result)
    return figure


def _judged_panel(axes: Axes, result: Standoff) -> None:
    along = np.array([s.along_mm for s in result.stations])
    centred = result.against is Against.CENTRE
    if centred:
        value = np.array([s.value_mm for s in result.stations])
        u = np.array([s.expanded_mm for s in result.stations])
        low, high = 0.0, result.tolerance_mm
    else:
        value = np.array([s.clearance_mm for s in result.stations], dtype=np.float64)
        u = np.array([s.clearance_expanded_mm for s in result.stations], dtype=np.float64)
        wanted = result.standoff_mm
        low = (wanted or 0.0) - result.tolerance_mm
        high = (wanted or 0.0) + result.tolerance_mm
    floor = min(float(np.min(value - u)), low if result.standoff_mm is not None else 0.0, 0.0)
    ceiling = max(float(np.max(value + u)), high if result.standoff_mm is not None else 0.0)
    reach = 0.12 * (ceiling - floor + 0.1)
    if result.standoff_mm is not None:
        axes.axhspan(
            low, high, facecolor=COLOURS["sky"], alpha=0.22, hatch="..", edgecolor="white",
            linewidth=0, label="tolerance", gid="tolerance", zorder=0,
        )  # fmt: skip
        for limit in {low, high} - ({0.0} if centred else set()):
            axes.axhline(limit, color=COLOURS["blue"], linewidth=1.2, linestyle=(0, (6, 3)))
    if not centred and floor < 0.0:
        axes.axhspan(
            floor - reach, 0.0, facecolor=COLOURS["vermilion"], alpha=0.15, hatch="//",
            edgecolor="white", linewidth=0, label="fouled", gid="fouled", zorder=0,
        )  # fmt: skip
    axes.axhline(0.0, color="black", linewidth=1.0)
    bars = axes.errorbar(
        along, value, yerr=u, fmt="none", ecolor="black", elinewidth=1.2, capsize=3.0,
        label="U (k = 2)",
    )  # fmt: skip
    for bar in bars[2]:
        bar.set_gid("judged U")
    axes.plot(along, value, color="black", linewidth=1.0, linestyle=":", gid="judged")
    for verdict, look in VERDICT_LOOKS.items():
        rows = [i for i, s in enumerate(result.stations) if s.verdict is verdict]
        if rows:
            axes.plot(
                along[rows], value[rows], linestyle="none", marker=look.shape, markersize=9.0,
                markerfacecolor=look.colour, markeredgecolor="black", label=verdict.value,
                gid=f"verdict {look.word}", zorder=5,
            )  # fmt: skip
    # A line that was only pointed at has no place on the page where nothing fouls.
    axes.set_ylim(0.0 if centred else floor - reach, ceiling + reach)
    axes.set_ylabel("off where it shall be, mm" if centred else "clearance of the bar, mm")
    _finish(axes, result, legend=True)


def _parts_panel(axes: Axes, result: Standoff) -> None:
    along = np.array([s.along_mm for s in result.stations])
    for name, colour, dash, shape, values, expanded in (
        ("across", COLOURS["blue"], "-", "o", [s.across_mm for s in result.stations],
         [s.across_expanded_mm for s in result.stations]),
        ("out", COLOURS["vermilion"], "--", "D", [s.out_mm for s in result.stations],
         [s.out_expanded_mm for s in result.stations]),
    ):  # fmt: skip
        value = np.array(values, dtype=np.float64)
        u = np.array(expanded, dtype=np.float64)
        axes.fill_between(
            along, value - u, value + u, color=colour, alpha=0.25, linewidth=0, gid=f"{name} U"
        )
        axes.plot(
            along, value, color=colour, linestyle=dash, marker=shape, markersize=5.0,
            linewidth=1.8, label=name, gid=name,
        )  # fmt: skip
    axes.axhline(0.0, color="black", linewidth=0.8)
    axes.set_ylabel("offset of the axis, mm")
    _finish(axes, result, legend=True)


def _finish(axes: Axes, result: Standoff, *, legend: bool) -> None:
    scan = result.against is Against.SCAN
    axes.set_xlabel(
        "along the bar from its first cuff's end, mm"
        if scan
        else "along the contour from its first pointer, mm"
    )
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)
    if legend:
        axes.legend(loc="best", fontsize=8.5, ncols=2)
