"""A flat drawing as a picture: what the true-scale sheets show, in one view, not to scale.

Drawings come from `fitscan.make`, the page from `page`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from fitscan.make.flat import Drawing, Kind
from fitscan.report.page import page, plain, png_of
from fitscan.report.palette import COLOURS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["flat_picture", "flat_plot"]

_LOOKS: dict[Kind, tuple[str, float, str | tuple[int, tuple[int, ...]]]] = {
    Kind.CUT: (COLOURS["vermilion"], 2.2, "-"),
    Kind.OUTLINE: ("black", 1.8, "-"),
    Kind.FOLD: (COLOURS["blue"], 1.6, (0, (6, 3))),
    Kind.CENTRE: ("black", 1.0, (0, (8, 2, 2, 2))),
    Kind.TRIM: ("black", 1.0, "-"),
    Kind.MARK: ("black", 0.7, "-"),
}
_WORDS = {
    Kind.CUT: "cut",
    Kind.OUTLINE: "outline",
    Kind.FOLD: "middle of a bend",
    Kind.CENTRE: "axis",
    Kind.TRIM: "edge",
}
_POINTS_PER_IN, _MM_PER_IN = 72.0, 25.4


@plain
def flat_plot(
    drawing: Drawing, heading: str, lines: Sequence[str], warnings: Sequence[str]
) -> Figure:
    """The drawing with a millimetre scale on both sides; strokes carry their kind as gid."""
    body = float(np.clip(7.6 * drawing.height / drawing.width, 2.4, 7.0))
    figure, (bottom, top) = page(heading, lines, warnings, body + 1.15)
    inch = 1.0 / float(figure.get_figheight())
    axes = figure.add_axes((0.08, bottom + 0.55 * inch, 0.88, top - bottom - 0.95 * inch))
    told: set[Kind] = set()
    for stroke in drawing.strokes:
        colour, width, dash = _LOOKS[stroke.kind]
        word = _WORDS.get(stroke.kind) if stroke.kind not in told else None
        told.add(stroke.kind)
        axes.plot(
            *stroke.points.T, color=colour, linewidth=width, linestyle=dash,
            gid=stroke.kind.value, label=word,
        )  # fmt: skip
    axes.set_aspect("equal")
    axes.set_xlim(0.0, drawing.width)
    axes.set_ylim(0.0, drawing.height)
    axes.apply_aspect()
    # Letters as large as on the sheet, but never too small to read on a phone.
    wide = float(axes.get_window_extent().width) / figure.dpi
    per_mm = wide / drawing.width * _POINTS_PER_IN
    for label in drawing.labels:
        axes.text(
            label.x, label.y, label.words, fontsize=max(label.size * per_mm, 6.5),
            ha="center" if label.middle else "left", rotation=90 if label.turned else 0,
            weight="bold" if label.bold else "normal", parse_math=False, clip_on=True,
        )  # fmt: skip
    axes.set_xlabel("mm")
    axes.set_ylabel("mm")
    # Above the drawing, where nothing can be hidden.
    axes.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.0), fontsize=8.5, ncols=4, frameon=False,
        borderaxespad=0.2,
    )  # fmt: skip
    return figure


def flat_picture(
    drawing: Drawing, heading: str, lines: Sequence[str], warnings: Sequence[str]
) -> bytes:
    """The picture as PNG."""
    return png_of(flat_plot(drawing, heading, lines, warnings))
