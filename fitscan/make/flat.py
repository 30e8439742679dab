"""A flat drawing in millimetres: strokes by what they are for, and lines of text.

Paper is left to `flat_pdf`, DXF to `flat_dxf`; what is drawn to `template`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from fitscan.geometry.rotation import Array

__all__ = ["Drawing", "Kind", "Label", "Stroke", "beside"]


class Kind(Enum):
    """What a stroke is for; also the name of its DXF layer."""

    CUT = "CUT"
    """The edge that the metal is cut along."""
    TRIM = "TRIM"
    """The rest of the paper's outline."""
    MARK = "MARK"
    """Match lines, ticks, arrows."""
    OUTLINE = "OUTLINE"
    """The outline of a part that is held against the drawing; nothing is cut along it."""
    FOLD = "FOLD"
    """Where a sheet is bent."""
    CENTRE = "CENTRE"
    """The axis of a tube."""


@dataclass(frozen=True)
class Stroke:
    """A polyline: points (n, 2) mm."""

    kind: Kind
    points: Array

    @staticmethod
    def of(kind: Kind, *points: tuple[float, float]) -> Stroke:
        """Through single points."""
        return Stroke(kind, np.array(points, dtype=np.float64))


@dataclass(frozen=True)
class Label:
    """One line of text, its baseline's left end (or middle) at (x, y) mm."""

    x: float
    y: float
    words: str
    size: float = 2.6
    room: float | None = None
    bold: bool = False
    middle: bool = False
    turned: bool = False


@dataclass(frozen=True)
class Drawing:
    """A part to cut out, at true size.

    Attributes:
        title: its heading.
        strokes, labels: what is on it; x from 0 to width, y from 0 to height.
        width, height: mm.
    """

    title: str
    strokes: tuple[Stroke, ...]
    labels: tuple[Label, ...]
    width: float
    height: float


def beside(drawings: Sequence[Drawing], title: str, gap_mm: float = 15.0) -> Drawing:
    """Several drawings in one, from left to right, their lower edges on one line."""
    strokes: list[Stroke] = []
    labels: list[Label] = []
    left = 0.0
    for d in drawings:
        strokes += [Stroke(s.kind, s.points + np.array([left, 0.0])) for s in d.strokes]
        labels += [replace(p, x=p.x + left) for p in d.labels]
        left += d.width + gap_mm
    height = max(d.height for d in drawings)
    return Drawing(title, tuple(strokes), tuple(labels), left - gap_mm, height)
