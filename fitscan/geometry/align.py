"""Least-squares alignment of two point sets.

Weights from covariances, and tests for points that moved, are left to `fitscan.fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array

__all__ = ["Similarity", "align_points"]


@dataclass(frozen=True)
class Similarity:
    """x_in_b = scale * rotation @ x_in_a + translation; scale has no unit."""

    scale: float
    b_from_a: Rigid

    def apply(self, points_in_a: Array) -> Array:
        """Points (..., n) in a to b; n is 3, or 2 for planar sets."""
        r = self.b_from_a.rotation
        return self.scale * (np.asarray(points_in_a) @ r.T) + self.b_from_a.translation


def align_points(points_in_a: Array, points_in_b: Array, *, with_scale: bool) -> Similarity:
    """Best similarity or rigid transform from a to b for paired points (n, dim), dim 2 or 3.

    Source: S. Umeyama, "Least-squares estimation of transformation parameters between two point
    patterns", IEEE PAMI 13(4), 1991. The determinant guard keeps mirror images out.

    Raises:
        DataError: fewer points than needed, or all on one line (dim 3) or at one place.
    """
    a, b = np.asarray(points_in_a, dtype=np.float64), np.asarray(points_in_b, dtype=np.float64)
    dim = a.shape[1]
    mean_a, mean_b = a.mean(axis=0), b.mean(axis=0)
    da, db = a - mean_a, b - mean_b
    u, spread, vt = np.linalg.svd(db.T @ da / len(a))
    if len(a) < dim or spread[dim - 2] < 1e-9 * max(spread[0], 1e-300):
        raise DataError(
            f"The {len(a)} points do not fix an alignment",
            "point alignment",
            "use three or more points that are not on one line",
        )
    guard = np.ones(dim)
    guard[-1] = np.sign(np.linalg.det(u) * np.linalg.det(vt))
    rotation = u @ np.diag(guard) @ vt
    scale = float((spread @ guard) / (da**2).sum() * len(a)) if with_scale else 1.0
    return Similarity(scale, Rigid(rotation, mean_b - scale * rotation @ mean_a))
