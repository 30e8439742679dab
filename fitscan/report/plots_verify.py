"""A verification as a plot on paper white: errors with U and the limit over the length.

Computing is left to `fitscan.fit.verify`, the page to `page`, files to the command line.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fitscan.fit.verify import Verification
from fitscan.report.page import page, plain
from fitscan.report.palette import COLOURS, VERDICT_LOOKS
from fitscan.report.words import amount, verdict_counts

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["verify_plot"]


@plain
def verify_plot(result: Verification, note: str = "") -> Figure:
    """A bar for each length's error, with U, between the limits, over the length.

    Artists carry their meaning as gid: "error", "U", "limit", "verdict <word>".
    """
    worst = max(result.lengths, key=lambda c: abs(c.error_mm))
    lines = [
        verdict_counts([c.verdict for c in result.lengths], result.limit_mm)
        + ". Error: measured less read. Whiskers: U (k = 2) of survey and reading together.",
        *result.sentences[1:],
        *([note] if note else []),
    ]
    figure, (bottom, top) = page(
        f"Survey {result.survey} against a steel rule: error "
        f"{amount(worst.error_mm, worst.expanded_mm, 'mm')} at worst",
        lines,
        result.warnings,
        4.2,
    )
    axes = figure.add_axes((0.09, bottom + 0.1, 0.88, top - bottom - 0.14))
    _error_bars(axes, result)
    axes.set_xlabel("length read with the rule, mm")
    axes.set_ylabel("error, mm")
    axes.grid(visible=True, linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)
    axes.legend(loc="best", fontsize=8.5, ncols=3)
    return figure


def _error_bars(axes: Axes, result: Verification) -> None:
    length = np.array([c.read.length_mm for c in result.lengths])
    error = np.array([c.error_mm for c in result.lengths])
    u = np.array([c.expanded_mm for c in result.lengths])
    longest = float(length.max())
    axes.axhspan(
        -result.limit_mm, result.limit_mm, facecolor=COLOURS["sky"], alpha=0.22, hatch="..",
        edgecolor="white", linewidth=0, label="limit", gid="limit", zorder=0,
    )  # fmt: skip
    for limit in (-result.limit_mm, result.limit_mm):
        axes.axhline(limit, color=COLOURS["blue"], linewidth=1.2, linestyle=(0, (6, 3)))
    axes.axhline(0.0, color="black", linewidth=0.8)
    bars = axes.bar(length, error, width=0.012 * longest, color="#9A9A9A", edgecolor="black")
    for bar in bars:
        bar.set_gid("error")
    axes.errorbar(
        length, error, yerr=u, fmt="none", ecolor="black", elinewidth=1.2, capsize=4.0,
        label="U (k = 2)", gid="U",
    )  # fmt: skip
    for verdict, look in VERDICT_LOOKS.items():
        rows = [i for i, c in enumerate(result.lengths) if c.verdict is verdict]
        if rows:
            axes.plot(
                length[rows], error[rows], linestyle="none", marker=look.shape, markersize=8.0,
                markerfacecolor=look.colour, markeredgecolor="black", label=verdict.value,
                gid=f"verdict {look.word}", zorder=5,
            )  # fmt: skip
    for x, y, c in zip(length, error + u, result.lengths, strict=True):
        axes.annotate(
            f"{c.read.ids[0]}-{c.read.ids[1]}", (x, y), xytext=(0, 4), textcoords="offset points",
            ha="center", fontsize=7.5,
        )  # fmt: skip
    reach = 1.2 * max(float(np.max(np.abs(error) + u)), result.limit_mm, 0.05)
    axes.set_ylim(-reach, reach)
    axes.set_xlim(0.0, 1.06 * longest)
