"""Equations with a positive definite matrix, by numpy alone.

`scipy.linalg` takes longer to load than a comparison of two surveys takes, and as long as two of
a survey's adjustments.
Where the matrices come from is left to others.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array

__all__ = [
    "are_firm",
    "inverse_of_lower",
    "is_firm",
    "lower_of",
    "scaled",
    "solve_definite",
    "solve_factored",
]

_FIRM = 1e-6
"""Rounding leaves pivots of a singular matrix near 1e-8 of the largest, and whether their squares
come out negative is chance; in networks that are tied down all are above a thousandth."""

_FEW = 32
"""Rows that are solved together."""

_SMALL = 64
"""Triangles up to this size are treated as full matrices; larger ones are halved, so that nearly
all of the work is products."""


def is_firm(factor: Array) -> bool:
    """Whether a matrix of ones on the diagonal is far from singular by its Cholesky factor."""
    pivots = np.abs(np.diag(factor))
    return bool(pivots.min() >= _FIRM * pivots.max())


def are_firm(halves: Array, matrices: Array) -> bool:
    """The same of matrices (n, k, k) of any scale, by the inverses (n, k, k) of their factors."""
    pivots = 1.0 / np.einsum("nii->ni", halves)
    return bool((pivots >= _FIRM * np.sqrt(np.einsum("nii->ni", matrices))).all())


def scaled(matrix: Array, scale: Array) -> Array:
    """S M S of a matrix (n, n), with S the diagonal matrix of `scale` (n,)."""
    out = matrix * scale
    out *= scale[:, None]
    return out


def lower_of(matrix: Array) -> Array:
    """Cholesky factor L (n, n) of a symmetric matrix (n, n) = L L^T.

    Raises:
        numpy.linalg.LinAlgError: the matrix is not positive definite.
    """
    # The same matrix, but its columns lie as LAPACK wants them: copying it takes a third less.
    return np.asarray(np.linalg.cholesky(matrix.T), dtype=np.float64)


def solve_factored(lower: Array, right: Array) -> Array:
    """Return (L L^T)^-1 right, with right (n,) or (n, k)."""
    n = len(lower)
    rows = [slice(a, min(a + _FEW, n)) for a in range(0, n, _FEW)]
    # Blocks on the diagonal are inverted together; a last one that is smaller, as part of ones.
    blocks = np.tile(np.eye(_FEW), (len(rows), 1, 1))
    for block, own in zip(blocks, rows, strict=True):
        block[: own.stop - own.start, : own.stop - own.start] = lower[own, own]
    inverses = np.linalg.inv(blocks)
    halves = [
        inverse[: own.stop - own.start, : own.stop - own.start]
        for inverse, own in zip(inverses, rows, strict=True)
    ]
    out = np.array(right, dtype=np.float64)
    for half, own in zip(halves, rows, strict=True):
        out[own] = half @ (out[own] - lower[own, : own.start] @ out[: own.start])
    for half, own in zip(reversed(halves), reversed(rows), strict=True):
        out[own] = half.T @ (out[own] - lower[own.stop :, own].T @ out[own.stop :])
    return out


def inverse_of_lower(lower: Array) -> Array:
    """Return L^-1 (n, n), lower triangular like L."""
    n = len(lower)
    if n <= _SMALL:
        return np.tril(np.linalg.inv(lower))
    h = n // 2
    out = np.zeros_like(lower)
    out[:h, :h] = inverse_of_lower(lower[:h, :h])
    out[h:, h:] = inverse_of_lower(lower[h:, h:])
    out[h:, :h] = -(out[h:, h:] @ (lower[h:, :h] @ out[:h, :h]))
    return out


def solve_definite(matrix: Array, right: Array) -> Array:
    """Return matrix^-1 right.

    Args:
        matrix: (n, n) symmetric.
        right: (n, k).

    Raises:
        numpy.linalg.LinAlgError: the matrix is not positive definite.
    """
    # Many right-hand sides, as most have that ask: the inverse factor is good where the factor is.
    half = np.linalg.inv(np.linalg.cholesky(matrix))
    return np.asarray(half.T @ (half @ right), dtype=np.float64)
