"""Places for labels beside what they name, without covering each other or the thing itself.

Which labels there are is left to `overlay`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.report.drawing import Label, Stroke
from fitscan.report.lettering import text_width

__all__ = ["MARK_SHARE", "Wish", "place_labels"]

MARK_SHARE = 0.8
"""Room for the mark before a label's text, in letter sizes."""

_PAD_X, _PAD_Y = 0.3, 0.22
_DISTANCES = (1.6, 2.9, 4.2, 5.5, 7.5)
_TURNS_DEG = (0.0, 180.0, 35.0, -35.0, 145.0, -145.0, 90.0, -90.0)


@dataclass(frozen=True)
class Wish:
    """A label that wants a place.

    Attributes:
        text: to show.
        at: (2,) what it names.
        away: (2,) direction in which there is room, of any length.
        of, shape, colour: as in `Label`.
    """

    text: str
    at: Array
    away: Array
    of: str = ""
    shape: str = ""
    colour: str = ""


def place_labels(
    wishes: Sequence[Wish],
    size_px: float,
    width: int,
    height: int,
    obstacles: Array,
    placed: Sequence[Label] = (),
) -> tuple[list[Label], list[Stroke], list[Wish]]:
    """Give labels their places, the first wishes first.

    Args:
        wishes: in order of importance.
        size_px: of the letters.
        width: of the picture, px.
        height: of the picture, px.
        obstacles: (n, 2) places that should stay visible.
        placed: labels that are there already.

    Returns:
        labels; a leader line from each label to what it names; wishes without a free place.
    """
    labels: list[Label] = []
    leaders: list[Stroke] = []
    left_out: list[Wish] = []
    for wish in wishes:
        label = _first_free(wish, size_px, width, height, [*placed, *labels], obstacles)
        if label is None:
            left_out.append(wish)
            continue
        labels.append(label)
        leaders.append(Stroke("leader", np.stack([label.middle, wish.at]), wish.of))
    return labels, leaders, left_out


def _first_free(
    wish: Wish, size_px: float, width: int, height: int, taken: list[Label], obstacles: Array
) -> Label | None:
    """The nearest free place; a second pass lets a label cover obstacles, but never a label."""
    mark = MARK_SHARE * size_px if wish.shape else 0.0
    box_width = text_width(wish.text, size_px) + 2 * _PAD_X * size_px + mark
    box_height = (1.0 + 2 * _PAD_Y) * size_px
    length = float(np.linalg.norm(wish.away))
    away = wish.away / length if length > 1e-9 else np.array([0.0, -1.0])
    for mind_obstacles in (True, False):
        for distance in _DISTANCES:
            for turn in np.radians(_TURNS_DEG):
                c, s = np.cos(turn), np.sin(turn)
                way = np.array([c * away[0] - s * away[1], s * away[0] + c * away[1]])
                # The box's own reach in that direction keeps its edge clear of the thing.
                reach = 0.5 * (abs(way[0]) * box_width + abs(way[1]) * box_height)
                middle = wish.at + way * (distance * size_px + reach - 0.5 * box_height)
                label = Label(
                    wish.text, middle, box_width, box_height, size_px, wish.of, wish.shape,
                    wish.colour,
                )  # fmt: skip
                if _fits(label, width, height, taken) and not (
                    mind_obstacles and _covers(label, obstacles)
                ):
                    return label
    return None


def _fits(label: Label, width: int, height: int, taken: list[Label]) -> bool:
    left, top, right, bottom = label.box
    if left < 4 or top < 4 or right > width - 5 or bottom > height - 5:
        return False
    gap = 0.15 * label.size_px
    for other in taken:
        a, b, c, d = other.box
        if left < c + gap and right > a - gap and top < d + gap and bottom > b - gap:
            return False
    return True


def _covers(label: Label, obstacles: Array) -> bool:
    if not len(obstacles):
        return False
    left, top, right, bottom = label.box
    x, y = obstacles[:, 0], obstacles[:, 1]
    return bool(np.any((x > left - 3) & (x < right + 3) & (y > top - 3) & (y < bottom + 3)))
