"""From shapes to pixels: a drawing over its photo, with its words and legend below.

What the shapes mean is decided in `overlay`. Matplotlib's Agg draws, without a screen and without
the user's settings; one point is one pixel.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fitscan.report.drawing import Drawing, Key, Label, Symbol
from fitscan.report.labels import MARK_SHARE
from fitscan.report.lettering import font_file, hush, text_width, wrapped
from fitscan.report.palette import COLOURS, STYLES, LineStyle

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plain_settings", "rasterise"]

Pixels = npt.NDArray[np.uint8]

_HEADING_PX, _TEXT_PX = 44.0, 32.0
_LINE, _PAD, _GAP = 1.3, 30.0, 14.0
_SAMPLE_PX = 84.0
_SYMBOL_PX = 17.0
_BAR_PX = 9.0


def _over_all(axes: Axes) -> float:
    """A place in the stack above everything drawn so far: later shapes cover earlier ones."""
    return float(len(axes.get_children()))


@contextmanager
def plain_settings() -> Iterator[None]:
    """Matplotlib as it comes, whatever the user's own settings are."""
    hush()
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        yield


def rasterise(drawing: Drawing, photo: Pixels) -> Pixels:
    """Draw on a photo.

    Args:
        drawing: shapes in pixels of the photo.
        photo: (height, width, 3) RGB of the drawing's size.

    Returns:
        (height + words below, width, 3) RGB.

    Raises:
        ValueError: the photo has another size (a mistake of the caller).
    """
    hush()
    from matplotlib.figure import Figure

    if photo.shape != (drawing.height, drawing.width, 3):
        raise ValueError(f"photo {photo.shape} for a drawing {drawing.height, drawing.width}")
    strip = _Strip.of(drawing)
    height = drawing.height + strip.height
    with plain_settings():
        import matplotlib as mpl

        # Lines stay where they are, between pixels, instead of jumping to the next one.
        mpl.rcParams["path.snap"] = False
        # A hundredth more, so that rounding cannot cost a row of pixels.
        inches = ((drawing.width + 0.01) / 72.0, (height + 0.01) / 72.0)
        figure = Figure(figsize=inches, dpi=72)
        share = strip.height / height
        over = figure.add_axes((0.0, share, 1.0, 1.0 - share))
        over.set(xlim=(-0.5, drawing.width - 0.5), ylim=(drawing.height - 0.5, -0.5))
        over.axis("off")
        _shapes(over, drawing)
        below = figure.add_axes((0.0, 0.0, 1.0, share))
        below.set(xlim=(-0.5, drawing.width - 0.5), ylim=(strip.height - 0.5, -0.5))
        below.axis("off")
        strip.draw(below)
        # The photo keeps its own pixels: only what is drawn is blended over it.
        stream = io.BytesIO()
        figure.savefig(stream, format="rgba", dpi=72, transparent=True)
    drawn = np.frombuffer(stream.getvalue(), np.uint8).reshape(height, drawing.width, 4)
    return _over(drawn, photo)


def _over(drawn: npt.NDArray[np.uint8], photo: Pixels) -> Pixels:
    """Blend a drawing (straight alpha) over the photo, and over white below it."""
    paper = np.full((*drawn.shape[:2], 3), 255, dtype=np.uint8)
    paper[: len(photo)] = photo
    alpha = drawn[..., 3:].astype(np.float32) / 255.0
    mixed = drawn[..., :3] * alpha + paper * (1.0 - alpha)
    return np.asarray(np.round(mixed), dtype=np.uint8)


def _shapes(axes: Axes, drawing: Drawing) -> None:
    for stroke in drawing.strokes:
        if stroke.role == "whisker":
            _whisker(axes, stroke.places)
        else:
            _line(axes, stroke.places, STYLES[stroke.role])
    for arrow in drawing.arrows:
        _arrow(axes, arrow.tail, arrow.head)
    for cross in drawing.crosses:
        for line in cross.lines:
            _line(axes, line, STYLES["left out"], edge_only=True)
        for line in cross.lines:
            _line(axes, line, STYLES["left out"], edge_only=False)
    for symbol in drawing.symbols:
        _symbol(axes, symbol)
    for label in drawing.labels:
        _label(axes, label)


