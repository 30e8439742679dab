"""Straight lines in space: distances, closest points, and lines with covariance.

That a line is a tube's axis is left to `fitscan.shape`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.rotation import Array

__all__ = ["Line", "closest_points", "two_normals"]


@dataclass(frozen=True)
class Line:
    """A straight line: point (3,) in mm and unit direction (3,), both in one frame."""

    point: Array
    direction: Array

    @staticmethod
    def through(point: Array, direction: Array) -> Line:
        """Build from a direction of any length.

        Raises:
            DataError: the direction has no length.
        """
        length = float(np.linalg.norm(direction))
        if not np.isfinite(length) or length < 1e-12:
            raise DataError("A line has no direction", "line", "use two points that differ")
        return Line(np.asarray(point, dtype=np.float64), np.asarray(direction) / length)

    def at(self, along_mm: float) -> Array:
        """Point (3,) at a distance along the line from its point."""
        return np.asarray(self.point + along_mm * self.direction)

    def along(self, x: Array) -> Array:
        """Place along the line (...,) in mm of the feet of points x (..., 3)."""
        return np.asarray((np.asarray(x) - self.point) @ self.direction)

    def foot(self, x: Array) -> Array:
        """Feet (..., 3) of the perpendiculars from points x (..., 3)."""
        return np.asarray(self.point + self.along(x)[..., None] * self.direction)

    def distance(self, x: Array) -> Array:
        """Perpendicular distances (...,) in mm of points x (..., 3)."""
        return np.asarray(np.linalg.norm(np.asarray(x) - self.foot(x), axis=-1))


def closest_points(a: Line, b: Line) -> tuple[Array, Array]:
    """Points (3,), (3,) on a and on b where the lines pass closest.

    Raises:
        DataError: the lines are parallel within 1e-9 rad.
    """
    cross = np.cross(a.direction, b.direction)
    denominator = float(cross @ cross)
    if denominator < 1e-18:
        raise DataError(
            "Two lines are parallel and have no closest place", "lines", "compare their distance"
        )
    offset = b.point - a.point
    along_a = float(np.cross(offset, b.direction) @ cross) / denominator
    along_b = float(np.cross(offset, a.direction) @ cross) / denominator
    return a.at(along_a), b.at(along_b)


def two_normals(direction: Array) -> Array:
    """Two unit vectors (2, 3) that make a right-handed triad (n0, n1, direction)."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    n0 = np.cross(direction, helper)
    n0 /= np.linalg.norm(n0)
    return np.stack([n0, np.cross(direction, n0)])
