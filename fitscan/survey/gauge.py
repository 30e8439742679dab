"""Against what the places of markers are told: all of them together, with or without their scale.

Making covariances is left to `fitscan.adjust`.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array, skew

__all__ = ["told_among"]


def told_among(centres: Array, *, scale: bool = True) -> Array:
    """Matrix (6 n, 6 n) that takes the common motion out of markers' tangents.

    What is left is told against the centres of all these markers together, whatever it was told
    against before (an S-transformation: W. Baarda, "S-transformations and criterion matrices",
    1973, from memory). A covariance C becomes P C P^T.

    Args:
        centres: (n, 3) mm.
        scale: whether the common scale counts. Without it the size of the whole cloud is held, too.
    """
    n = len(centres)
    away = centres - centres.mean(axis=0)
    free = np.zeros((n, 6, 6 if scale else 7))
    free[:, :3, :3] = np.eye(3)
    free[:, 3:, :3] = -skew(away)
    free[:, 3:, 3:6] = np.eye(3)
    if not scale:
        free[:, 3:, 6] = away
    held = free.copy()
    held[:, :3] = 0.0
    flat, fixed = free.reshape(6 * n, -1), held.reshape(6 * n, -1)
    return np.asarray(np.eye(6 * n) - flat @ np.linalg.pinv(fixed.T @ fixed) @ fixed.T)
