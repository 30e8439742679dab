"""What is left of a survey's corners by place in the photo, where a lens model shows its limits.

Working it out is left to `fitscan.survey.lens_check`, the page to `page`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from fitscan.report.page import page, plain
from fitscan.report.palette import COLOURS
from fitscan.survey.lens_bin import LensBin
from fitscan.survey.survey import Survey

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["residual_plot"]

_KINDS = (
    ("radial", "outwards", COLOURS["blue"], "o", -0.08),
    ("tangential", "round", COLOURS["vermilion"], "D", 0.08),
)
_SIDES = (
    "right", "lower\nright", "bottom", "lower\nleft", "left", "upper\nleft", "top", "upper\nright",
)  # fmt: skip


@plain
def residual_plot(survey: Survey, note: str = "") -> Figure:
    """Mean of what is left, observed less model, by radius and by angle about the principal point.

    Bars are two standard errors. Artists carry gids: "radius radial", "radius tangential", "angle
    radial", "angle tangential", and "... bar" for their bars.
    """
    q = survey.quality
    rings = [b for b in q.rings if b.squares]
    sectors = [b for b in q.sectors if b.squares]
    worst = max((b.proven for b in (*rings, *sectors)), default=0.0)
    told = (
        f"At most {worst:.2f} px are proven to be left: see the warning."
        if worst
        else "Nothing is proven to be left: the lens model follows the lens."
    )
    lines = [
        f"Corners, observed less model, in px of the photo; {q.rms_px:.2f} px rms over all. {told}",
        "A mean that differs from zero by more than its bar (two standard errors) is the lens's "
        "own; numbers at the bottom count the printed squares.",
        *([note] if note else []),
    ]
    heading = f"Survey {survey.name}: what is left over by place in the photo"
    figure, (bottom, top) = page(heading, lines, q.warnings, 3.4)
    inch = 1.0 / float(figure.get_figheight())
    height = top - bottom - 1.05 * inch
    left = figure.add_axes((0.09, bottom + 0.7 * inch, 0.4, height))
    right = figure.add_axes((0.57, bottom + 0.7 * inch, 0.4, height))
    reach = _reach([*rings, *sectors])
    names = [f"{100 * b.low:.0f}–{100 * min(b.high, 1.0):.0f}" for b in rings]
    _panel(left, rings, names, "radius", reach)
    left.set_xlabel("from the middle (0) to a corner (100), %")
    left.set_ylabel("mean left over, px")
    left.set_title("By radius", size=10, loc="left")
    numbers = [round(0.5 * (b.low + b.high) / (np.pi / 4)) % len(_SIDES) for b in sectors]
    words = [_SIDES[n] for n in numbers]
    _panel(right, sectors, words, "angle", reach)
    right.set_xlabel("side of the frame, as the sensor sees it")
    right.set_title("By angle", size=10, loc="left")
    left.legend(loc="upper left", fontsize=8, ncols=2)
    return figure


def _reach(bins: Sequence[LensBin]) -> float:
    ends = [abs(b.radial) + 2 * b.radial_u for b in bins]
    ends += [abs(b.tangential) + 2 * b.tangential_u for b in bins]
    return 1.35 * max([*ends, 0.02])


def _panel(
    axes: Axes, bins: Sequence[LensBin], names: Sequence[str], over: str, reach: float
) -> None:
    place = np.arange(len(bins))
    axes.axhline(0.0, color="black", linewidth=0.8)
    for kind, word, colour, shape, shift in _KINDS:
        value = np.array([getattr(b, kind) for b in bins])
        u = np.array([getattr(b, f"{kind}_u") for b in bins])
        bars = axes.errorbar(
            place + shift, value, yerr=2 * u, fmt="none", ecolor=colour, elinewidth=1.4, capsize=3.0
        )
        for bar in bars[2]:
            bar.set_gid(f"{over} {kind} bar")
        axes.plot(
            place + shift, value, linestyle="none", marker=shape, markersize=6.0, color=colour,
            markeredgecolor="black", label=word, gid=f"{over} {kind}",
        )  # fmt: skip
    for at, b in zip(place, bins, strict=True):
        axes.text(float(at), -0.97 * reach, str(b.squares), ha="center", va="bottom", fontsize=7.0)
    axes.set_ylim(-reach, reach)
    axes.set_xlim(-0.6, len(bins) - 0.4)
    axes.set_xticks(place, names, size=7.5)
    axes.grid(visible=True, axis="y", linewidth=0.4, color="#808080", alpha=0.5)
    axes.set_axisbelow(True)
