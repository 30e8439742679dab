"""How a square's borders move in a photo when its corners do, and what a new prediction changes.

What is measured of a square is its predicted shape plus one smooth field of eight numbers. A new
prediction that differs by such a field only leaves the measured corners where they are; what it
differs by beyond that (another bend of a cuff) moves them by what the field then takes up.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS

__all__ = ["LATTICE", "carry", "corner_field", "normals"]

_LINES = 5
_AT = np.linspace(-CELLS / 2.0, CELLS / 2.0, _LINES)

LATTICE: Array = np.stack(np.meshgrid(_AT, _AT, indexing="ij"), axis=-1).reshape(-1, 2)
"""Places (25, 2) on a square, in cells from its centre, by which two predictions are compared."""

_CORNERS = [_LINES - 1, _LINES * _LINES - 1, _LINES * (_LINES - 1), 0]
"""Top left, top right, bottom right, bottom left in the lattice."""

_SHARE = np.r_[0.5, np.ones(_LINES - 2), 0.5]
"""How much of a border the lattice's places on it stand for."""


def corner_field(uv: Array, base: Array, corners: Array) -> Array:
    """How points move when the corners do: (n, k, 2, 8) for places uv in -1 to 1.

    The eight small changes of a plane's projection: an affine field, six numbers, and two of
    perspective, (p - centre) * (g u + h v), in pixels p.

    Args:
        uv: (n, k, 2).
        base: (n, k, 2) their pixels.
        corners: (n, 4, 2) pixels of the corners.
    """
    centre = corners.mean(axis=1)[:, None]
    # Divided by the square's size, so that all columns are alike in magnitude.
    size = np.ptp(corners, axis=1).max(axis=1)[:, None, None]

    def bases(places: Array, pixels: Array) -> list[Array]:
        """Of x and of y: what is affine in them (three columns), and both of perspective."""
        u, v = places[..., 0], places[..., 1]
        away = (pixels - centre) / size
        one = np.ones_like(u)
        return [np.stack([one, u, v, away[..., i] * u, away[..., i] * v], -1) for i in (0, 1)]

    unit = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    at_corners = np.zeros((len(uv), 4, 2, 8))
    columns = ([0, 1, 2, 6, 7], [3, 4, 5, 6, 7])
    for i, basis in enumerate(bases(np.broadcast_to(unit, corners.shape), corners)):
        at_corners[:, :, i, columns[i]] = basis
    by_corners = np.linalg.inv(at_corners.reshape(-1, 8, 8))
    both = zip(bases(uv, base), columns, strict=True)
    return np.stack([basis @ by_corners[:, rows] for basis, rows in both], axis=2)


def normals(run: Array, ahead: Array) -> Array:
    """Unit normals (..., 2) of borders that run along `run`, on the side of `ahead`, both in px."""
    x, y = -run[..., 1], run[..., 0]
    length = np.maximum(np.sqrt(x * x + y * y), 1e-12)
    behind = x * ahead[..., 0] + y * ahead[..., 1] < 0.0
    length = np.where(behind, -length, length)
    return np.stack([x / length, y / length], axis=-1)


def carry(before: Array, now: Array) -> tuple[Array, Array]:
    """What a new prediction does to corners that were measured on an earlier one.

    Args:
        before: (n, 25, 2) pixels of the `LATTICE` in the prediction that was measured on.
        now: (n, 25, 2) the same in the new one.

    Returns:
        shift (n, 4, 2) of the measured corners, px; and (n,) the most by which the new shape's
        borders differ from the old one's along their normals when its corners may move freely.
        The borders are taken to be measured equally well all over the square.
    """
    n = len(before)
    corners = before[:, _CORNERS]
    unit = np.broadcast_to(LATTICE * (2.0 / CELLS), before.shape)
    field = corner_field(unit, before, corners)
    moved = now - before
    shape = before.reshape(n, _LINES, _LINES, 2)
    along = [np.gradient(shape, axis=i, edge_order=2).reshape(n, -1, 2) for i in (1, 2)]
    rows, left, weight = [], [], []
    for axis in range(2):
        normal = normals(along[1 - axis], along[axis])
        rows.append(np.einsum("nkd,nkdc->nkc", normal, field))
        left.append(np.sum(normal * moved, axis=-1))
        share = np.ones((_LINES, _LINES)) * (_SHARE if axis == 0 else _SHARE[:, None])
        weight.append(share.ravel())
    design, off = np.concatenate(rows, axis=1), np.concatenate(left, axis=1)
    weighed = (design * np.concatenate(weight)[:, None]).transpose(0, 2, 1)
    taken = np.linalg.solve(weighed @ design, weighed @ off[..., None])
    rest = np.abs(off - (design @ taken)[..., 0]).max(axis=1, initial=0.0)
    shift = now[:, _CORNERS] - corners - taken[..., 0].reshape(n, 4, 2)
    return np.asarray(shift), np.asarray(rest)
