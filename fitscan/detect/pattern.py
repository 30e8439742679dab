"""Where a tag's own edges are: points on every border between a black and a white cell.

Measuring them in a photo is left to `edges`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS, cells

__all__ = ["EdgePoints", "edge_points"]

_ALONG = (-0.28, 0.0, 0.28)
"""Where on a cell's side the edge is measured, in cells from the side's middle."""


@dataclass(frozen=True)
class EdgePoints:
    """k points on a tag's black/white borders, in cells from the tag's centre.

    Attributes:
        uv: (k, 2) place, u right, v up, the black square is -4 to 4.
        axis: (k,) 0 where the border runs up and its normal is u, 1 where the normal is v.
        patch: (k, 4, 3) whiteness (0 or 1) of the cells round the border: four along the
            normal (two on each side), three across (the middle one is the point's own row).
        across: (k,) the point's place across, in cells from the middle of its own row.
    """

    uv: Array
    axis: Array
    patch: Array
    across: Array

    def __len__(self) -> int:
        return len(self.axis)

    @property
    def polarity(self) -> Array:
        """(k,) +1 where white lies on the side of growing u or v, -1 where black does."""
        return self.patch[:, 2, 1] - self.patch[:, 1, 1]


@lru_cache(maxsize=640)
def edge_points(tag_id: int) -> EdgePoints:
    """All edge points of a tag of the family 36h11."""
    white = np.ones((CELLS + 6, CELLS + 6))
    # Index by (u, v): columns of the picture run along u, rows downwards against v.
    white[3:-3, 3:-3] = cells(tag_id).T[:, ::-1]
    half = CELLS / 2.0
    uv: list[tuple[float, float]] = []
    axis: list[int] = []
    patch: list[Array] = []
    across: list[float] = []
    for normal, field in ((0, white), (1, white.T)):
        for border in range(CELLS + 1):
            for row in range(CELLS):
                i, j = border + 3, row + 3
                if field[i - 1, j] == field[i, j]:
                    continue
                for offset in _ALONG:
                    place = (border - half, row + 0.5 + offset - half)
                    uv.append(place if normal == 0 else (place[1], place[0]))
                    axis.append(normal)
                    patch.append(field[i - 2 : i + 2, j - 1 : j + 2])
                    across.append(offset)
    return EdgePoints(np.array(uv), np.array(axis), np.array(patch), np.array(across))
