"""Plots on paper white: the gap along the bar, a part's displacement in three views, a survey.

Each function returns a Matplotlib figure that nobody has drawn yet; files are left to `write`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fitscan.fit.gap import Gap, StraightGap
from fitscan.fit.recheck import CuffShift, Recheck
from fitscan.geometry.rotation import Array
from fitscan.report.page import page, plain, png_of
from fitscan.report.palette import COLOURS, VERDICT_LOOKS
from fitscan.report.words import amount, exaggeration, verdict_counts
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["gap_plot", "png_of", "recheck_plot", "survey_plot"]

_ROOM_SHARE = 0.2
_MOST_ROWS = 18


# ---------------------------------------------------------------- gap


@plain
def gap_plot(gap: Gap, note: str = "") -> Figure:
    """Gap along the bar: the distance of the axes with U and tolerance, and its two parts.

    One column for each straight. Artists carry their meaning as gid: "total", "total U",
    "tolerance", "across", "across U", "out", "out U", "verdict <word>".
    """
    worst = max(gap.stations, key=lambda s: s.total_mm)
    lines = [
        verdict_counts([s.verdict for s in gap.stations], gap.tolerance_mm)
        + f". Bands: expanded uncertainty U (k = 2). Carried over by the {gap.on}'s markers.",
        "Across: along the panel, square to the seat. Out: away from the panel, out of the recess.",
    ]
    figure, (bottom, top) = page(
        f"{gap.bar}: {amount(worst.total_mm, worst.total_expanded_mm, 'mm')} off its seat at worst",
        [*lines, *([note] if note else [])],
        gap.warnings,
        6.2,
    )
    grid = figure.add_gridspec(
        2, len(gap.straights), left=0.09, right=0.97, bottom=bottom + 0.07, top=top - 0.04,
        hspace=0.3, wspace=0.12, height_ratios=(3, 2),
    )  # fmt: skip
    reach = max(s.total_mm + s.total_expanded_mm for s in gap.stations)
    reach = 1.12 * max(reach, gap.tolerance_mm)
    uppers, lowers = [], []
    for column, straight in enumerate(gap.straights):
        upper = figure.add_subplot(grid[0, column])
        lower = figure.add_subplot(grid[1, column])
        _total_panel(upper, straight, gap.tolerance_mm)
        _parts_panel(lower, straight, gap.tolerance_mm)
        upper.set_ylim(0.0, reach)
        parts = [
            abs(v) + u
            for s in gap.stations
            for v, u in ((s.across_mm, s.across_expanded_mm), (s.out_mm, s.out_expanded_mm))
        ]
        most = 1.12 * max(*parts, gap.tolerance_mm)
        lower.set_ylim(-most, most)
        uppers.append(upper)
        lowers.append(lower)
    uppers[0].set_ylabel("distance of the axes, mm")
    lowers[0].set_ylabel("offset of the bar, mm")
    _shared_legend(uppers, 1)
    _shared_legend(lowers, 3)
    return figure


def _shared_legend(panels: list[Axes], columns: int) -> None:
    """One legend, in the first panel, of everything that any of the panels shows."""
    named: dict[str, Artist] = {}
    for axes in panels:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            named.setdefault(label, handle)
    panels[0].legend(list(named.values()), list(named), loc="best", fontsize=8.5, ncols=columns)


def _total_panel(axes: Axes, straight: StraightGap, tolerance_mm: float) -> None:
    along = np.array([s.along_mm for s in straight.stations])
    total = np.array([s.total_mm for s in straight.stations])
    u = np.array([s.total_expanded_mm for s in straight.stations])
    angle = amount(straight.angle_deg, straight.angle_expanded_deg, "deg")
    axes.set_title(f"straight {straight.number}: axes at {angle}", size=10, loc="left")
    _tolerance(axes, 0.0, tolerance_mm)
    axes.fill_between(
        along, np.clip(total - u, 0.0, None), total + u, color="#B8B8B8", linewidth=0,
        label="U (k = 2)", gid="total U",
    )  # fmt: skip
    axes.plot(along, total, color="black", linewidth=1.8, label="total", gid="total")
    axes.errorbar(
        along, total, yerr=(total - np.clip(total - u, 0.0, None), u), fmt="none",
        ecolor="black", elinewidth=1.0, capsize=3.0,
    )  # fmt: skip
    for verdict, look in VERDICT_LOOKS.items():
        rows = [i for i, s in enumerate(straight.stations) if s.verdict is verdict]
        if rows:
            axes.plot(
                along[rows], total[rows], linestyle="none", marker=look.shape, markersize=9.0,
                markerfacecolor=look.colour, markeredgecolor="black", label=verdict.value,
                gid=f"verdict {look.word}", zorder=5,
            )  # fmt: skip
    _finish_along(axes)


def _parts_panel(axes: Axes, straight: StraightGap, tolerance_mm: float) -> None:
    along = np.array([s.along_mm for s in straight.stations])
    _tolerance(axes, -tolerance_mm, tolerance_mm)
    parts = (
        ("across", COLOURS["blue"], "-", "o", [s.across_mm for s in straight.stations],
         [s.across_expanded_mm for s in straight.stations]),
        ("out", COLOURS["vermilion"], "--", "D", [s.out_mm for s in straight.stations],
         [s.out_expanded_mm for s in straight.stations]),
    )  # fmt: skip
    for name, colour, dash, shape, values, expanded in parts:
        value, u = np.array(values), np.array(expanded)
        axes.fill_between(
            along, value - u, value + u, color=colour, alpha=0.25, linewidth=0, gid=f"{name} U"
        )
        axes.plot(
            along, value, color=colour, linestyle=dash, marker=shape, markersize=5.0,
            linewidth=1.8, label=name, gid=name,
        )  # fmt: skip
    axes.axhline(0.0, color="black", linewidth=0.8)
    _finish_along(axes)


def _tolerance(axes: Axes, low: float, high: float) -> None:
    axes.axhspan(
        low, high, facecolor=COLOURS["sky"], alpha=0.22, hatch="..", edgecolor="white",
        linewidth=0, label="tolerance", gid="tolerance", zorder=0,
    )  # fmt: skip
    for limit in {low, high} - {0.0}:
        axes.axhline(limit, color=COLOURS["blue"], linewidth=1.2, linestyle=(0, (6, 3)))


def _finish_along(axes: Axes) -> None:
    axes.set_xlabel("along the seat from its first cuff, mm")
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)


# ---------------------------------------------------------------- recheck


@plain
def recheck_plot(result: Recheck, record: Survey, note: str = "") -> Figure:
    """A part against its record in three views, and how far each marker is off.

    Arrows lead from where a marker is to where it was recorded, longer than true by a factor that
    the plot states; the bars at their heads are U (k = 2) along the axes, longer by the same.
    Artists carry gids: "move", "U", "part", "stayed", "sizes".
    """
    worst = max(result.shifts, key=lambda s: s.size_mm)
    factor = _plot_factor(result)
    lines = [
        *result.sentences[:3],
        f"Arrows and their U bars (k = 2) are drawn {factor:g} times too long and show the way "
        f"to move it back. Aligned on the {result.on}. Axes: {result.axes.frame}.",
    ]
    figure, (bottom, top) = page(
        f"{result.part}: {amount(worst.size_mm, worst.size_expanded_mm, 'mm')} off its record at "
        "worst",
        [*lines, *([note] if note else [])],
        result.warnings,
        8.2,
    )
    grid = figure.add_gridspec(
        2, 2, left=0.1, right=0.97, bottom=bottom + 0.06, top=top - 0.03, hspace=0.22, wspace=0.4
    )
    lines_in_told = _tube_lines(result, record)
    stayed = _stayed_places(result, record)
    known = result.axes.known
    views = (
        (grid[0, 0], "Side (X-Z), seen from the right" if known else "X-Z", 0, 2, 1.0),
        (grid[0, 1], "Across (Y-Z), seen from behind" if known else "Y-Z", 1, 2, -1.0),
        (grid[1, 0], "Plan (X-Y), seen from above" if known else "X-Y", 0, 1, 1.0),
    )
    for place, title, across, up, sense in views:
        axes = figure.add_subplot(place)
        _view_panel(axes, result, lines_in_told, stayed, (across, up), factor)
        axes.set_title(title, size=10, loc="left")
        if sense < 0 and known:
            axes.invert_xaxis()
    _sizes_panel(figure.add_subplot(grid[1, 1]), result)
    return figure


def _plot_factor(result: Recheck) -> float:
    places = np.array([s.place_mm for s in result.shifts])
    extent = float(np.max(np.ptp(places, axis=0))) if len(places) > 1 else 100.0
    largest = max(s.size_mm for s in result.shifts)
    widest = max(float(np.max(s.shift_expanded_mm)) for s in result.shifts)
    return exaggeration(max(largest, widest), _ROOM_SHARE * extent)


def _tube_lines(result: Recheck, record: Survey) -> list[Array]:
    """Axes (2, 3) of the part's straights as recorded, in the told frame."""
    tubes = dict.fromkeys(
        c.tube for c in record.kit.cuff if c.part == result.part and record.has(c.first_id)
    )
    told_from_record = result.axes.car_from_survey
    out = []
    for tube in tubes:
        for straight in straights_of(record, tube):
            ends = np.array([straight.axis.at(v) for v in straight.span])
            out.append(told_from_record.apply(ends))
    return out


