"""Against what the places of markers are told: all of them together, with or without their scale.

Making covariances is left to `fitscan.adjust`.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array, skew

__all__ = ["told_among", "told_blocks", "told_covariance", "told_rows"]


def told_among(centres: Array, *, scale: bool = True) -> Array:
    """Matrix (6 n, 6 n) that takes the common motion out of markers' tangents.

    What is left is told against the centres of all these markers together, whatever it was told
    against before (an S-transformation: W. Baarda, "S-transformations and criterion matrices",
    1973, from memory). A covariance C becomes P C P^T.

    Args:
        centres: (n, 3) mm.
        scale: whether the common scale counts. Without it the size of the whole cloud is held, too.
    """
    free, held = _motion(centres, scale)
    return np.asarray(np.eye(len(free)) - free @ held.T)


def told_rows(rows: Array, centres: Array, *, scale: bool = True) -> Array:
    """Linear functions (r, 6 n) of markers' tangents with the common motion taken out; R P."""
    free, held = _motion(centres, scale)
    return np.asarray(rows - (rows @ free) @ held.T)


def told_covariance(covariance: Array, centres: Array, *, scale: bool = True) -> Array:
    """P C P^T of markers' tangents (6 n, 6 n), see `told_among`; P differs little from one."""
    free, held = _motion(centres, scale)
    beside = covariance @ held
    change = free @ (beside - free @ (0.5 * (held.T @ beside))).T
    return np.asarray(covariance - change - change.T)


def told_blocks(covariance: Array, centres: Array, *, scale: bool = True) -> Array:
    """Of P C P^T only each marker's own block (n, 6, 6), see `told_among`."""
    n = len(centres)
    free, held = _motion(centres, scale)
    beside = covariance @ held
    change = beside - free @ (0.5 * (held.T @ beside))
    own, other = free.reshape(n, 6, -1), change.reshape(n, 6, -1)
    blocks = covariance.reshape(n, 6, n, 6)[np.arange(n), :, np.arange(n)]
    taken = own @ other.transpose(0, 2, 1)
    return np.asarray(blocks - taken - taken.transpose(0, 2, 1))


def _motion(centres: Array, scale: bool) -> tuple[Array, Array]:
    """Matrices F and G (6 n, 6 or 7) of what is taken out: P = I - F G^T."""
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
    return flat, fixed @ np.linalg.pinv(fixed.T @ fixed)
