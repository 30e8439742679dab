"""Read the codes in outlines, as flat squares first, then as squares that paper round a tube bends.

Finding outlines is left to `outlines`, measuring them to `edges`.

Seen from far, a point at the angle a round a tube and at the height z lands in the picture at
an affine function of (sin(a - t), z, cos(a - t)), t being where the viewer stands. Between the
corners of a square that spans the angles -h to h, what is not affine in (a, z) is, in units of half
a side: the columns are not spaced evenly, by k (1 - u^2) with k about tan(t) h / 2, and the rows
are arcs, by b (1 - u^2) along the tube, |b| no larger than about h tan(elevation) / 2. A flat grid
laid into such an outline reads the cells beside.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fitscan.markers.family import CELLS, FAMILY_SIZE, cells

__all__ = ["read_bent", "read_flat"]

Quads = npt.NDArray[np.float32]
"""Outlines (n, 4, 2) px, clockwise in the picture."""

Read = tuple[npt.NDArray[np.intp], Quads, npt.NDArray[np.bool_]]
"""Ids (m,), their outlines (m, 4, 2) from the tag's top left corner on, which (n,) were read."""

_BENDS = np.linspace(-0.33, 0.33, 7)
"""Bows and spacings that are tried, in half sides; a cell is a quarter."""

_LOOKS, _SPREAD = 4, 0.05
"""How often a flat square's cell is looked at, and how far from its middle, in half sides."""

_LEAST_CONTRAST = 18.0
_WRONG_BITS = 2
"""The family's ids differ in at least 11 of 36 bits; two wrong ones can still be corrected without
mistaking clutter for a tag."""

_WRONG_BORDER_FLAT, _WRONG_BORDER_BENT = 4, 1
"""Cells of the black border, of 28, that may look white: a glint, a finger's edge."""

_BORDER = np.ones((CELLS, CELLS), dtype=bool)
_BORDER[1:-1, 1:-1] = False
_CORNERS = np.zeros((CELLS, CELLS), dtype=bool)
_CORNERS[:: CELLS - 1, :: CELLS - 1] = True


def read_flat(grey: npt.NDArray[np.uint8], quads: Quads) -> Read:
    """Tags among outlines, read as flat squares, with up to two wrong bits each.

    Args:
        grey: (h, w).
        quads: (n, 4, 2) outlines.
    """
    values = _flat_cells(grey, quads)
    white, good = _white_cells(values, _WRONG_BORDER_FLAT)
    # Of signs, the sum of products is the number of equal ones less that of unequal ones.
    alike = (2.0 * white.astype(np.float32) - 1.0) @ _signs().T
    best = np.argmax(alike, axis=1)
    wrong = 0.5 * (CELLS - 2) ** 2 - 0.5 * alike[np.arange(len(quads)), best]
    read = good & (wrong <= _WRONG_BITS)
    return best[read] // 4, _from_top_left(quads[read], best[read] % 4), read


def read_bent(grey: npt.NDArray[np.uint8], quads: Quads) -> Read:
    """Tags among outlines that could not be read as flat squares.

    No bit may be wrong: with this many grids tried, a corrected bit would let clutter in.

    Args:
        grey: (h, w).
        quads: (n, 4, 2) outlines.
    """
    read = _black_in_the_corners(grey, quads)
    rows = np.flatnonzero(read)
    places = _bent_places()
    values = _seen(grey, quads[rows], places.reshape(-1, 2)).reshape(-1, len(places), CELLS, CELLS)
    white, good = _white_cells(values, _WRONG_BORDER_BENT)
    ids, quarters = [], []
    for row, codes, some in zip(rows, white, good, strict=True):
        found = _decode(codes[some])
        read[row] = found is not None
        if found is not None:
            ids.append(found[0])
            quarters.append(found[1])
    turned = _from_top_left(quads[read], np.array(quarters, dtype=np.intp))
    return np.array(ids, dtype=np.intp), turned, read


def _black_in_the_corners(grey: npt.NDArray[np.uint8], quads: Quads) -> npt.NDArray[np.bool_]:
    """Which outlines (n,) may hold a code: however paper bends, its corners stay where they are."""
    values = _flat_cells(grey, quads)
    corners, code = values[:, _CORNERS], values[:, ~_BORDER]
    black, paper = np.sort(corners, axis=1), _paper(code)
    # The second blackest: one corner may glint.
    whole = black[:, 2] < 0.5 * (black[:, 1] + paper)
    return np.asarray(whole & (paper - black[:, 1] > _LEAST_CONTRAST))


def _flat_cells(grey: npt.NDArray[np.uint8], quads: Quads) -> npt.NDArray[np.float32]:
    """Mean grey (n, 8, 8) about the middles of the cells of flat squares."""
    values = _seen(grey, quads, _flat_places())
    return np.asarray(values.reshape(len(quads), CELLS, CELLS, _LOOKS).mean(axis=-1))


@lru_cache(maxsize=1)
def _flat_places() -> npt.NDArray[np.float32]:
    """Places (4 * 64, 2) to look at in the unit square, four a cell."""
    step = (2.0 * np.arange(CELLS) + 1.0) / CELLS - 1.0
    v, u = (a.reshape(-1, 1) for a in np.meshgrid(step, step, indexing="ij"))
    beside = _SPREAD * np.array([[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0], [1.0, 1.0]])
    places = np.stack([u + beside[:, 0], v + beside[:, 1]], axis=-1)
    return places.reshape(-1, 2).astype(np.float32)