def _stayed_places(result: Recheck, record: Survey) -> Array:
    places = [record.poses[record.row(m)].translation for m in result.alignment.used]
    return result.axes.car_from_survey.apply(np.array(places))


def _view_panel(
    axes: Axes,
    result: Recheck,
    tubes: list[Array],
    stayed: Array,
    directions: tuple[int, int],
    factor: float,
) -> None:
    pick = list(directions)
    for line in tubes:
        axes.plot(
            *line[:, pick].T, color="#9A9A9A", linewidth=5.0, solid_capstyle="round", gid="part"
        )
    axes.plot(
        *stayed[:, pick].T, linestyle="none", marker="s", markersize=3.5, color="#5A5A5A",
        gid="stayed", label=f"{result.on}, stayed",
    )  # fmt: skip
    here = np.array([s.place_mm + s.shift_mm for s in result.shifts])[:, pick]
    move = -factor * np.array([s.shift_mm for s in result.shifts])[:, pick]
    u = factor * np.array([s.shift_expanded_mm for s in result.shifts])[:, pick]
    bent = np.array([s.bent for s in result.shifts])
    for rows, colour, label in (
        (~bent, COLOURS["vermilion"], "move this way"),
        (bent, COLOURS["purple"], "bent: did not move with the rest"),
    ):
        if rows.any():
            axes.quiver(
                *here[rows].T, *move[rows].T, angles="xy", scale_units="xy", scale=1.0,
                color=colour, width=0.008, gid="move", label=label, zorder=4,
            )  # fmt: skip
    heads = here + move
    bars = axes.errorbar(
        heads[:, 0],
        heads[:, 1],
        xerr=u[:, 0],
        yerr=u[:, 1],
        fmt="none",
        ecolor="black",
        elinewidth=0.8,
        capsize=2.0,
        zorder=5,
    )
    for bar in bars[2]:
        bar.set_gid("U")
    # Arrows take no part in autoscaling: make room for their heads and bars.
    corners = np.concatenate([heads - u, heads + u, stayed[:, pick], here])
    axes.update_datalim(corners)
    axes.autoscale_view()
    axes.set_aspect("equal", adjustable="datalim")
    names = [f"{'XYZ'[d]}, mm" for d in directions]
    if result.axes.known:
        words = ("X forward, mm", "Y left, mm", "Z up, mm")
        names = [words[d] for d in directions]
    axes.set(xlabel=names[0], ylabel=names[1])
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.4)
    axes.set_axisbelow(True)
    if directions == (0, 2):
        axes.legend(loc="best", fontsize=8)


