"""What of a scan is nearest to given places, and how well the scan knows it.

A scan is noisy, and the nearest of many noisy places is always too near: so the surface around
is evened out first where it is smooth, and left alone at edges. Where the scan lies is left to
`scan_place`, clearances to `fitscan.fit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from fitscan.geometry.rotation import Array
from fitscan.shape.open3d_door import load_open3d
from fitscan.shape.scan import Scan

__all__ = ["Feet", "Surface"]

_NEIGHBOURS, _FEW_NEIGHBOURS = 32, 12
_COARSE_MM = 5.0
_EDGE = 1.6
"""A local fit this much worse than is usual has an edge in it."""
_SAME_SIDE = 0.3
"""Cosine between normals above which neighbours are of one side of a part."""
_BELIEVED = 0.5
"""Cosine between a foot's normal and the way to it above which "behind the surface" is believed:
beyond the border of an open sheet there is no behind."""


@dataclass(frozen=True)
class Feet:
    """Nearest places of a surface.

    Attributes:
        points: (n, 3) on the surface.
        normals: (n, 3) unit, out of the surface.
        distance: (n,) mm, negative behind the surface.
        u: (n,) standard uncertainty of the surface there from its own noise.
    """

    points: Array
    normals: Array
    distance: Array
    u: Array


@dataclass(frozen=True)
class Surface:
    """A scanned surface that can be asked.

    Attributes:
        scan: its triangles or points.
        normals: (n, 3) of its vertices, on the side of the hint.
        noise_mm: standard deviation of its vertices about the smooth surface; 0 when not judged.
        u: (n,) of its vertices.
        coarse: whether its vertices lie too far apart to judge its noise.
        border: (n,) which vertices lie on the border of the sheet.
    """

    scan: Scan
    normals: Array
    noise_mm: float
    u: Array
    coarse: bool
    border: npt.NDArray[np.bool_]

    @staticmethod
    def of(scan: Scan, places: Array, outward: Array) -> Surface:
        """Surface with its noise.

        Args:
            scan: its triangles or points.
            places: (n, 3) on it whose outside is known.
            outward: (n, 3) unit directions to the outside there.
        """
        tree: Any = cKDTree(scan.vertices)
        some = np.unique(np.linspace(0, len(scan.vertices) - 1, 2000).astype(np.intp))
        count = min(_NEIGHBOURS, len(scan.vertices))
        spacing = _spacing_of(scan.vertices, tree, some)
        coarse = spacing > _COARSE_MM or count < _NEIGHBOURS
        noise = 0.0 if coarse else _usual(_fits(scan.vertices, scan.normals, tree, some)[2])
        normals = scan.normals
        if scan.is_cloud:
            normals = _cloud_normals(scan.vertices, tree, count)
            # Each point on its own: the walls of a recess lean less than a right angle.
            sense = np.sign(normals @ outward.sum(axis=0))
            normals = normals * np.where(sense == 0.0, 1.0, sense)[:, None]
        elif float((normals[tree.query(places)[1]] * outward).sum()) < 0:
            # Asked where it is known: over a closed part all normals add up to nothing.
            normals = -normals
        u = np.full(len(scan.vertices), noise)
        return Surface(scan, normals, noise, u, coarse, _border_of(scan))

    @cached_property
    def _tree(self) -> Any:
        return cKDTree(self.scan.vertices)

    @cached_property
    def _centre(self) -> Array:
        return np.asarray(self.scan.vertices.mean(axis=0))

    @cached_property
    def _scene(self) -> Any:
        """Open3D's; it counts in float32, so coordinates are taken from the middle."""
        open3d = load_open3d()
        scene = open3d.t.geometry.RaycastingScene()
        scene.add_triangles(
            (self.scan.vertices - self._centre).astype(np.float32),
            self.scan.triangles.astype(np.uint32),
        )
        return scene

    def nearest(self, x: Array) -> Feet:
        """Nearest places of the surface to points (n, 3), all in the scan's frame."""
        return self._nearest_in_cloud(x) if self.scan.is_cloud else self._nearest_in_mesh(x)

    def _nearest_in_mesh(self, x: Array) -> Feet:
        found = self._scene.compute_closest_points((x - self._centre).astype(np.float32))
        uv = found["primitive_uvs"].numpy().astype(np.float64)
        corners = self.scan.triangles[found["primitive_ids"].numpy().astype(np.intp)]
        weights = np.column_stack([1.0 - uv.sum(axis=1), uv])
        # Back to float64: only the share of each corner comes from the float32 search.
        points = np.einsum("nk,nkd->nd", weights, self.scan.vertices[corners])
        normals = np.einsum("nk,nkd->nd", weights, self.normals[corners])
        normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
        inner = (weights * ~self.border[corners]).sum(axis=1)
        u = np.sqrt(np.einsum("nk,nk->n", weights, self.u[corners] ** 2))
        return _signed(x, points, normals, u, inner > 1e-3)

    def _nearest_in_cloud(self, x: Array) -> Feet:
        rows = self._tree.query(x)[1]
        normals = self.normals[rows]
        away = x - self.scan.vertices[rows]
        height = (away * normals).sum(axis=1)
        sideways = away - height[:, None] * normals
        # The foot lies on the point's own little plane, but not farther off than its neighbours.
        reach = np.linalg.norm(sideways, axis=1)
        shrink = np.minimum(1.0, self._spacing / np.maximum(reach, 1e-12))
        points = self.scan.vertices[rows] + shrink[:, None] * sideways
        return _signed(x, points, normals, self.u[rows], np.ones(len(x), dtype=bool))

    @cached_property
    def _spacing(self) -> float:
        some = np.unique(np.linspace(0, len(self.scan.vertices) - 1, 2000).astype(np.intp))
        return _spacing_of(self.scan.vertices, self._tree, some)

    def evened(self, x: Array, margin_mm: float) -> Surface:
        """The surface with its noise taken out near points x (n, 3), where it is smooth.

        Args:
            x: places that will be asked for.
            margin_mm: vertices this much farther from their nearest place than the nearest vertex
                are evened out too.
        """
        if self.coarse:
            return self
        near = cKDTree(x)
        distance, place = near.query(self.scan.vertices)
        nearest = self._tree.query(x)[0]
        rows = np.flatnonzero(distance <= nearest[place] + margin_mm)
        if not len(rows):
            return self
        own = self.scan.normals
        shift, leverage, spread = _fits(self.scan.vertices, own, self._tree, rows)
        noise = _usual(spread)
        smooth = spread <= _EDGE * noise
        vertices, u = self.scan.vertices.copy(), np.full(len(self.scan.vertices), noise)
        vertices[rows[smooth]] += shift[smooth]
        u[rows[smooth]] = noise * np.sqrt(leverage[smooth])
        # A smaller neighbourhood may keep clear of an edge; on the edge itself nothing is evened.
        rows = rows[~smooth]
        if len(rows):
            shift, leverage, spread = _fits(
                self.scan.vertices, own, self._tree, rows, _FEW_NEIGHBOURS
            )
            smooth = spread <= _EDGE * noise
            vertices[rows[smooth]] += shift[smooth]
            u[rows[smooth]] = noise * np.sqrt(leverage[smooth])
        scan = Scan(
            self.scan.name, self.scan.sha256, vertices, self.scan.triangles, self.scan.normals
        )
        return Surface(scan, self.normals, noise, u, False, self.border)


