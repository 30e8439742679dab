"""Where a tag's own edges are: points on every border between a black and a white cell.

Measuring them in a photo is left to `edges`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS, cells

__all__ = ["ALONG", "EdgePoints", "edge_points"]

ALONG = (-0.28, 0.0, 0.28)
"""Where on a cell's side the edge is measured, in cells from the side's middle."""


@dataclass(frozen=True)
class EdgePoints:
    """k points on a tag's black/white borders, in cells from the tag's centre.

    The points of one cell's side follow each other in the order of `ALONG`.

    Attributes:
        uv: (k, 2) place, u right, v up, the black square is -4 to 4.
        axis: (k,) 0 where the border runs up and its normal is u, 1 where the normal is v.
        patch: (k, 4, 3) whiteness (0 or 1) of the cells round the border: four along the
            normal (two on each side), three across (the middle one is the point's own row).
        across: (k,) the point's place across, in cells from the middle of its own row.
        number: (k,) of the point among all that a tag can have, counted by axis (2), line (9) and
            place along the line (24).
    """

    uv: Array
    axis: npt.NDArray[np.intp]
    patch: Array
    across: Array
    number: npt.NDArray[np.intp]

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
    # The cells round the side at (border, row): [border, row, along the normal, across].
    window = np.lib.stride_tricks.sliding_window_view
    near = np.stack([window(f[1:-1, 2:-2], (4, 3)) for f in (white, white.T)])
    differ = near[..., 1, 1] != near[..., 2, 1]
    axis, border, row = np.nonzero(differ)
    half = CELLS / 2.0
    points = len(ALONG)
    across = np.tile(np.array(ALONG), len(axis))
    line = np.repeat(border - half, points)
    along = np.repeat(row + 0.5 - half, points) + across
    first = (axis * (CELLS + 1) + border) * CELLS + row
    axis = np.repeat(axis, points)
    return EdgePoints(
        np.where((axis == 0)[:, None], np.stack([line, along], 1), np.stack([along, line], 1)),
        axis,
        np.repeat(near[differ], points, axis=0),
        across,
        np.repeat(first * points, points) + np.tile(np.arange(points), len(first)),
    )
