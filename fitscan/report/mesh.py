"""Surfaces for viewers: round bars along a path, and printed squares, as triangles.

Where the paths run is left to `shapes`; writing files to `scene` and `exchange`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.geometry.line import two_normals
from fitscan.geometry.rotation import Array

__all__ = ["Mesh", "cone", "fan", "joined", "round_bar"]

IntArray = npt.NDArray[np.int64]

_SIDES = 24


@dataclass(frozen=True)
class Mesh:
    """Vertices (n, 3) in mm and triangles (m, 3), anticlockwise as seen from outside."""

    vertices: Array
    faces: IntArray


def round_bar(path: Array, od_mm: float, sides: int = _SIDES) -> Mesh:
    """A bar of a diameter along a path (n, 3), its corners mitred, its ends closed.

    Each ring is the cross section of the piece before it, pushed along that piece into the plane
    that halves the corner; so every piece has the true diameter up to its ends.

    Raises:
        ValueError: fewer than two points that differ (a mistake of the caller).
    """
    steps = np.diff(path, axis=0)
    keep = np.linalg.norm(steps, axis=1) > 1e-9
    points = path[np.concatenate([[True], keep])]
    if len(points) < 2:
        raise ValueError("a bar needs two points that differ")
    ways = np.diff(points, axis=0)
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    angle = np.linspace(0.0, 2.0 * np.pi, sides, endpoint=False)[:, None]
    n0, n1 = two_normals(ways[0])
    round_ = 0.5 * od_mm * (np.cos(angle) * n0 + np.sin(angle) * n1)
    rings = [points[0] + round_]
    for i in range(1, len(points)):
        before = ways[i - 1]
        after = ways[i] if i < len(ways) else before
        halving = before + after
        pushed = round_ - np.outer(round_ @ halving / (before @ halving), before)
        rings.append(points[i] + pushed)
        # The next piece's cross section runs through the same ring.
        round_ = pushed - np.outer(pushed @ after, after)
    vertices = np.concatenate([*rings, points[:1], points[-1:]])
    faces = [_band(i, sides) for i in range(len(points) - 1)]
    start, end = len(vertices) - 2, len(vertices) - 1
    j = np.arange(sides)
    k = (j + 1) % sides
    last = (len(points) - 1) * sides
    faces.append(np.stack([np.full(sides, start), k, j], axis=1))
    faces.append(np.stack([np.full(sides, end), last + j, last + k], axis=1))
    return Mesh(vertices, np.concatenate(faces))


def _band(i: int, sides: int) -> IntArray:
    """Triangles between ring i and the next."""
    j = np.arange(sides)
    k = (j + 1) % sides
    low, high = i * sides, (i + 1) * sides
    return np.concatenate(
        [
            np.stack([low + j, low + k, high + k], axis=1),
            np.stack([low + j, high + k, high + j], axis=1),
        ]
    )


def fan(border: Array) -> Mesh:
    """The face inside a closed border (n, 3) whose last point is its first.

    Seen from the side on which the border runs anticlockwise.
    """
    ring = border[:-1]
    n = len(ring)
    j = np.arange(n)
    middle = np.full(n, n)
    vertices = np.concatenate([ring, ring.mean(axis=0, keepdims=True)])
    return Mesh(vertices, np.stack([middle, j, (j + 1) % n], axis=1))


def cone(tip: Array, way: Array, length_mm: float, sides: int = 16) -> Mesh:
    """An arrow's head: its tip (3,), the unit way (3,) it points, a third as wide as long."""
    angle = np.linspace(0.0, 2.0 * np.pi, sides, endpoint=False)[:, None]
    n0, n1 = two_normals(way)
    base = tip - length_mm * way
    ring = base + length_mm / 3.0 * (np.cos(angle) * n0 + np.sin(angle) * n1)
    j = np.arange(sides)
    k = (j + 1) % sides
    faces = [
        np.stack([j, k, np.full(sides, sides)], axis=1),
        np.stack([k, j, np.full(sides, sides + 1)], axis=1),
    ]
    return Mesh(np.concatenate([ring, tip[None], base[None]]), np.concatenate(faces))


def joined(meshes: list[Mesh]) -> Mesh:
    """Several meshes as one."""
    starts = np.cumsum([0, *(len(m.vertices) for m in meshes[:-1])])
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + start for m, start in zip(meshes, starts, strict=True)]),
    )