def _sizes_panel(axes: Axes, result: Recheck) -> None:
    shown = sorted(result.shifts, key=lambda s: s.size_mm)[-_MOST_ROWS:]
    rows = np.arange(len(shown))
    axes.axvspan(
        0.0, result.tolerance_mm, facecolor=COLOURS["sky"], alpha=0.22, hatch="..",
        edgecolor="white", linewidth=0, gid="tolerance", label="tolerance",
    )  # fmt: skip
    axes.axvline(result.tolerance_mm, color=COLOURS["blue"], linewidth=1.2, linestyle=(0, (6, 3)))
    size = np.array([s.size_mm for s in shown])
    u = np.array([s.size_expanded_mm for s in shown])
    axes.errorbar(
        size, rows, xerr=(np.minimum(u, size), u), fmt="none", ecolor="black", capsize=2.5,
        elinewidth=1.0,
    )  # fmt: skip
    for verdict, look in VERDICT_LOOKS.items():
        mine = [i for i, s in enumerate(shown) if s.verdict is verdict]
        if mine:
            axes.plot(
                size[mine], rows[mine], linestyle="none", marker=look.shape, markersize=7.0,
                markerfacecolor=look.colour, markeredgecolor="black", label=verdict.value,
                gid=f"verdict {look.word}", zorder=5,
            )  # fmt: skip
    axes.set_yticks(rows, [_short(s) for s in shown], size=7.5)
    # Room below the last row for the legend, so that it hides nothing.
    axes.set_ylim(-0.5 - 0.34 * max(len(shown), 4), len(shown) - 0.5)
    axes.set_xlim(0.0, 1.08 * max(float(np.max(size + u)), result.tolerance_mm))
    axes.set_xlabel("distance from its record ± U (k = 2), mm")
    left = len(result.shifts) - len(shown)
    axes.set_title("How far each is off" + (f" ({left} smaller not shown)" if left else ""),
                   size=10, loc="left")  # fmt: skip
    axes.grid(visible=True, axis="x", linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)
    axes.legend(loc="lower right", fontsize=8)


