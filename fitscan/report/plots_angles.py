"""Angles and tubes as a picture: the straights in two views, and what was judged with U.

Computing is left to `fitscan.fit`, the page to `page`, choosing a file to the caller.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fitscan.fit.reading import Reading, Told
from fitscan.geometry.rotation import Array
from fitscan.report.page import page, plain, png_of
from fitscan.report.palette import COLOURS, VERDICT_LOOKS
from fitscan.report.words import amount
from fitscan.store.atomic import write_new

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.gridspec import GridSpec

__all__ = ["angles_plot", "write_angles_plot"]

_MOST_SENTENCES = 8
_NAME_LETTERS = 44


@plain
def angles_plot(angles: Told, note: str = "") -> Figure:
    """The straights from the side and from behind, and below how far each number is from wanted.

    Numbers of which nothing is wanted are written out with U. Artists carry their meaning as gid:
    "tube", "U", "tolerance", "verdict <word>", "unjudged".
    """
    judged = [r for r in angles.readings if r.verdict is not None]
    others = [r for r in angles.readings if r.verdict is None]
    panels = [rows for unit in ("deg", "mm") if (rows := [r for r in judged if r.unit == unit])]
    heights = [3.6, *(0.7 + 0.34 * len(rows) for rows in panels)]
    if others:
        heights.append(0.5 + 0.24 * len(others))
    lines = [f"{s}." for s in angles.sentences[:_MOST_SENTENCES]]
    if len(angles.sentences) > _MOST_SENTENCES:
        lines.append(
            f"and {len(angles.sentences) - _MOST_SENTENCES} sentences more, see the table."
        )
    figure, (bottom, top) = page(
        angles.heading,
        [*lines, *([note] if note else [])],
        angles.warnings,
        sum(heights) + 0.75 * len(heights),
    )
    inch = 1.0 / float(figure.get_figheight())
    grid = figure.add_gridspec(
        len(heights), 2, left=0.09, right=0.97, bottom=bottom + 0.55 * inch,
        top=top - 0.35 * inch, height_ratios=heights, hspace=0.75 * len(heights) / sum(heights),
        wspace=0.25,
    )  # fmt: skip
    _views(figure, grid, angles)
    for row, rows in enumerate(panels, 1):
        _judged_panel(figure.add_subplot(grid[row, :]), rows)
    if others:
        _list_panel(figure.add_subplot(grid[len(heights) - 1, :]), others)
    return figure


def _views(figure: Figure, grid: GridSpec, angles: Told) -> None:
    known = angles.axes.known
    views = (
        (grid[0, 0], "Side (X-Z), seen from the right" if known else "X-Z", 0, "X forward, mm"),
        (grid[0, 1], "Across (Y-Z), seen from behind" if known else "Y-Z", 1, "Y left, mm"),
    )
    for place, title, across, words in views:
        axes = figure.add_subplot(place)
        middles = []
        for rule in angles.rules:
            straight = rule.straight
            ends = np.array([straight.axis.at(v) for v in straight.span])
            told = angles.axes.car_from_survey.apply(ends)[:, [across, 2]]
            axes.plot(
                *told.T, color="#6A6A6A", linewidth=4.0, solid_capstyle="round", gid="tube"
            )  # fmt: skip
            middles.append(told.mean(axis=0))
        # Words run towards the middle of the view, so that none is cut off at its side.
        centre = float(np.mean([m[0] for m in middles]))
        names = [f"{r.straight.tube} {r.straight.number}" for r in angles.rules]
        for at, text in _labels(middles, names):
            inward = (at[0] <= centre) != (known and across == 1)
            axes.annotate(
                text, (at[0], at[1]), xytext=(5 if inward else -5, 4), fontsize=7.5,
                textcoords="offset points", ha="left" if inward else "right", parse_math=False,
                gid="label",
            )  # fmt: skip
        axes.set_title(title, size=10, loc="left")
        axes.set_aspect("equal", adjustable="datalim")
        axes.margins(0.25)
        axes.set_xlabel(words if known else f"{'XY'[across]}, mm")
        axes.set_ylabel("Z up, mm" if known else "Z, mm")
        axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.4)
        axes.set_axisbelow(True)
        if known and across == 1:
            axes.invert_xaxis()


def _labels(places: list[Array], texts: list[str]) -> list[tuple[Array, str]]:
    """Labels at places (2,) in mm; those that would lie on each other share one."""
    near = 0.06 * max(float(np.max(np.ptp(np.array(places), axis=0))), 500.0)
    out: list[tuple[Array, str]] = []
    for place, text in zip(places, texts, strict=True):
        hit = next((i for i, (at, _) in enumerate(out) if np.linalg.norm(at - place) < near), None)
        if hit is None:
            out.append((place, text))
        else:
            out[hit] = (out[hit][0], f"{out[hit][1]}\n{text}")
    return out


def _judged_panel(axes: Axes, rows: list[Reading]) -> None:
    """How far each number is from what is wanted, with U, in the tolerance or out of it."""
    unit = rows[0].unit
    off = np.array([r.value - (r.wanted or 0.0) for r in rows])
    u = np.array([r.expanded for r in rows])
    limit = rows[0].tolerance
    places = np.arange(len(rows))[::-1]
    axes.axvspan(
        -limit, limit, facecolor=COLOURS["sky"], alpha=0.22, hatch="..", edgecolor="white",
        linewidth=0, label="tolerance", gid="tolerance", zorder=0,
    )  # fmt: skip
    for edge in (-limit, limit):
        axes.axvline(edge, color=COLOURS["blue"], linewidth=1.2, linestyle=(0, (6, 3)))
    axes.axvline(0.0, color="black", linewidth=0.8)
    bars = axes.errorbar(
        off, places, xerr=u, fmt="none", ecolor="black", elinewidth=1.2, capsize=3.0,
        label="U (k = 2)",
    )  # fmt: skip
    for bar in bars[2]:
        bar.set_gid("U")
    for verdict, look in VERDICT_LOOKS.items():
        mine = [i for i, r in enumerate(rows) if r.verdict is verdict]
        if mine:
            axes.plot(
                off[mine], places[mine], linestyle="none", marker=look.shape, markersize=8.0,
                markerfacecolor=look.colour, markeredgecolor="black", label=verdict.value,
                gid=f"verdict {look.word}", zorder=5,
            )  # fmt: skip
    reach = 1.25 * max(float(np.max(np.abs(off) + u)), limit, 1e-3)
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-0.9, len(rows) - 0.1)
    axes.set_yticks([])
    for place, r in zip(places, rows, strict=True):
        axes.text(
            -0.98 * reach, place + 0.18, _name(r), fontsize=7.5, va="bottom", parse_math=False
        )
    axes.set_xlabel(f"measured less wanted, {unit}")
    axes.legend(loc="lower right", fontsize=8, ncols=3)
    axes.grid(visible=True, axis="x", linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)


def _list_panel(axes: Axes, rows: list[Reading]) -> None:
    """Numbers of which nothing is wanted, written out."""
    axes.axis("off")
    axes.set_title("Not judged, because nothing was wanted", size=10, loc="left")
    for i, r in enumerate(rows):
        text = f"{_name(r)}: {amount(r.value, r.expanded, r.unit)}"
        axes.text(
            0.0, 1.0 - (i + 0.5) / len(rows), text, fontsize=8.5, va="center",
            transform=axes.transAxes, gid="unjudged", parse_math=False,
        )  # fmt: skip


def _name(r: Reading) -> str:
    subject = r.subject.replace(", straight ", " ")
    against = r.against.replace(", straight ", " ")
    if len(subject) > _NAME_LETTERS:
        subject = subject[: _NAME_LETTERS - 1] + "…"
    return f"{subject}: {r.name}, against {against}"


def write_angles_plot(angles: Told, out_stem: Path, *, replace: bool = False) -> Path:
    """Plot angles into "<stem>-plot.png".

    Raises:
        InputError: the file exists already and may not be replaced.
        EnvironmentProblem: the disk is full or may not be written.
    """
    path = out_stem.with_name(out_stem.name + "-plot.png")
    write_new(path, png_of(angles_plot(angles)), replace=replace)
    return path
