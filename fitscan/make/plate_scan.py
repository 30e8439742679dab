"""The flat faces of a scanned patch of floor and sill, as corners of a foot plate.

Reading scans is left to `fitscan.shape.scan`, unfolding to `plate`. The patch is cut out of a scan
by the person beforehand: what is in the file is what the plate shall cover.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, permutations

import numpy as np
import numpy.typing as npt

from fitscan.errors import DataError, InputError
from fitscan.geometry.rotation import Array
from fitscan.shape.scan import Scan

__all__ = ["faces_of_scan"]

Rows = npt.NDArray[np.intp]

_TRIALS = 200
_SAME_WAY = float(np.cos(np.radians(12.0)))
_MOST_FACES = 4
_LEAST_SHARE = 0.06
"""A flat piece with less of the patch's area is a rib or a seam, no face for a plate."""
_ON_NONE = 0.15
_COLLINEAR_MM = 0.5


@dataclass(frozen=True)
class _Plane:
    """A plane with the vertices (rows) that lie on it, and the area of its triangles."""

    middle: Array
    normal: Array
    vertices: Rows
    area: float

    def off(self, points: Array) -> Array:
        return np.asarray((points - self.middle) @ self.normal)


def faces_of_scan(
    scan: Scan, seen_from: Array, *, clear_mm: float, flat_mm: float = 1.0
) -> list[Array]:
    """Corners of each flat face, in an order in which neighbours meet.

    Planes are found one after another by random trials (M. Fischler, R. Bolles, "Random sample
    consensus", Communications of the ACM 24(6), 1981, from memory), the largest first, and then
    fitted to all that lies on them.

    Args:
        scan: triangles of the patch.
        seen_from: (3,) mm in the scan's frame, on the side where the plate will be.
        clear_mm: how far corners are kept from a neighbour's fold, for the bend.
        flat_mm: largest distance from a plane that still counts as on it.

    Returns:
        corners (k, 3) mm of each face, on its plane.

    Raises:
        InputError: the scan has no triangles.
        DataError: much of the patch lies on no flat face.
    """
    if scan.is_cloud:
        raise InputError(
            "A cloud of points has no faces", scan.name, "save the scan with its triangles"
        )
    planes, left = _planes(scan, seen_from, flat_mm)
    if left > _ON_NONE or not planes:
        raise DataError(
            f"{100.0 * left:.0f} % of the scanned patch lie on no flat face, and a plate of flat "
            "faces does not lie on a curved one", scan.name,
            "cut the patch down to its flat faces, or allow more with --flat-mm",
        )  # fmt: skip
    chain = _chain(scan, planes)
    out = []
    for n, plane in enumerate(chain):
        beside = [chain[k] for k in (n - 1, n + 1) if 0 <= k < len(chain)]
        out.append(_corners(scan, plane, beside, clear_mm, n + 1))
    return out


def _planes(scan: Scan, seen_from: Array, flat_mm: float) -> tuple[list[_Plane], float]:
    """Planes by area, and the share of the area that lies on none."""
    a, b, c = (scan.vertices[scan.triangles[:, i]] for i in range(3))
    face = np.cross(b - a, c - a)
    size = np.linalg.norm(face, axis=1)
    good = size > 1e-9
    normal = face / np.maximum(size, 1e-12)[:, None]
    middle, area = (a + b + c) / 3.0, 0.5 * size * good
    # Scanners turn triangles as they like: each looks to the side where the plate will be.
    facing = np.sum(normal * (seen_from - middle), axis=1)
    normal = np.where(facing[:, None] < 0.0, -normal, normal)
    rng = np.random.default_rng(1)
    free, planes, total = good.copy(), [], float(area.sum())
    for _ in range(_MOST_FACES):
        rows = np.flatnonzero(free)
        if len(rows) == 0:
            break
        chance = area[rows] / area[rows].sum()
        best: Rows = np.zeros(0, dtype=np.intp)
        for seed in rng.choice(rows, size=min(_TRIALS, len(rows)), p=chance):
            on = _on(middle, normal, rows, middle[seed], normal[seed], flat_mm)
            if area[on].sum() > area[best].sum():
                best = on
        for _again in range(3):
            corners = np.unique(scan.triangles[best])
            centre, way = _fit(scan.vertices[corners], normal[best[0]])
            best = _on(middle, normal, rows, centre, way, flat_mm)
        share = float(area[best].sum()) / total
        if share < _LEAST_SHARE:
            break
        rim = np.unique(scan.triangles[best]).astype(np.intp)
        planes.append(_Plane(*_fit(scan.vertices[rim], way), rim, float(area[best].sum())))
        free[best] = False
    on_planes = sum(p.area for p in planes)
    return planes, 1.0 - on_planes / max(total, 1e-12)


def _on(middle: Array, normal: Array, rows: Rows, point: Array, way: Array, flat_mm: float) -> Rows:
    near = np.abs((middle[rows] - point) @ way) <= flat_mm
    return np.asarray(rows[near & (normal[rows] @ way > _SAME_WAY)])


def _fit(points: Array, outward: Array) -> tuple[Array, Array]:
    middle = points.mean(axis=0)
    way = np.linalg.svd(points - middle, full_matrices=False)[2][2]
    return middle, np.asarray(way if way @ outward >= 0.0 else -way)


def _chain(scan: Scan, planes: list[_Plane]) -> list[_Plane]:
    """Order in which neighbours lie closest to each other."""
    from scipy.spatial import cKDTree

    trees = [cKDTree(scan.vertices[p.vertices]) for p in planes]
    apart = np.zeros((len(planes), len(planes)))
    for i, tree in enumerate(trees):
        for j, plane in enumerate(planes):
            apart[i, j] = float(np.min(tree.query(scan.vertices[plane.vertices])[0]))
    order = min(
        permutations(range(len(planes))),
        key=lambda o: (round(sum(apart[i, j] for i, j in pairwise(o)), 6), o),
    )
    return [planes[i] for i in order]


def _corners(
    scan: Scan, plane: _Plane, beside: list[_Plane], clear_mm: float, number: int
) -> Array:
    """Corners of a face on its plane, clear of the folds to its neighbours."""
    from scipy.spatial import ConvexHull

    points = scan.vertices[plane.vertices]
    points = points - plane.off(points)[:, None] * plane.normal
    for other in beside:
        # Within the plane, the distance from the fold is that from the other plane by the sine.
        sine = float(np.linalg.norm(np.cross(plane.normal, other.normal)))
        away = np.abs(other.off(points)) / max(sine, 1e-9)
        points = points[away >= clear_mm]
    if len(points) < 3:
        raise DataError(
            f"Face {number} of the scanned patch is too narrow for its bends", scan.name,
            "scan more of it, or take a smaller inside radius",
        )  # fmt: skip
    x = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][:2]
    ring = list(points[ConvexHull(points @ x.T).vertices])
    # A scanned edge has hundreds of vertices: those that hardly leave the line are no corners.
    while len(ring) > 3:
        stray = [_stray(ring[k - 1], ring[k], ring[(k + 1) % len(ring)]) for k in range(len(ring))]
        least = int(np.argmin(stray))
        if stray[least] > _COLLINEAR_MM:
            break
        ring.pop(least)
    return np.array(ring)


def _stray(before: Array, corner: Array, after: Array) -> float:
    """How far a corner stands off the line between its neighbours, mm."""
    run = after - before
    unit = run / max(float(np.linalg.norm(run)), 1e-12)
    away = corner - before
    return float(np.linalg.norm(away - (away @ unit) * unit))