@lru_cache(maxsize=1)
def _bent_places() -> npt.NDArray[np.float32]:
    """Cells' middles (g, 64, 2) in the unit square, for g ways to be bent."""
    step = (2.0 * np.arange(CELLS) + 1.0) / CELLS - 1.0
    v, u = (a.reshape(-1) for a in np.meshgrid(step, step, indexing="ij"))
    k, b = (a.reshape(-1, 1) for a in np.meshgrid(_BENDS, _BENDS))
    hollow_u, hollow_v = 1.0 - u**2, 1.0 - v**2
    along_v = np.stack([u - k * hollow_u, v + b * hollow_u], axis=-1)
    along_u = np.stack([u + b * hollow_v, v - k * hollow_v], axis=-1)
    return np.concatenate([along_v, along_u]).astype(np.float32)


def _seen(
    grey: npt.NDArray[np.uint8], quads: Quads, places: npt.NDArray[np.float32]
) -> npt.NDArray[np.float32]:
    """Grey values (n, p) at places (p, 2) of the unit square, -1 to 1, laid into n outlines."""
    import cv2

    if len(quads) == 0:
        return np.zeros((0, len(places)), dtype=np.float32)
    middle = quads.mean(axis=1)
    matrix = _perspectives(quads - middle[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        three = matrix[:, :, :2] @ places.T
        three += matrix[:, :, 2:]
        three[:, :2] /= three[:, 2:]
    three[:, :2] += middle[:, :, None]
    # An outline without an area has no perspective; it reads as nothing.
    np.nan_to_num(three, copy=False, nan=-1.0, posinf=-1.0, neginf=-1.0)
    x, y = np.ascontiguousarray(three[:, 0]), np.ascontiguousarray(three[:, 1])
    seen = np.asarray(cv2.remap(grey, x, y, cv2.INTER_LINEAR))
    return seen.astype(np.float32)


def _perspectives(quads: Quads) -> npt.NDArray[np.float32]:
    """Matrices (n, 3, 3) that take the corners of the unit square, -1 to 1, to the outlines.

    Closed form for a square from 0 to 1: Heckbert, "Fundamentals of Texture Mapping and Image
    Warping", 1989, section 2.2.3.
    """
    a, b, c, d = (quads[:, i].astype(np.float64) for i in range(4))
    p, q, r = b - c, d - c, a - b + c - d
    with np.errstate(divide="ignore", invalid="ignore"):
        area = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
        g = (r[:, 0] * q[:, 1] - r[:, 1] * q[:, 0]) / area
        h = (p[:, 0] * r[:, 1] - p[:, 1] * r[:, 0]) / area
    matrix = np.empty((len(quads), 3, 3))
    matrix[:, :2, 0] = b - a + g[:, None] * b
    matrix[:, :2, 1] = d - a + h[:, None] * d
    matrix[:, :2, 2] = a
    matrix[:, 2] = np.stack([g, h, np.ones(len(quads))], axis=1)
    halved = np.array([[0.5, 0.0, 0.5], [0.0, 0.5, 0.5], [0.0, 0.0, 1.0]])
    return np.asarray(matrix @ halved, dtype=np.float32)


def _paper(code: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Grey of the paper by the brighter code cells (..., 36): every code has more white ones."""
    return np.asarray(np.partition(code, -6, axis=-1)[..., -6])


def _white_cells(
    values: npt.NDArray[np.float32], wrong_border: int
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """White code cells (..., 36), and which grids (...) show a black border and enough ink."""
    ring, code = values[..., _BORDER], values[..., ~_BORDER]
    half = ring.shape[-1] // 2
    black = np.partition(ring, half, axis=-1)[..., half]
    paper = _paper(code)
    middle = 0.5 * (black + paper)[..., None]
    good = (paper - black > _LEAST_CONTRAST) & ((ring > middle).sum(axis=-1) <= wrong_border)
    return code > middle, np.asarray(good)


def _from_top_left(quads: Quads, quarters: npt.NDArray[np.intp]) -> Quads:
    """Outlines that begin at the tag's own top left corner, given its quarter turns to the left."""
    corner = (np.arange(4) - quarters[:, None]) % 4
    return np.asarray(quads[np.arange(len(quads))[:, None], corner])


@lru_cache(maxsize=1)
def _signs() -> npt.NDArray[np.float32]:
    """Codes (4 * 587, 36) of all ids in all four quarter turns to the left: 1 white, -1 black."""
    codes = np.stack([cells(i)[1:-1, 1:-1] for i in range(FAMILY_SIZE)])
    white = np.stack([np.rot90(codes, k, axes=(1, 2)) for k in range(4)], axis=1)
    return np.asarray(2.0 * white.reshape(4 * FAMILY_SIZE, -1) - 1.0, dtype=np.float32)


@lru_cache(maxsize=1)
def _codes() -> dict[bytes, tuple[int, int]]:
    """Id and quarter turns to the left by the code's bits, as they are read row by row."""
    packed = np.packbits(_signs() > 0.0, axis=1)
    return {code.tobytes(): divmod(row, 4) for row, code in enumerate(packed)}


def _decode(white: npt.NDArray[np.bool_]) -> tuple[int, int] | None:
    """Id and quarter turns that some grid (g, 36) reads without a wrong bit, if they agree."""
    codes = _codes()
    packed = {p.tobytes() for p in np.packbits(white, axis=-1)}
    read = {codes[p] for p in packed if p in codes}
    return read.pop() if len(read) == 1 else None
