"""A planned bar as a picture: two views with its target, and how far it strays along its length.

Planning is left to `fitscan.make.bar_plan`, the page to `page`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.make.bar_plan import BarPlan
from fitscan.make.bent_line import BentLine
from fitscan.report.page import page, plain, png_of
from fitscan.report.palette import COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["bar_picture", "bar_plot"]


@plain
def bar_plot(plan: BarPlan) -> Figure:
    """Two views and the deviations; artists carry "bar", "target", "deviation", "U" as gid."""
    request, worst = plan.request, plan.worst
    u = "" if worst.expanded_mm is None else f" (U {worst.expanded_mm:.2f} mm)"
    count = len(plan.table.bends)
    figure, (bottom, top) = page(
        f"{request.name}: {count} bend{'' if count == 1 else 's'}, within "
        f"{worst.deviation_mm:.2f} mm{u} of its target",
        plan.sentences,
        request.target.warnings,
        6.6,
    )
    inch = 1.0 / float(figure.get_figheight())
    grid = figure.add_gridspec(
        3, 1, left=0.1, right=0.97, bottom=bottom + 0.5 * inch, top=top - 0.15 * inch,
        hspace=0.42, height_ratios=[1.6, 1.2, 1.3],
    )  # fmt: skip
    line = BentLine.through(plan.apexes, request.bender.clr_mm)
    points = np.array([s.target_mm for s in plan.stations])
    across = _across(plan.apexes, points)
    flat_bar, flat_target = line.sampled(5.0) @ across.T, points @ across.T
    origin = flat_bar[0]
    for row, (axis, words) in enumerate(((1, "in its widest plane"), (2, "square to that"))):
        axes = figure.add_subplot(grid[row])
        axes.plot(
            flat_bar[:, 0] - origin[0], flat_bar[:, axis] - origin[axis], color="black",
            linewidth=2.4, label="axis of the bar", gid="bar",
        )  # fmt: skip
        axes.plot(
            flat_target[:, 0] - origin[0], flat_target[:, axis] - origin[axis], linestyle="none",
            marker="o", markersize=5.0, markerfacecolor=COLOURS["sky"], markeredgecolor="black",
            label="target", gid="target",
        )  # fmt: skip
        axes.set_aspect("equal", adjustable="datalim")
        axes.set_ylabel(f"mm, {words}")
        axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.5)
    figure.axes[0].legend(loc="best", fontsize=8.5)
    _deviations(figure.add_subplot(grid[2]), plan)
    return figure


def _across(apexes: Array, points: Array) -> Array:
    """Axes (3, 3): from the bar's start to its end, across in its widest plane, square to both."""
    run = apexes[-1] - apexes[0]
    x = run / np.linalg.norm(run)
    every = np.vstack([apexes, points]) - apexes[0]
    aside = every - np.outer(every @ x, x)
    _, _, axes = np.linalg.svd(aside - aside.mean(axis=0), full_matrices=False)
    y = axes[0] - (axes[0] @ x) * x
    y = y / np.linalg.norm(y)
    return np.stack([x, y, np.cross(x, y)])


def _deviations(axes: Axes, plan: BarPlan) -> None:
    at = np.array([s.at_mm for s in plan.stations])
    size = np.array([s.deviation_mm for s in plan.stations])
    u = np.array([s.expanded_mm or 0.0 for s in plan.stations])
    axes.vlines(at, 0.0, size, color="#9A9A9A", linewidth=3.0)
    axes.plot(
        at, size, linestyle="none", marker="o", markersize=5.0, color="black", gid="deviation",
        label="target off the bar's axis",
    )  # fmt: skip
    if u.any():
        axes.errorbar(
            at, size, yerr=u, fmt="none", ecolor="black", elinewidth=1.0, capsize=3.0,
            label="U (k = 2)", gid="U",
        )  # fmt: skip
    starts = [*plan.table.starts_mm]
    for n, (start, bend) in enumerate(zip(starts, plan.table.bends, strict=True)):
        end = start + plan.request.bender.clr_mm * bend.bend_rad
        axes.axvspan(
            start, end, facecolor=COLOURS["yellow"], alpha=0.35, hatch="//", edgecolor="white",
            linewidth=0, label="bend" if n == 0 else None,
        )  # fmt: skip
    spare = 0.015 * plan.table.developed_mm
    axes.set_xlim(-spare, plan.table.developed_mm + spare)
    axes.set_ylim(0.0, 1.25 * max(float(np.max(size + u)), 0.05))
    axes.set_xlabel("along the bar from its start, mm")
    axes.set_ylabel("off, mm")
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.5)
    axes.legend(loc="best", fontsize=8.5, ncols=3)


def bar_picture(plan: BarPlan) -> bytes:
    """The picture as PNG."""
    return png_of(bar_plot(plan))
