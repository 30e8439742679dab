"""Place a flat square by the rays of all photos that show it: no doubt between two poses.

For squares whose photos are placed already; placing photos is left to `start`.
"""

from __future__ import annotations

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens

__all__ = ["misses", "place_by_rays"]

Sights = list[tuple[Rigid, Array]]
"""cam_from_world of each photo, and the square's corners (4, 2) px in it."""


def place_by_rays(sights: Sights, lens: Lens, corners_mm: Array) -> Rigid | None:
    """world_from_marker of a square from its corners (4, 2) mm, or None where rays do not cross.

    Each corner is the point nearest to its rays (least squares of the distances).
    """
    if len(sights) < 2:
        return None
    matrix, right = np.zeros((4, 3, 3)), np.zeros((4, 3))
    for cam_from_world, quad in sights:
        turn = cam_from_world.rotation
        eye = -turn.T @ cam_from_world.translation
        rays = np.column_stack([lens.rays(quad), np.ones(4)]) @ turn
        rays = rays / np.linalg.norm(rays, axis=1, keepdims=True)
        across = np.eye(3) - rays[:, :, None] * rays[:, None, :]
        matrix += across
        right += across @ eye
    if np.linalg.eigvalsh(matrix)[:, 0].min() < 1e-4:
        return None
    points = np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0], dtype=np.float64)
    flat = np.column_stack([corners_mm, np.zeros(4)])
    try:
        return align_points(flat, points, with_scale=False).b_from_a
    except DataError:
        return None


def misses(sights: Sights, lens: Lens, corners_mm: Array, world_from_marker: Rigid) -> float:
    """Largest distance of a square's middle in a photo from where its pose puts it, in sides."""
    flat = world_from_marker.apply(np.column_stack([corners_mm, np.zeros(4)]))
    worst = 0.0
    for cam_from_world, quad in sights:
        pixels = lens.pixels(cam_from_world.apply(flat))
        side = np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).max()
        off = np.linalg.norm(quad.mean(axis=0) - pixels.mean(axis=0))
        worst = max(worst, float(off / side))
    return worst
