"""What the welds have pulled, as a plot on paper white: three views, and distances that changed.

Computing is left to `fitscan.fit.bench`, the page to `page`, choosing a file to the caller.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fitscan.fit.bench import Bench, PairChange, told_pairs
from fitscan.geometry.rotation import Array
from fitscan.report.page import page, plain, png_of
from fitscan.report.palette import COLOURS, VERDICT_LOOKS
from fitscan.report.words import exaggeration
from fitscan.shape.straight import straights_of
from fitscan.store.atomic import write_new
from fitscan.survey.survey import Survey

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["bench_plot", "write_bench_plot"]

_ROOM_SHARE = 0.2
_MOST_PAIRS = 10


@plain
def bench_plot(bench: Bench, record: Survey, note: str = "") -> Figure:
    """The pull at each marker in three views, and the distances that changed most.

    Arrows lead from where a marker was to where it was pulled, longer than true by a factor that
    the plot states; the bars at their heads are U (k = 2), longer by the same. Artists carry gids:
    "pull", "U", "part", "pair", "change", "tolerance", "verdict <word>".
    """
    worst = max(bench.shifts, key=lambda s: s.left_size_mm)
    factor = _factor(bench)
    lines = [f"{s}." for s in (*bench.sentences[:4], *bench.deciding[:1])]
    lines.append(
        f"Arrows show the way it was pulled; they and their U bars (k = 2) are drawn {factor:g} "
        f"times too long. Axes: {bench.axes.frame}."
    )
    figure, (bottom, top) = page(
        f"{bench.part} on the bench: pulled by {worst.left_size_mm:.2f} mm "
        f"(U {worst.size_expanded_mm:.2f} mm) at worst",
        [*lines, *([note] if note else [])],
        bench.warnings,
        8.2,
    )
    grid = figure.add_gridspec(
        2, 2, left=0.1, right=0.97, bottom=bottom + 0.06, top=top - 0.03, hspace=0.24, wspace=0.45
    )
    tubes = _tube_lines(bench, record)
    known = bench.axes.known
    views = (
        (grid[0, 0], "Side (X-Z), seen from the right" if known else "X-Z", (0, 2)),
        (grid[0, 1], "Across (Y-Z), seen from behind" if known else "Y-Z", (1, 2)),
        (grid[1, 0], "Plan (X-Y), seen from above" if known else "X-Y", (0, 1)),
    )
    for place, title, pick in views:
        axes = figure.add_subplot(place)
        _view(axes, bench, tubes, pick, factor)
        axes.set_title(title, size=10, loc="left")
        if pick == (1, 2) and known:
            axes.invert_xaxis()
    _distances(figure.add_subplot(grid[1, 1]), bench)
    return figure


def _factor(bench: Bench) -> float:
    places = np.array([s.place_mm for s in bench.shifts])
    extent = float(np.max(np.ptp(places, axis=0)))
    largest = max(s.left_size_mm for s in bench.shifts)
    widest = max(float(np.max(s.left_expanded_mm)) for s in bench.shifts)
    return exaggeration(max(largest, widest), _ROOM_SHARE * extent)


def _tube_lines(bench: Bench, record: Survey) -> list[Array]:
    """Axes (2, 3) of the part's straights as recorded, in the told frame."""
    tubes = dict.fromkeys(
        c.tube for c in record.kit.cuff if c.part == bench.part and record.has(c.first_id)
    )
    told = bench.axes.car_from_survey
    return [
        told.apply(np.array([s.axis.at(v) for v in s.span]))
        for tube in tubes
        for s in straights_of(record, tube)
    ]


