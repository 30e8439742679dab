"""Equations with a positive definite matrix, by numpy alone.

`scipy.linalg` takes longer to load than a comparison of two surveys takes.
Where the matrices come from is left to others.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array

__all__ = ["is_firm", "solve_definite"]

_FIRM = 1e-6
"""Rounding leaves pivots of a singular matrix near 1e-8 of the largest, and whether their squares
come out negative is chance; in networks that are tied down all are above a thousandth."""


def is_firm(factor: Array) -> bool:
    """Whether a matrix of ones on the diagonal is far from singular by its Cholesky factor."""
    pivots = np.abs(np.diag(factor))
    return bool(pivots.min() >= _FIRM * pivots.max())


def solve_definite(matrix: Array, right: Array) -> Array:
    """Return matrix^-1 right.

    Args:
        matrix: (n, n) symmetric.
        right: (n, k).

    Raises:
        numpy.linalg.LinAlgError: the matrix is not positive definite.
    """
    # Numpy solves no triangular equations; the inverse factor is good where the factor is.
    half = np.linalg.inv(np.linalg.cholesky(matrix))
    return np.asarray(half.T @ (half @ right), dtype=np.float64)
