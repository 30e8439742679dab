"""A scan of the sample car's trim from the studio's own geometry, and the true clearances to it.

The studio's trim is the surface that the photos were rendered from, so that photos, scan and truth
are of one thing. The tool itself never sees the studio.
"""

from __future__ import annotations

import importlib
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from truth import Truth

from fitscan.fit.gap_standoff import Standoff
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.shape.scan import Scan, _vertex_normals
from fitscan.shape.scan_points import ScanPoints
from fitscan.survey.survey import Survey

__all__ = ["TrimScan", "clearance_errors", "tip_errors", "trim_scan"]

STUDIO = Path(__file__).resolve().parent / "studio"
TAGS = tuple(range(50, 58))
PAPER_MM = 0.12
"""How far the studio sticks paper above the trim."""


def _trim() -> tuple[Array, npt.NDArray[np.int64]]:
    """Vertices and triangles of the trim, door shut, in the car's frame."""
    sys.path.insert(0, str(STUDIO))
    try:
        wren = importlib.import_module("wren")
        mesh = next(m for m in wren.door_meshes() if m.name == "trim")
    finally:
        sys.path.remove(str(STUDIO))
    return np.asarray(mesh.v, dtype=np.float64), np.asarray(mesh.f, dtype=np.int64)


@dataclass(frozen=True)
class TrimScan:
    """A noisy scan in a frame of its own, points picked in it, and the exact surface."""

    scan: Scan
    points: ScanPoints
    vertices: Array


def trim_scan(shut: Truth, *, noise_mm: float, pick_mm: float, seed: int) -> TrimScan:
    """Scan the trim without its markers, and pick where the tags' middles are to be."""
    rng = np.random.default_rng(seed)
    vertices, triangles = _trim()
    scan_from_car = Rigid(exp(rng.normal(0.0, 1.0, 3)), rng.normal(0.0, 300.0, 3))
    noisy = scan_from_car.apply(vertices + rng.normal(0.0, noise_mm, vertices.shape))
    below = np.array([0.0, 0.0, -PAPER_MM])
    marked = scan_from_car.apply(np.array([shut.poses[m].apply(below) for m in TAGS]))
    picked = marked + rng.normal(0.0, pick_mm, marked.shape)
    scan = Scan("trim.ply", "0" * 64, noisy, triangles, _vertex_normals(noisy, triangles))
    points = ScanPoints("points.toml", "mm", picked, TAGS, pick_mm, 0.0, PAPER_MM)
    return TrimScan(scan, points, vertices)


def _car_from_bar(bar: Survey, shut: Truth) -> Rigid:
    markers = [m for m in bar.markers if m in shut.poses]
    found = np.array([bar.poses[bar.row(m)].translation for m in markers])
    true = np.array([shut.poses[m].translation for m in markers])
    return align_points(found, true, with_scale=False).b_from_a


def clearance_errors(result: Standoff, trim: TrimScan, shut: Truth, od_mm: float) -> Array:
    """Measured less true clearance (n, 2): the error and the error over U.

    The truth is the smallest distance of the rendered bar's true axis from the trim's own
    vertices and what lies between them, around the station's place.
    """
    car_from_target = _car_from_bar(result.chain.bar, shut) @ result.chain.start.inverse()
    numbers = {int(s.piece.split()[1]) for s in result.stations if s.piece.startswith("straight")}
    tree: Any = cKDTree(_finer(trim, [shut.straight(result.bar, n) for n in sorted(numbers)]))
    out = []
    for s in result.stations:
        if s.clearance_mm is None or s.piece.startswith("bend"):
            continue
        point, along = shut.straight(result.bar, int(s.piece.split()[1]))
        at = car_from_target.apply(s.bar_mm)
        foot = point + ((at - point) @ along) * along
        axis = foot + np.linspace(-1.0, 1.0, 21)[:, None] * along
        truth = float(tree.query(axis)[0].min()) - 0.5 * od_mm
        out.append((s.clearance_mm - truth, (s.clearance_mm - truth) / s.expanded_mm))
    return np.array(out)


def _finer(trim: TrimScan, axes: list[tuple[Array, Array]]) -> Array:
    """Places (n, 3) a quarter of a millimetre apart on the exact triangles near the axes."""
    corners = trim.vertices[trim.scan.triangles]
    middle = corners.mean(axis=1)
    near = np.zeros(len(middle), dtype=bool)
    for point, along in axes:
        near |= np.linalg.norm(np.cross(middle - point, along), axis=1) < 35.0
    share = np.linspace(0.0, 1.0, 9)
    weights = np.array([(1 - a - b, a, b) for a in share for b in share if a + b <= 1.0 + 1e-9])
    return np.asarray(np.einsum("kc,ncd->nkd", weights, corners[near]).reshape(-1, 3))


def tip_errors(result: Standoff, opened: Truth, shut: Truth, od_mm: float) -> Array:
    """Measured less true clearance from each pointer's tip on one lip (n, 2): error, over U."""
    names = [
        (m["name"], np.array(m["tip_in_world"]))
        for m in opened.content["markers"].values()
        if m["kind"] == "pointer" and m["name"].startswith(result.target)
    ]
    carrier = result.chain.alignment.used[0]
    shut_from_open = shut.poses[carrier] @ opened.poses[carrier].inverse()
    tips = [shut_from_open.apply(tip) for _, tip in sorted(names, key=lambda n: n[0])]
    # Away from the tips U contains what the lip may bow.
    sure = [s for s in result.stations if (s.clearance_expanded_mm or 9.9) < 0.5]
    assert len(sure) == len(tips)
    out = []
    for s, tip in zip(sure, tips, strict=True):
        point, along = shut.straight(result.bar, int(s.piece.split()[1]))
        away = tip - point
        truth = float(np.linalg.norm(away - (away @ along) * along)) - 0.5 * od_mm
        error = (s.clearance_mm or 0.0) - truth
        out.append((error, error / s.expanded_mm))
    return np.array(out)
