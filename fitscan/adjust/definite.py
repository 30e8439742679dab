"""Equations with a positive definite matrix, by numpy alone.

`scipy.linalg` takes longer to load than a comparison of two surveys takes.
Where the matrices come from is left to others.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array

__all__ = ["solve_definite"]


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