def _view(
    axes: Axes, bench: Bench, tubes: list[Array], pick: tuple[int, int], factor: float
) -> None:
    way = list(pick)
    for line in tubes:
        axes.plot(
            *line[:, way].T, color="#9A9A9A", linewidth=5.0, solid_capstyle="round", gid="part"
        )  # fmt: skip
    places = {s.marker_id: s.place_mm[way] for s in bench.shifts}
    for p in told_pairs(bench.pairs):
        ends = np.array([places[c] for c in p.cuffs])
        axes.plot(*ends.T, color=COLOURS["blue"], linewidth=1.2, linestyle=":", gid="pair")
    here = np.array([s.place_mm for s in bench.shifts])[:, way]
    pull = factor * np.array([s.left_mm for s in bench.shifts])[:, way]
    u = factor * np.array([s.left_expanded_mm for s in bench.shifts])[:, way]
    proven = np.array([s.bent for s in bench.shifts])
    for rows, colour, label in (
        (proven, COLOURS["vermilion"], "pulled, proven"),
        (~proven, COLOURS["green"], "within chance"),
    ):
        if rows.any():
            axes.quiver(
                *here[rows].T, *pull[rows].T, angles="xy", scale_units="xy", scale=1.0,
                color=colour, width=0.008, gid="pull", label=label, zorder=4,
            )  # fmt: skip
    heads = here + pull
    bars = axes.errorbar(
        heads[:, 0], heads[:, 1], xerr=u[:, 0], yerr=u[:, 1], fmt="none", ecolor="black",
        elinewidth=0.8, capsize=2.0, zorder=5,
    )  # fmt: skip
    for bar in bars[2]:
        bar.set_gid("U")
    axes.update_datalim(np.concatenate([heads - u, heads + u, here]))
    axes.autoscale_view()
    axes.set_aspect("equal", adjustable="datalim")
    words = ("X forward, mm", "Y left, mm", "Z up, mm")
    names = [words[d] if bench.axes.known else f"{'XYZ'[d]}, mm" for d in pick]
    axes.set(xlabel=names[0], ylabel=names[1])
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.4)
    axes.set_axisbelow(True)
    if pick == (0, 2):
        axes.legend(loc="best", fontsize=8)


def _distances(axes: Axes, bench: Bench) -> None:
    shown = list(bench.pairs[:_MOST_PAIRS])[::-1]
    axes.set_title("Distances between tubes, now less record", size=10, loc="left")
    if not shown:
        axes.axis("off")
        return
    rows = np.arange(len(shown))
    change = np.array([p.change_mm for p in shown])
    u = np.array([p.expanded_mm for p in shown])
    limit = bench.tolerance_mm
    axes.axvspan(
        -limit, limit, facecolor=COLOURS["sky"], alpha=0.22, hatch="..", edgecolor="white",
        linewidth=0, gid="tolerance", label="tolerance",
    )  # fmt: skip
    axes.axvline(0.0, color="black", linewidth=0.8)
    axes.errorbar(change, rows, xerr=u, fmt="none", ecolor="black", capsize=2.5, elinewidth=1.0)
    for verdict, look in VERDICT_LOOKS.items():
        mine = [i for i, p in enumerate(shown) if p.verdict is verdict]
        if mine:
            axes.plot(
                change[mine], rows[mine], linestyle="none", marker=look.shape, markersize=7.0,
                markerfacecolor=look.colour, markeredgecolor="black", label=verdict.value,
                gid=f"verdict {look.word}", zorder=5,
            )  # fmt: skip
    axes.set_yticks(rows, [_short(p) for p in shown], size=7.0)
    axes.set_ylim(-0.5 - 0.34 * max(len(shown), 4), len(shown) - 0.5)
    reach = 1.15 * max(float(np.max(np.abs(change) + u)), 1e-3)
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("change ± U (k = 2), mm; left: drawn together")
    axes.grid(visible=True, axis="x", linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)
    axes.legend(loc="lower right", fontsize=8)


def _short(p: PairChange) -> str:
    names = [n.replace(", straight ", " ") for n in (p.first, p.second)]
    cut = [n if len(n) <= 14 else n[:9] + "…" + n[-3:] for n in names]
    return f"{cut[0]} to\n{cut[1]}"


def write_bench_plot(
    bench: Bench, record: Survey, out_stem: Path, *, replace: bool = False
) -> Path:
    """Plot the pull into "<stem>-plot.png".

    Raises:
        InputError: the file exists already and may not be replaced.
        EnvironmentProblem: the disk is full or may not be written.
    """
    path = out_stem.with_name(out_stem.name + "-plot.png")
    write_new(path, png_of(bench_plot(bench, record)), replace=replace)
    return path
