"""Rotation matrices and their tangent vectors, one or many at a time.

The convention for small changes is stated in `rigid`; this module only offers the maps.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fitscan.errors import DataError

__all__ = ["Array", "angle_between", "check_rotation", "exp", "log", "nearest_rotation", "skew"]

Array = npt.NDArray[np.float64]

_SMALL_RAD = 1e-4


def skew(v: Array) -> Array:
    """Return matrices (..., 3, 3) with ``skew(v) @ x == cross(v, x)`` for v (..., 3)."""
    v = np.asarray(v, dtype=np.float64)
    out = np.zeros((*v.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def exp(w: Array) -> Array:
    """Rotation matrices (..., 3, 3) of rotation vectors w (..., 3) in radians (Rodrigues' formula).

    Below 1e-4 rad the series sin(a)/a = 1 - a^2/6 and (1 - cos a)/a^2 = 1/2 - a^2/24 is used:
    its next terms are under 1e-17 there.
    """
    w = np.asarray(w, dtype=np.float64)
    angle = np.linalg.norm(w, axis=-1)
    small = angle < _SMALL_RAD
    safe = np.where(small, 1.0, angle)
    a = np.where(small, 1.0 - angle**2 / 6.0, np.sin(safe) / safe)
    b = np.where(small, 0.5 - angle**2 / 24.0, 2.0 * (np.sin(safe / 2.0) / safe) ** 2)
    k = skew(w)
    return np.eye(3) + a[..., None, None] * k + b[..., None, None] * (k @ k)


def log(rotation: Array) -> Array:
    """Rotation vectors (..., 3) in radians, length 0 to pi, of rotation matrices (..., 3, 3).

    Goes through the unit quaternion, which stays exact near the half turn, where the antisymmetric
    part vanishes. Of the four rows of ``4 q q^T`` that a rotation matrix gives, the one with the
    largest element on the diagonal is taken (S. W. Shepperd, "Quaternion from rotation matrix",
    J. Guidance and Control 1 (1978) 223); `scipy.spatial.transform`, to which tests hold it,
    takes 30 ms to load.
    """
    rotation = np.asarray(rotation, dtype=np.float64)
    r = np.moveaxis(rotation.reshape(-1, 3, 3), 0, -1)
    if r.shape[-1] == 0:
        return np.zeros(rotation.shape[:-1])
    x, y, z = r[0, 0], r[1, 1], r[2, 2]
    xy, xz, yz = r[0, 1] + r[1, 0], r[0, 2] + r[2, 0], r[1, 2] + r[2, 1]
    wx, wy, wz = r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]
    rows = np.array([
        [1.0 + x - y - z, xy, xz, wx],
        [xy, 1.0 - x + y - z, yz, wy],
        [xz, yz, 1.0 - x - y + z, wz],
        [wx, wy, wz, 1.0 + x + y + z],
    ])  # fmt: skip
    largest = np.argmax(np.einsum("iin->in", rows), axis=0)
    q = rows[largest, :, np.arange(len(largest))]
    q = q * (np.where(q[:, 3] < 0.0, -1.0, 1.0) / np.linalg.norm(q, axis=1))[:, None]
    sine = np.linalg.norm(q[:, :3], axis=1)
    small = sine < _SMALL_RAD
    safe = np.where(small, 1.0, sine)
    # Small: 2 asin(s) / s = 2 + s^2 / 3, whose next term is under 1e-16 there.
    stretch = np.where(small, 2.0 + sine**2 / 3.0, 2.0 * np.arctan2(safe, q[:, 3]) / safe)
    return np.asarray(q[:, :3] * stretch[:, None]).reshape(rotation.shape[:-1])


def nearest_rotation(matrix: Array) -> Array:
    """Return the rotation matrices (..., 3, 3) closest to (..., 3, 3) in the Frobenius norm."""
    u, _, vt = np.linalg.svd(np.asarray(matrix, dtype=np.float64))
    sign = np.linalg.det(u @ vt)
    u = u.copy()
    u[..., :, 2] *= sign[..., None]
    return np.asarray(u @ vt)


def check_rotation(matrix: Array, where: str) -> Array:
    """Return `matrix` as float64 (3, 3) when it is a rotation to 1e-6.

    Raises:
        DataError: shape, finiteness, orthogonality or handedness is wrong.
    """
    out = np.asarray(matrix, dtype=np.float64)
    if (
        out.shape != (3, 3)
        or not np.all(np.isfinite(out))
        or not np.allclose(out @ out.T, np.eye(3), atol=1e-6)
        or np.linalg.det(out) < 0
    ):
        raise DataError("A rotation matrix is not a rotation", where, "make this file again")
    return out


def angle_between(a: Array, b: Array) -> float:
    """Angle in radians (0 to pi) between two vectors of shape (3,), exact for tiny angles too."""
    a, b = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    return float(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b))