def _line(
    axes: Axes,
    places: npt.NDArray[np.float64],
    style: LineStyle,
    *,
    edge_only: bool | None = None,
) -> None:
    """A line with its edge under it; the edge is full where the line is dashed."""
    if edge_only is not False:
        width = style.width_px + 2.0 * style.edge_px
        axes.plot(
            *places.T,
            color=style.edge_colour,
            linewidth=width,
            solid_capstyle="round",
            zorder=_over_all(axes),
        )
    if edge_only is not True:
        pattern = (0.0, [d / style.width_px for d in style.dash_px]) if style.dash_px else "-"
        axes.plot(
            *places.T, color=style.colour, linewidth=style.width_px, linestyle=pattern,
            solid_capstyle="round", dash_capstyle="butt", zorder=_over_all(axes),
        )  # fmt: skip


def _whisker(axes: Axes, ends: npt.NDArray[np.float64]) -> None:
    """A line with a bar square to it at each end, as on a drawing's dimension."""
    style = STYLES["whisker"]
    along = ends[1] - ends[0]
    size = float(np.hypot(*along))
    square = np.array([-along[1], along[0]]) / size if size > 1e-9 else np.array([0.0, 1.0])
    # Short bars on a short whisker, or they would look like the distance themselves.
    reach = min(_BAR_PX, 3.0 + 0.4 * size) * square
    bars = [np.stack([e - reach, e + reach]) for e in ends]
    for edge_only in (True, False):
        for line in (*bars, ends):
            _line(axes, line, style, edge_only=edge_only)


def _arrow(axes: Axes, tail: npt.NDArray[np.float64], head: npt.NDArray[np.float64]) -> None:
    """An arrow as one outline, so that its edge runs round the head too."""
    from matplotlib.patches import FancyArrow

    style = STYLES["arrow"]
    along = head - tail
    length = max(float(np.hypot(*along)), 1e-6)
    tip = min(26.0, 0.7 * length)
    axes.add_patch(
        FancyArrow(
            tail[0], tail[1], along[0], along[1], width=style.width_px, head_width=4.2 * tip / 4.0,
            head_length=tip, length_includes_head=True, facecolor=style.colour,
            edgecolor=style.edge_colour, linewidth=style.edge_px, joinstyle="miter",
            zorder=_over_all(axes),
        )
    )  # fmt: skip


def _symbol(axes: Axes, symbol: Symbol) -> None:
    axes.plot(
        [symbol.place[0]], [symbol.place[1]], marker=symbol.shape, markersize=_SYMBOL_PX,
        markerfacecolor=symbol.colour, markeredgecolor=COLOURS["black"], markeredgewidth=2.0,
        linestyle="none", zorder=_over_all(axes),
    )  # fmt: skip


def _label(axes: Axes, label: Label) -> None:
    from matplotlib.font_manager import FontProperties
    from matplotlib.patches import FancyBboxPatch

    left, top, _, _ = label.box
    axes.add_patch(
        FancyBboxPatch(
            (left, top), label.width, label.height, boxstyle="round,pad=0,rounding_size=6",
            facecolor="white", edgecolor="black", linewidth=1.5, zorder=_over_all(axes),
        )
    )  # fmt: skip
    x, y = float(label.middle[0]), float(label.middle[1])
    if label.shape:
        mark = 0.5 * MARK_SHARE * label.size_px
        _symbol(axes, Symbol(np.array([left + 1.3 * mark, y]), label.shape, label.colour))
        x += mark
    axes.text(
        x, y, label.text, color="black",
        fontproperties=FontProperties(fname=str(font_file()), size=label.size_px),
        horizontalalignment="center", verticalalignment="center_baseline", parse_math=False,
        zorder=_over_all(axes),
    )  # fmt: skip


@dataclass(frozen=True)
class _Row:
    """A line of text, or a row of the legend, with its top edge."""

    top: float
    size_px: float
    bold: bool
    text: str = ""
    keys: tuple[Key, ...] = ()
    barred: bool = False