def _border_of(scan: Scan) -> npt.NDArray[np.bool_]:
    """Vertices (n,) on an edge that only one triangle has."""
    t = scan.triangles
    edges = np.sort(np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1)
    # One number for an edge: comparing numbers is much faster than comparing pairs.
    count = len(scan.vertices)
    unique, times = np.unique(edges[:, 0] * count + edges[:, 1], return_counts=True)
    out = np.zeros(count, dtype=bool)
    alone = unique[times == 1]
    out[alone // count] = True
    out[alone % count] = True
    return out


def _spacing_of(vertices: Array, tree: Any, some: npt.NDArray[np.intp]) -> float:
    """Median distance of some vertices from their nearest neighbours, mm."""
    return float(np.median(tree.query(vertices[some], k=2)[0][:, 1]))


def _signed(x: Array, points: Array, normals: Array, u: Array, inner: Array) -> Feet:
    away = x - points
    distance = np.linalg.norm(away, axis=1)
    height = (away * normals).sum(axis=1)
    behind = (height < -_BELIEVED * distance) & inner
    return Feet(points, normals, np.where(behind, -distance, distance), u)


def _usual(spread: Array) -> float:
    """The middle of the standard deviations that could be worked out; 0 if none could."""
    known = spread[np.isfinite(spread)]
    return float(np.median(known)) if len(known) else 0.0


def _fits(
    vertices: Array,
    normals: Array,
    tree: Any,
    rows: npt.NDArray[np.intp],
    count: int = _NEIGHBOURS,
) -> tuple[Array, Array, Array]:
    """Quadratic fits around vertices.

    Each vertex's neighbours are told along the plane that they lie in, and
    w = a + b p + c q + d p^2 + e p q + f q^2 is fitted to their heights. Neighbours that face
    another way belong to the back of a thin part and are left out.

    Returns:
        shift (n, 3) to the fitted surface, its variance over that of a point (n,), and the
        neighbours' standard deviation about it (n,), infinite where too few are left.
    """
    shifts, leverages, spreads = [], [], []
    # In pieces: a scan has millions of vertices and each has neighbours.
    for part in np.array_split(rows, max(1, len(rows) // 20000)):
        near = tree.query(vertices[part], k=count)[1]
        weight = np.ones(near.shape)
        if len(normals):
            facing = np.einsum("nkd,nd->nk", normals[near], normals[part])
            weight = (facing > _SAME_SIDE).astype(np.float64)
        hood = vertices[near]
        frame = np.linalg.eigh(_scatter(hood, weight))[1]
        told = np.einsum("nki,nij->nkj", hood - vertices[part][:, None], frame)
        w, p, q = told[..., 0], told[..., 1], told[..., 2]
        size = np.maximum(np.abs(told).max(axis=(1, 2)), 1e-9)[:, None]
        p, q = p / size, q / size
        design = np.stack([np.ones_like(p), p, q, p * p, p * q, q * q], axis=2)
        weighed = design * weight[..., None]
        inverse = np.linalg.pinv(np.einsum("nki,nkj->nij", weighed, design), hermitian=True)
        numbers = np.einsum("nij,nkj,nk->ni", inverse, weighed, w, optimize=True)
        left = w - np.einsum("nki,ni->nk", design, numbers)
        free = weight.sum(axis=1) - 6.0
        spread = np.sqrt((weight * left**2).sum(axis=1) / np.maximum(free, 1.0))
        spreads.append(np.where(free >= 3.0, spread, np.inf))
        leverages.append(inverse[:, 0, 0])
        shifts.append(numbers[:, :1] * frame[:, :, 0])
    return np.concatenate(shifts), np.concatenate(leverages), np.concatenate(spreads)


def _scatter(hood: Array, weight: Array) -> Array:
    share = weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
    away = hood - np.einsum("nk,nkd->nd", share, hood)[:, None]
    return np.asarray(np.einsum("nk,nki,nkj->nij", share, away, away, optimize=True))


def _cloud_normals(vertices: Array, tree: Any, count: int) -> Array:
    out = []
    for part in np.array_split(np.arange(len(vertices)), max(1, len(vertices) // 20000)):
        hood = vertices[tree.query(vertices[part], k=min(count, 12))[1]]
        out.append(np.linalg.eigh(_scatter(hood, np.ones(hood.shape[:2])))[1][:, :, 0])
    return np.concatenate(out)
