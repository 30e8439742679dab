"""Read the codes of squares that paper round a tube bends: the first look's outlines of them are
good, but a flat grid laid into an outline reads the cells beside.

Finding outlines is left to `tags`, measuring them to `edges`.

Seen from far, a point at the angle a round a tube and at the height z lands in the picture at
an affine function of (sin(a - t), z, cos(a - t)), t being where the viewer stands. Between the
corners of a square that spans the angles -h to h, what is not affine in (a, z) is, in units of half
a side: the columns are not spaced evenly, by k (1 - u^2) with k about tan(t) h / 2, and the rows
are arcs, by b (1 - u^2) along the tube, |b| no larger than about h tan(elevation) / 2.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS, FAMILY_SIZE, cells

__all__ = ["read_bent"]

_BENDS = np.linspace(-0.33, 0.33, 7)
"""Bows and spacings that are tried, in half sides; a cell is a quarter."""

_LEAST_CONTRAST = 18.0
_WRONG_BORDER = 1
"""Cells of the black border, of 28, that may look white: a glint, a finger's edge."""


def read_bent(
    grey: npt.NDArray[np.uint8], quads: npt.NDArray[np.float32]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float32]]:
    """Tags among outlines that could not be read as flat squares.

    No bit may be wrong: with this many grids tried, a corrected bit would let clutter in.

    Args:
        grey: (h, w).
        quads: (n, 4, 2) outlines, clockwise in the picture.

    Returns:
        ids (m,) and their outlines (m, 4, 2), beginning at the tag's top left corner.
    """
    import cv2

    none = np.zeros(0, dtype=np.intp), np.zeros((0, 4, 2), dtype=np.float32)
    if len(quads) == 0:
        return none
    places = _grids(quads.astype(np.float64)).astype(np.float32)
    n, bends, cells_each, _ = places.shape
    flat = places.reshape(n, bends * cells_each, 2)
    seen = cv2.remap(grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR)
    values = np.asarray(seen, dtype=np.float32).reshape(n, bends, CELLS, CELLS)
    white, good = _white_cells(values)
    ids, outlines = [], []
    for row in np.flatnonzero(good.any(axis=1)):
        found = _decode(white[row, good[row]])
        if found is not None:
            tag_id, quarter = found
            ids.append(tag_id)
            outlines.append(np.roll(quads[row], quarter, axis=0))
    if not ids:
        return none
    return np.array(ids, dtype=np.intp), np.stack(outlines)


def _grids(quads: Array) -> Array:
    """Pixels (n, g, 64, 2) of the cells' middles in n outlines, for g ways to be bent."""
    step = (2.0 * np.arange(CELLS) + 1.0) / CELLS - 1.0
    v, u = (a.reshape(-1) for a in np.meshgrid(step, step, indexing="ij"))
    k, b = (a.reshape(-1, 1) for a in np.meshgrid(_BENDS, _BENDS))
    hollow_u, hollow_v = 1.0 - u**2, 1.0 - v**2
    along_v = np.stack([u - k * hollow_u, v + b * hollow_u], axis=-1)
    along_u = np.stack([u + b * hollow_v, v - k * hollow_v], axis=-1)
    places = np.concatenate([along_v, along_u])
    one = np.concatenate([places, np.ones((*places.shape[:-1], 1))], axis=-1)
    on_photo = _perspectives(quads) @ one.reshape(-1, 3).T  # (n, 3, all places)
    pixels = np.stack([on_photo[:, 0] / on_photo[:, 2], on_photo[:, 1] / on_photo[:, 2]], axis=-1)
    return pixels.reshape(len(quads), *places.shape)


def _perspectives(quads: Array) -> Array:
    """Matrices (n, 3, 3) that take the corners of the unit square, -1 to 1, to the outlines."""
    unit = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    middle = quads.mean(axis=1, keepdims=True)
    size = np.ptp(quads, axis=1).max(axis=1)[:, None, None]
    away = (quads - middle) / size
    rows = np.zeros((len(quads), 8, 8))
    for i, (x, y) in enumerate(unit):
        rows[:, 2 * i, :3] = rows[:, 2 * i + 1, 3:6] = (x, y, 1.0)
        rows[:, 2 * i, 6], rows[:, 2 * i, 7] = -away[:, i, 0] * x, -away[:, i, 0] * y
        rows[:, 2 * i + 1, 6], rows[:, 2 * i + 1, 7] = -away[:, i, 1] * x, -away[:, i, 1] * y
    # An outline with three corners on a line has no perspective; it reads as nothing.
    solved = np.linalg.pinv(rows) @ away.reshape(-1, 8, 1)
    matrix = np.concatenate([solved[..., 0], np.ones((len(quads), 1))], axis=1).reshape(-1, 3, 3)
    back = np.tile(np.eye(3), (len(quads), 1, 1))
    back[:, 0, 0] = back[:, 1, 1] = size[:, 0, 0]
    back[:, :2, 2] = middle[:, 0]
    return np.asarray(back @ matrix)


def _white_cells(
    values: npt.NDArray[np.float32],
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """White code cells (n, g, 36), and which grids (n, g) show a black border and enough ink."""
    border = np.ones((CELLS, CELLS), dtype=bool)
    border[1:-1, 1:-1] = False
    ring, code = values[..., border], values[..., ~border]
    black = np.median(ring, axis=-1)
    paper = np.partition(code, -6, axis=-1)[..., -6]
    middle = 0.5 * (black + paper)[..., None]
    good = (paper - black > _LEAST_CONTRAST) & ((ring > middle).sum(axis=-1) <= _WRONG_BORDER)
    return code > middle, good


@lru_cache(maxsize=1)
def _codes() -> dict[bytes, tuple[int, int]]:
    """Id and quarter turns to the left by the code's bits, as they are read row by row."""
    out = {}
    for tag_id in range(FAMILY_SIZE):
        inner = cells(tag_id)[1:-1, 1:-1]
        for quarter in range(4):
            out[np.packbits(np.rot90(inner, quarter)).tobytes()] = (tag_id, quarter)
    return out


def _decode(white: npt.NDArray[np.bool_]) -> tuple[int, int] | None:
    """Id and quarter turns that some grid (g, 36) reads without a wrong bit, if they agree."""
    codes = _codes()
    packed = np.unique(np.packbits(white, axis=-1), axis=0)
    read = {codes[p.tobytes()] for p in packed if p.tobytes() in codes}
    return read.pop() if len(read) == 1 else None