@dataclass(frozen=True)
class _Strip:
    """The words below the photo."""

    width: int
    height: int
    rows: tuple[_Row, ...]

    @staticmethod
    def of(drawing: Drawing) -> _Strip:
        room = drawing.width - 2.0 * _PAD
        rows: list[_Row] = []
        top = _GAP

        def add(text: str, size: float, *, bold: bool = False, barred: bool = False) -> None:
            nonlocal top
            inset = 24.0 if barred else 0.0
            for line in wrapped(text, size, room - inset, bold=bold):
                rows.append(_Row(top, size, bold, line, barred=barred))
                top += _LINE * size

        add(drawing.heading, _HEADING_PX, bold=True)
        for row in _legend_rows(drawing.legend, room):
            top += 4.0
            rows.append(_Row(top, _TEXT_PX, False, keys=tuple(row)))
            top += _LINE * _TEXT_PX
        for text in drawing.lines:
            top += 6.0
            add(text, _TEXT_PX)
        for text in (*(f"Warning: {w}" for w in drawing.warnings), drawing.caution):
            top += 8.0
            add(text, _TEXT_PX, bold=True, barred=True)
        return _Strip(drawing.width, round(top + _GAP), tuple(rows))

    def draw(self, axes: Axes) -> None:
        from matplotlib.patches import Rectangle

        axes.add_patch(Rectangle((-1, -1), self.width + 2, self.height + 2, facecolor="white"))
        for row in self.rows:
            middle = row.top + 0.5 * _LINE * row.size_px
            if row.keys:
                left = _PAD
                for key in row.keys:
                    _sample(axes, key, left, middle)
                    _words(axes, key.text, left + _SAMPLE_PX + 12.0, middle, row)
                    left += _key_width(key)
                continue
            if row.barred:
                bar = Rectangle((_PAD, row.top), 8.0, _LINE * row.size_px, facecolor="black")
                axes.add_patch(bar)
            _words(axes, row.text, _PAD + (24.0 if row.barred else 0.0), middle, row)


def _words(axes: Axes, text: str, left: float, middle: float, row: _Row) -> None:
    from matplotlib.font_manager import FontProperties

    font = FontProperties(fname=str(font_file(bold=row.bold)), size=row.size_px)
    axes.text(
        left, middle, text, color="black", fontproperties=font, horizontalalignment="left",
        verticalalignment="center_baseline", parse_math=False, zorder=_over_all(axes),
    )  # fmt: skip


def _key_width(key: Key) -> float:
    return _SAMPLE_PX + 12.0 + text_width(key.text, _TEXT_PX) + 44.0


def _legend_rows(keys: Sequence[Key], room: float) -> list[list[Key]]:
    rows: list[list[Key]] = []
    used = room
    for key in keys:
        width = _key_width(key)
        if used + width - 44.0 > room or not rows:
            rows.append([])
            used = 0.0
        rows[-1].append(key)
        used += width
    return rows


def _sample(axes: Axes, key: Key, left: float, middle: float) -> None:
    """What a line or mark looks like, on a grey like a photo's."""
    from matplotlib.patches import Rectangle

    half = 0.5 * _LINE * _TEXT_PX - 3.0
    axes.add_patch(
        Rectangle((left, middle - half), _SAMPLE_PX, 2.0 * half, facecolor="#9A9A9A",
                  zorder=_over_all(axes))
    )  # fmt: skip
    ends = np.array([[left + 8.0, middle], [left + _SAMPLE_PX - 8.0, middle]])
    if key.role == "symbol":
        _symbol(axes, Symbol(ends.mean(axis=0), key.shape, key.colour))
    elif key.role == "whisker":
        _whisker(axes, ends)
    elif key.role == "marker":
        centre, arm = ends.mean(axis=0), half - 6.0
        ring = centre + arm * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
        _line(axes, ring, STYLES["marker"])
    elif key.role == "arrow":
        _arrow(axes, ends[0], ends[1])
    elif key.role == "left out":
        centre, arm = ends.mean(axis=0), half - 5.0
        for edge_only in (True, False):
            for sign in (1.0, -1.0):
                reach = np.array([arm, sign * arm])
                line = np.stack([centre - reach, centre + reach])
                _line(axes, line, STYLES["left out"], edge_only=edge_only)
    elif key.role.endswith("outline"):
        shift = np.array([0.0, half - 6.0])
        _line(axes, ends - shift, STYLES[key.role])
        _line(axes, ends + shift, STYLES[key.role])
        _line(axes, ends, STYLES[key.role.replace("outline", "axis")])
    else:
        _line(axes, ends, STYLES[key.role])
