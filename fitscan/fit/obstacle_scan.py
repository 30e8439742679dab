"""A scanned surface on a door as points that a bar may hit.

Where the scan lies is left to `fitscan.shape.scan_place`, when the bar comes near to `sweep`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from fitscan.errors import DataError
from fitscan.fit.hinge import Hinge
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, skew
from fitscan.shape.scan import Scan
from fitscan.shape.scan_place import Placement, place_scan
from fitscan.shape.scan_points import ScanPoints
from fitscan.survey.survey import Survey

__all__ = ["ScanPoint", "scan_obstacles"]

_NEAR_MM = 60.0
"""Points of the scan that never come nearer to the bar's axis are left out."""

_EDGE_MM = 2.0
"""Triangles near the bar are split until no edge is longer: half of it squared over the bar's
radius is what a flat piece between points can come nearer, a twentieth of a millimetre."""

_LEAST_SEEN = 3
_MOST_POINTS = 30_000
_LOOKS_DEG = 2.0


@dataclass(frozen=True)
class ScanPoint:
    """A point of a scan; the same questions as of an `Obstacle` have answers.

    Attributes:
        name: in words.
        survey: position in the list of surveys in which the scan was placed.
        placement: how.
        place: (3,) in the scan's frame.
        start: (3,) in the survey's frame, as surveyed.
        surface_u_mm: standard uncertainty of the surface there.
        grown_mm: 0, a surface has no thickness.
    """

    name: str
    survey: int
    placement: Placement
    place: Array
    start: Array
    surface_u_mm: float
    grown_mm: float = 0.0

    def at(self, poses: dict[int, Rigid]) -> Array:
        """The point (3,) in the frame of the poses."""
        return np.asarray(self.placement.survey_from_scan_for(poses).apply(self.place))

    @property
    def surveyed(self) -> Array:
        """The point (3,) for the poses as surveyed."""
        return self.start

    @property
    def markers(self) -> tuple[int, ...]:
        """Markers that it depends on."""
        return self.placement.markers

    def own_variance(self, way: Array) -> float:
        """Variance along a unit vector (3,) of the survey's frame that is not the survey's."""
        arm = self.placement.survey_from_scan.turn(self.place)
        row = way @ np.hstack([-skew(arm), np.eye(3)])
        return float(row @ self.placement.own @ row) + self.surface_u_mm**2


def scan_obstacles(
    hinge: Hinge, chords: Array, scan: Scan, points: ScanPoints
) -> tuple[list[ScanPoint], tuple[str, ...]]:
    """Points of a scan that come near a bar at any door angle, and remarks on its place.

    Args:
        hinge: of the door that carries the scan.
        chords: (s, 2, 3) pieces of the bar's axis, in the base's frame.
        scan: of the door's trim.
        points: picked in it; the first survey that shows three of them places it.

    Raises:
        InputError: a picked point is no tag or pointer of the kit.
        DataError: no survey shows three picked points, the scan cannot be placed, or it never comes
            near the bar.
    """
    k = _placing(hinge.surveys, points)
    placement, surface = place_scan(hinge.surveys[k], scan, points)
    base_from_scan = hinge.base_from[k] @ placement.survey_from_scan
    shut = -float(hinge.angles[k])
    looks = np.arange(0.0, float(np.max(hinge.angles)) + np.radians(_LOOKS_DEG),
                      np.radians(_LOOKS_DEG))  # fmt: skip

    def nearest(places: Array) -> Array:
        """How near (n,) places of the scan come to the bar's axis at any door angle."""
        told = hinge.turned(base_from_scan.apply(places), shut)
        ways = [_distance(hinge.turned(told, float(a)), chords) for a in looks]
        return np.asarray(np.min(ways, axis=0))

    near = _dense(scan, nearest)
    if not len(near):
        raise DataError(
            f"The scan {scan.name} never comes within {_NEAR_MM:g} mm of the bar",
            points.source,
            "check that it is of this door, and in the right unit",
        )
    near = near[:: max(1, -(-len(near) // _MOST_POINTS))]
    u = surface.u[cKDTree(scan.vertices).query(near)[1]]
    starts = placement.survey_from_scan.apply(near)
    out = [
        ScanPoint(f"the scan {scan.name}", k, placement, place, start,
                  float(np.hypot(own, points.surface_u_mm)))
        for place, start, own in zip(near, starts, u, strict=True)
    ]  # fmt: skip
    return out, placement.remarks


def _placing(surveys: Sequence[Survey], points: ScanPoints) -> int:
    seen = [sum(s.has(m) for m in points.markers(s.kit)) for s in surveys]
    k = int(np.argmax(seen))
    if seen[k] < _LEAST_SEEN:
        raise DataError(
            f"No survey shows {_LEAST_SEEN} of the scan's named points",
            points.source,
            "name tags or pointers on the door that the shoots show",
        )
    return k


def _distance(points: Array, chords: Array) -> Array:
    """Distances (n,) of points from the nearest piece."""
    best = np.full(len(points), np.inf)
    for start, end in chords:
        run = end - start
        share = np.clip((points - start) @ run / (run @ run), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(points - start - share[:, None] * run, axis=1))
    return best


def _dense(scan: Scan, ask: Callable[[Array], Array]) -> Array:
    """Vertices near the bar, and points between them until they lie close."""
    if scan.is_cloud:
        return np.asarray(scan.vertices[ask(scan.vertices) < _NEAR_MM])
    corners = scan.vertices[scan.triangles]
    out: list[Array] = []
    for _ in range(12):
        if not len(corners):
            break
        middle = corners.mean(axis=1)
        reach = np.linalg.norm(corners - middle[:, None], axis=2).max(axis=1)
        corners = corners[ask(middle) - reach < _NEAR_MM]
        edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        fine = edges <= _EDGE_MM
        out.append(corners[fine].reshape(-1, 3))
        corners = _split(corners[~fine])
    if not sum(len(o) for o in out):
        return np.zeros((0, 3))
    places: Array = np.asarray(np.unique(np.round(np.concatenate(out), 6), axis=0))
    return np.asarray(places[ask(places) < _NEAR_MM])


def _split(corners: Array) -> Array:
    """Each triangle (n, 3, 3) as four."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, bc, ca = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
    parts = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
    return np.concatenate([np.stack(p, axis=1) for p in parts])
