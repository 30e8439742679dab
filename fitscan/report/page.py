"""The page that every plot is drawn on: heading, words, room for the plot, warnings, caution.

What is plotted is left to `plots` and `plots_verify`.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from functools import wraps
from typing import TYPE_CHECKING, ParamSpec

from fitscan.report.lettering import hush, wrapped
from fitscan.report.raster import plain_settings
from fitscan.report.words import SHORT_CAUTION

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["page", "plain", "png_of"]

P = ParamSpec("P")

_DPI = 200
_WIDTH_IN = 9.0
_TEXT_PX = 10.0 * _DPI / 72.0


def plain(make: Callable[P, Figure]) -> Callable[P, Figure]:
    """Make a figure with Matplotlib's own settings and the letters of all our plots."""

    @wraps(make)
    def inner(*args: P.args, **kwargs: P.kwargs) -> Figure:
        hush()
        import matplotlib as mpl

        with plain_settings():
            mpl.rcParams.update({"font.size": 10.0, "font.family": "DejaVu Sans"})
            return make(*args, **kwargs)

    return inner


def png_of(figure: Figure) -> bytes:
    """The figure as PNG; it says nothing of the computer or the time it was made."""
    with plain_settings():
        stream = io.BytesIO()
        figure.savefig(stream, format="png", dpi=_DPI, metadata={"Software": "fitscan"})
        return stream.getvalue()


def page(
    heading: str, lines: Sequence[str], warnings: Sequence[str], body_in: float
) -> tuple[Figure, tuple[float, float]]:
    """A page with heading, words and caution; returns bottom and top of the room left (0 to 1)."""
    from matplotlib.figure import Figure

    room = 0.94 * _WIDTH_IN * _DPI
    head = wrapped(heading, 1.4 * _TEXT_PX, room, bold=True)
    body = [w for line in lines for w in wrapped(line, _TEXT_PX, room)]
    words = [*(f"Warning: {text}" for text in warnings), SHORT_CAUTION]
    foot = [w for text in words for w in wrapped(text, _TEXT_PX, room, bold=True)]
    above = 0.12 + 0.26 * len(head) + 0.19 * len(body)
    below = 0.12 + 0.19 * len(foot) + 0.08
    height = above + body_in + below
    figure = Figure(figsize=(_WIDTH_IN, height), dpi=_DPI, facecolor="white")
    y = height - 0.12
    for text in head:
        figure.text(0.03, y / height, text, size=14, weight="bold", va="top", parse_math=False)
        y -= 0.26
    for text in body:
        figure.text(0.03, y / height, text, va="top", parse_math=False)
        y -= 0.19
    y = below - 0.08
    for text in foot:
        figure.text(0.03, y / height, text, va="top", weight="bold", parse_math=False)
        y -= 0.19
    return figure, (below / height, 1.0 - above / height)