def _short(shift: CuffShift) -> str:
    text = shift.label.replace(", straight ", " ").replace(", cuff ", ": ")
    return text if len(text) <= 22 else text[:10] + "…" + text[-11:]


# ---------------------------------------------------------------- survey


@plain
def survey_plot(survey: Survey, note: str = "") -> Figure:
    """How good a survey is: the misfit of each photo, and in how many photos each marker was seen.

    Artists carry gids: "photo rms", "refused", "sights".
    """
    q = survey.quality
    used = [p for p in survey.photos if p.refused is None]
    refused = [p for p in survey.photos if p.refused is not None]
    lines = [
        f"{len(used)} photos used, {len(refused)} refused; {q.squares} squares, redundancy "
        f"{q.redundancy}; corners fit to {q.rms_px:.2f} px rms.",
        f"Scale from {q.scale_source}: lengths are known to U = {200.0 * q.scale_u:.3f} % (k = 2). "
        f"Lens from {q.lens_source}.",
        *(f"Refused: {p.name}: {p.refused}" for p in refused[:4]),
    ]
    if len(refused) > 4:
        lines.append(f"and {len(refused) - 4} more refused, see the table.")
    rows = max(len(used), len(survey.markers), 10)
    heading = f"Survey {survey.name}: {len(survey.markers)} markers"
    body = [*lines, *([note] if note else [])]
    figure, (bottom, top) = page(heading, body, q.warnings, 1.3 + 0.145 * rows)
    # Both lists start at the same height and have rows of the same height.
    tall = float(figure.get_figheight())
    ceiling, room = top - 0.35 / tall, top - bottom - 0.9 / tall
    lists = ((0.2, len(used), _rms_panel), (0.67, len(survey.markers), _sights_panel))
    for left, count, panel in lists:
        height = room * max(count, 4) / rows
        axes = figure.add_axes((left, ceiling - height, 0.3, height))
        panel(axes, survey)
        axes.set_ylim(max(count, 4) - 0.4, -0.6)
    return figure


def _rms_panel(axes: Axes, survey: Survey) -> None:
    used = [p for p in survey.photos if p.refused is None]
    rows = np.arange(len(used))
    bars = axes.barh(rows, [p.rms_px for p in used], color=COLOURS["sky"], edgecolor="black")
    for bar in bars:
        bar.set_gid("photo rms")
    axes.axvline(survey.quality.rms_px, color="black", linestyle="--", linewidth=1.2, label="all")
    axes.set_yticks(rows, [f"{p.name} ({len(p.tags)})" for p in used], size=7.0)
    axes.set_xlabel("misfit of the corners, px rms")
    axes.set_title("Photos (squares measured)", size=10, loc="left")
    axes.legend(loc="lower right", fontsize=8)


def _sights_panel(axes: Axes, survey: Survey) -> None:
    order = sorted(range(len(survey.markers)), key=lambda i: -survey.sights[i])
    rows = np.arange(len(order))
    few = 3
    counts = [survey.sights[i] for i in order]
    colours = [COLOURS["orange"] if n <= few else COLOURS["green"] for n in counts]
    bars = axes.barh(rows, counts, color=colours, edgecolor="black")
    for bar, n in zip(bars, counts, strict=True):
        bar.set_gid("sights")
        if n <= few:
            bar.set_hatch("///")
    names = [f"{survey.markers[i]} {survey.kit.part_of(survey.markers[i])}" for i in order]
    axes.set_yticks(rows, names, size=7.0)
    axes.set_xlabel("photos in which it was measured")
    axes.set_title(f"Markers (hatched: {few} photos or fewer)", size=10, loc="left")
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
