"""A door's sweep as a plot on paper white: clearance by door angle, and the way past the bar.

Computing is left to `fitscan.fit.sweep`, the page to `page`, choosing a file to the caller.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fitscan.fit.sweep import Sweep
from fitscan.geometry.line import two_normals
from fitscan.geometry.rotation import Array, exp
from fitscan.report.page import page, plain, png_of
from fitscan.report.palette import COLOURS, VERDICT_LOOKS
from fitscan.store.atomic import write_new

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["sweep_plot", "write_sweep_plot"]

_FAR_MM = 60.0
"""The plot of clearances ends some way above what is wanted: further off nothing is tight."""


@plain
def sweep_plot(sweep: Sweep, note: str = "") -> Figure:
    """Clearance against door angle with U, and below it the view along the hinge.

    Artists carry their meaning as gid: "clearance", "U", "wanted", "overlap", "tightest", "way",
    "bar", "hinge".
    """
    t = sweep.tightest
    lines = [f"{s}." for s in (*sweep.sentences[:3], *sweep.deciding)]
    figure, (bottom, top) = page(
        f"{sweep.bar} past the {sweep.hinge.door}: {sweep.headline} at the tightest, "
        f"{t.open_deg:.1f} deg open",
        [*lines, *([note] if note else [])],
        sweep.warnings,
        8.4,
    )
    grid = figure.add_gridspec(
        2, 1, left=0.1, right=0.96, bottom=bottom + 0.06, top=top - 0.03, hspace=0.28,
        height_ratios=(1, 1.15),
    )  # fmt: skip
    _clearances(figure.add_subplot(grid[0, 0]), sweep)
    _along_hinge(figure.add_subplot(grid[1, 0]), sweep)
    return figure


def _clearances(axes: Axes, sweep: Sweep) -> None:
    angle = np.array([a.open_deg for a in sweep.angles])
    value = np.array([a.clearance_mm for a in sweep.angles])
    u = np.array([a.expanded_mm for a in sweep.angles])
    axes.fill_between(
        angle, value - u, value + u, color="#B8B8B8", linewidth=0, label="U (k = 2)", gid="U"
    )
    axes.plot(angle, value, color="black", linewidth=1.8, label="clearance", gid="clearance")
    for verdict, look in VERDICT_LOOKS.items():
        rows = [i for i, a in enumerate(sweep.angles) if a.verdict is verdict]
        if rows:
            axes.plot(
                angle[rows], value[rows], linestyle="none", marker=look.shape, markersize=6.0,
                markerfacecolor=look.colour, markeredgecolor="black", label=_WORDS[look.word],
                gid=f"verdict {look.word}", zorder=5,
            )  # fmt: skip
    low = min(float(np.min(value - u)), 0.0) - 2.0
    high = max(sweep.wanted_mm + _FAR_MM, sweep.tightest.clearance_mm + _FAR_MM)
    high = min(high, float(np.max(value + u)) * 1.05 + 1.0)
    axes.axhspan(
        low, 0.0, facecolor=COLOURS["vermilion"], alpha=0.18, hatch="//", edgecolor="white",
        linewidth=0, label="they overlap", gid="overlap", zorder=0,
    )  # fmt: skip
    axes.axhline(
        sweep.wanted_mm, color=COLOURS["blue"], linewidth=1.4, linestyle=(0, (6, 3)),
        label=f"wanted: {sweep.wanted_mm:g} mm", gid="wanted",
    )  # fmt: skip
    t = sweep.tightest
    axes.annotate(
        f"{t.clearance_mm:.2f} mm\n{t.obstacle}", (t.open_deg, t.clearance_mm), xytext=(30, 60),
        textcoords="offset points", fontsize=8.5, arrowprops={"arrowstyle": "->"},
        parse_math=False, gid="tightest",
    )  # fmt: skip
    axes.set_ylim(low, high)
    shown = angle[value - u <= high]
    axes.set_xlim(-0.02 * max(float(shown.max()), 1.0), 1.02 * max(float(shown.max()), 1.0))
    axes.set_title("Smallest clearance while the door shuts (shut is left)", size=10, loc="left")
    axes.set_xlabel("door open, deg")
    axes.set_ylabel("clearance, mm")
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)
    axes.legend(loc="lower right", fontsize=8.5, ncols=2)


_WORDS = {"in": "kept, proven", "open": "cannot be decided", "OUT": "not kept, proven"}


def _along_hinge(axes: Axes, sweep: Sweep) -> None:
    """Seen along the hinge: the bar, the hinge, and the ways of the points that come near."""
    line = sweep.axis
    flat = _view(sweep)
    for ends in sweep.bar_line.reshape(-1, 2, 3):
        axes.plot(
            *flat(ends).T, color="#9A9A9A", linewidth=5.0, solid_capstyle="round", gid="bar"
        )  # fmt: skip
    axes.plot([], [], color="#9A9A9A", linewidth=5.0, label=sweep.bar)
    axes.plot(*flat(sweep.door_points).T, linestyle="none", marker=".", markersize=4,
              color="#5A5A5A", label=f"{sweep.hinge.door}, shut", gid="door")  # fmt: skip
    hinge = flat(line.point[None])[0]
    axes.plot(*hinge, marker="+", markersize=14, color="black", linestyle="none", label="hinge",
              gid="hinge")  # fmt: skip
    widest = max(a.open_deg for a in sweep.angles)
    looks = zip(("vermilion", "blue", "green", "purple"), ("-", "--", "-.", ":"), strict=True)
    for name, (colour, dash) in zip(_nearest_names(sweep), looks, strict=False):
        row = next(a for a in sweep.angles if a.obstacle == name)
        turns = np.radians(np.linspace(0.0, widest, 60) - row.open_deg)
        way = line.point + exp(turns[:, None] * line.direction) @ (row.door_mm - line.point)
        axes.plot(*flat(way).T, color=COLOURS[colour], linestyle=dash, linewidth=1.6,
                  label=name, gid="way")  # fmt: skip
    t = sweep.tightest
    both = flat(np.array([t.door_mm, t.bar_mm]))
    axes.plot(*both.T, color="black", linewidth=1.2, zorder=6)
    axes.plot(*both[0], marker="o", markersize=8, markerfacecolor="none", markeredgecolor="black",
              linestyle="none", label="tightest place", zorder=6)  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.08)
    axes.set_title("Seen along the hinge: ways of what comes nearest", size=10, loc="left")
    axes.set_xlabel("from the hinge along the bar, mm")
    axes.set_ylabel("square to it, mm")
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.4)
    axes.set_axisbelow(True)
    axes.legend(loc="best", fontsize=8)


def _nearest_names(sweep: Sweep) -> list[str]:
    """What comes nearest at any door angle, the tightest first."""
    ordered = sorted(sweep.angles, key=lambda a: a.clearance_mm)
    return list(dict.fromkeys(a.obstacle for a in ordered))


class _view:  # noqa: N801  - a function with a memory
    """Points in the told frame to the plane square to the hinge, the bar along +x."""

    def __init__(self, sweep: Sweep) -> None:
        line = sweep.axis
        normals = two_normals(line.direction)
        t = sweep.tightest
        flat = (sweep.bar_line - line.point) @ normals.T
        ends = flat[[int(np.argmin(np.linalg.norm(flat, axis=1))),
                     int(np.argmax(np.linalg.norm(flat, axis=1)))]]  # fmt: skip
        ahead = ends[1] - ends[0]
        ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-9)
        self._rows = np.stack([ahead, [-ahead[1], ahead[0]]]) @ normals
        # The open door is drawn above the bar.
        opened = exp(np.radians(20.0) * line.direction) @ (t.door_mm - line.point)
        if (self._rows @ (opened - (t.door_mm - line.point)))[1] < 0.0:
            self._rows = self._rows * np.array([[1.0], [-1.0]])
        self._point = line.point

    def __call__(self, points: Array) -> Array:
        return np.asarray((points - self._point) @ self._rows.T)


def write_sweep_plot(sweep: Sweep, out_stem: Path, *, replace: bool = False) -> Path:
    """Plot a sweep into "<stem>-plot.png".

    Raises:
        InputError: the file exists already and may not be replaced.
        EnvironmentProblem: the disk is full or may not be written.
    """
    path = out_stem.with_name(out_stem.name + "-plot.png")
    write_new(path, png_of(sweep_plot(sweep)), replace=replace)
    return path
