"""A picture as a list of shapes in pixels, so that what is drawn can be checked before any ink.

Turning shapes into pixels is left to `raster`.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitscan.geometry.rotation import Array

__all__ = ["Arrow", "Cross", "Drawing", "Key", "Label", "Stroke", "Symbol"]


@dataclass(frozen=True)
class Stroke:
    """A line through places (n, 2).

    Attributes:
        role: what it stands for, a key of `fitscan.report.palette.STYLES`.
        places: (n, 2) px of the picture.
        of: what it belongs to: a tube, a marker, a station.
    """

    role: str
    places: Array
    of: str = ""


@dataclass(frozen=True)
class Arrow:
    """An arrow from tail (2,) to head (2,); `of` as in `Stroke`."""

    tail: Array
    head: Array
    of: str = ""


@dataclass(frozen=True)
class Cross:
    """Two lines (2, 2, 2) that cross something out; `of` as in `Stroke`."""

    lines: Array
    of: str = ""


@dataclass(frozen=True)
class Symbol:
    """A small mark at a place (2,).

    Attributes:
        shape: matplotlib's letter.
        colour: of its face, hexadecimal.
    """

    place: Array
    shape: str
    colour: str
    of: str = ""


@dataclass(frozen=True)
class Label:
    """Text in a box.

    Attributes:
        text: to show.
        middle: (2,) of the box.
        width, height: of the box, px.
        size_px: of the letters.
        of: what it belongs to.
        shape, colour: of a mark before the text, as in `Symbol`; none if empty.
    """

    text: str
    middle: Array
    width: float
    height: float
    size_px: float
    of: str = ""
    shape: str = ""
    colour: str = ""

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom."""
        x, y = float(self.middle[0]), float(self.middle[1])
        return x - self.width / 2, y - self.height / 2, x + self.width / 2, y + self.height / 2


@dataclass(frozen=True)
class Key:
    """One line of the legend.

    Attributes:
        role: of a stroke, or "arrow", "left out", or "symbol".
        text: what it means.
        shape, colour: of a symbol.
    """

    role: str
    text: str
    shape: str = ""
    colour: str = ""


@dataclass(frozen=True)
class Drawing:
    """A picture over a photo, and the words below it.

    Attributes:
        width, height: of the photo as shown, px.
        strokes, arrows, crosses, symbols, labels: over the photo, in this order.
        heading: the result in one line.
        lines: sentences below it.
        warnings: sentences that must be seen.
        caution: what the picture cannot tell.
        legend: what lines and marks mean.
        factor: by how much arrows are drawn longer than true, 1 when nothing is.
    """

    width: int
    height: int
    strokes: tuple[Stroke, ...]
    arrows: tuple[Arrow, ...] = ()
    crosses: tuple[Cross, ...] = ()
    symbols: tuple[Symbol, ...] = ()
    labels: tuple[Label, ...] = ()
    heading: str = ""
    lines: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    caution: str = ""
    legend: tuple[Key, ...] = ()
    factor: float = 1.0

    def of_role(self, role: str, of: str | None = None) -> list[Stroke]:
        """Strokes of a role, and of one thing if named."""
        return [s for s in self.strokes if s.role == role and of in (None, s.of)]
