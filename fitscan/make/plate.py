"""A foot plate on one or more flat faces, unfolded: outline, fold lines, bend zones, areas.

Where the faces are measured is left to `plate_source`, rules and words to `plate_plan`.

A plate lies on its faces, its metal on their outer side. Neighbouring faces meet in the line where
their planes cross. With the bend's angle a, inside radius r, thickness t and k-factor k (where the
unstretched layer lies, as a share of t from the inside), trade arithmetic says: bend allowance
a (r + k t); setback from the sharp line to where the bend starts (r + t) tan(a / 2) on the bend's
outer side and r tan(a / 2) on its inner side. In an inner corner of the car (floor to sill) the
plate touches with the bend's outer side, over an outer corner with its inner side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.geometry.rotation import Array, angle_between

__all__ = ["Face", "FlatPlate", "Fold", "Sheet", "face_of", "unfold"]

_LEAST_FOLD_DEG, _MOST_FOLD_DEG = 1.0, 150.0


@dataclass(frozen=True)
class Sheet:
    """The metal that a plate is made of.

    Attributes:
        thickness_mm: of the sheet.
        radius_mm: inside radius of a bend.
        k_factor: see the module's head.
    """

    thickness_mm: float
    radius_mm: float = 0.0
    k_factor: float = 0.4


@dataclass(frozen=True)
class Face:
    """A flat face of the car.

    Attributes:
        corners: (k, 3) mm, what the plate must cover there.
        middle, normal: (3,) of its plane; the normal points to the side of the metal.
        off: (k,) mm, how far each corner stands out of the plane.
    """

    corners: Array
    middle: Array
    normal: Array
    off: Array


@dataclass(frozen=True)
class Fold:
    """One bend in the flat pattern.

    Attributes:
        angle_rad: by which the sheet is bent.
        inner_corner: whether it lies in an inner corner of the car: folded towards the one who
            looks at the pattern.
        allowance_mm: bend allowance; setback_mm: on the side that touches.
        starts, middle, ends: (2, 2) mm, lines across the pattern.
    """

    angle_rad: float
    inner_corner: bool
    allowance_mm: float
    setback_mm: float
    starts: Array
    middle: Array
    ends: Array


@dataclass(frozen=True)
class FlatPlate:
    """The flat pattern, as one looks at the side away from the car.

    Attributes:
        outline: (n, 2) mm, closed, anticlockwise.
        folds: in order.
        corners: per face (k, 2) mm, where each corner comes to lie.
        area_mm2: of the pattern.
        face_areas_mm2: of each face without the bends.
    """

    outline: Array
    folds: tuple[Fold, ...]
    corners: tuple[Array, ...]
    area_mm2: float
    face_areas_mm2: tuple[float, ...]


def face_of(corners: Array, outward: Array) -> Face:
    """Plane through three or more corners.

    Args:
        corners: (k, 3) mm.
        outward: (3,) roughly to the side of the metal.

    Raises:
        DataError: they lie on one line.
    """
    middle = corners.mean(axis=0)
    _, spread, axes = np.linalg.svd(corners - middle, full_matrices=False)
    if len(corners) < 3 or spread[1] < 5.0:
        raise DataError(
            "The corners of a face lie on one line, so its plane is not known", "plate",
            "give three corners or more that span the face",
        )  # fmt: skip
    normal = axes[2] if axes[2] @ outward >= 0.0 else -axes[2]
    return Face(corners, middle, normal, (corners - middle) @ normal)


@dataclass(frozen=True)
class _Seam:
    """Where two faces meet: a point and direction of the sharp line, and how it is bent."""

    point: Array
    along: Array
    angle: float
    inner: bool
    setback: float
    allowance: float
    reach: tuple[float, float]


def unfold(faces: list[Face], sheet: Sheet) -> FlatPlate:
    """Lay a chain of faces flat.

    Args:
        faces: in order; each meets the next.
        sheet: of which the plate is made.

    Raises:
        InputError: a sheet that cannot be, or a corner that lies within a bend.
        DataError: neighbouring faces lie in one plane, or do not meet as a plate can.
    """
    _check_sheet(sheet, folds=len(faces) > 1)
    seams = [_seam(a, b, sheet, n) for n, (a, b) in enumerate(pairwise(faces), 1)]
    x, y = _first_axes(faces[0], seams)
    origin, place = (seams[0].point if seams else faces[0].middle), np.zeros(2)
    spots: list[Array] = []
    rims: list[Array] = []
    folds: list[Fold] = []
    # In the pattern each face has its own 3-D point `origin`, at `place`, and its own axes x and y.
    flat_x, flat_y = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    starts: Array | None = None
    for n, face in enumerate(faces):

        def lay(points: Array) -> Array:
            away = points - origin  # noqa: B023  - used within the same turn only
            here = place + (away @ x)[:, None] * flat_x + (away @ y)[:, None] * flat_y  # noqa: B023
            return np.asarray(here)

        spot = lay(face.corners)
        rim = [spot]
        if starts is not None:
            rim.append(starts)
        if n < len(seams):
            seam = seams[n]
            ends3 = seam.point + np.outer(seam.reach, seam.along)
            sharp = lay(ends3)
            fold_x = _unit(sharp[1] - sharp[0])
            fold_y = np.array([-fold_x[1], fold_x[0]])
            begin = sharp - seam.setback * fold_y
            _check_room(spot, begin, fold_y, n, before=True)
            if starts is not None:
                _check_room(starts, begin, fold_y, n, before=True)
            middle, end = begin + 0.5 * seam.allowance * fold_y, begin + seam.allowance * fold_y
            folds.append(
                Fold(seam.angle, seam.inner, seam.allowance, seam.setback, begin, middle, end)
            )
            rim.append(begin)
        spots.append(spot)
        rims.append(np.vstack(rim))
        if n < len(seams):
            # The next face goes on behind the bend: its sharp line moves by allowance - 2 setback.
            origin, place = ends3[0], sharp[0] + (seam.allowance - 2.0 * seam.setback) * fold_y
            x, flat_x, flat_y = seam.along, fold_x, fold_y
            y = np.cross(faces[n + 1].normal, seam.along)
            starts = end
            _check_room(
                place + ((faces[n + 1].corners - origin) @ x)[:, None] * flat_x
                + ((faces[n + 1].corners - origin) @ y)[:, None] * flat_y,
                end, fold_y, n + 1, before=False,
            )  # fmt: skip
    outline = _outline([_hull(r) for r in rims], folds)
    areas = tuple(_area(_hull(r)) for r in rims)
    return FlatPlate(outline, tuple(folds), tuple(spots), _area(outline), areas)


def _check_sheet(sheet: Sheet, *, folds: bool) -> None:
    rows = [("A thickness", sheet.thickness_mm, 0.5, 30.0, "mm")]
    if folds:
        rows += [
            ("An inside radius", sheet.radius_mm, 0.0, 200.0, "mm"),
            ("A k-factor", sheet.k_factor, 0.2, 0.6, "of the thickness"),
        ]
    for what, value, low, high, unit in rows:
        if not (math.isfinite(value) and low <= value <= high):
            raise InputError(
                f"{what} of {value:g} {unit} is none of a plate", "plate",
                f"give {low:g} to {high:g}",
            )  # fmt: skip


def _seam(a: Face, b: Face, sheet: Sheet, number: int) -> _Seam:
    angle = angle_between(a.normal, b.normal)
    degrees = math.degrees(angle)
    where = f"faces {number} and {number + 1}"
    if degrees < _LEAST_FOLD_DEG:
        raise DataError(
            f"The {where} lie in one plane to {degrees:.2f} deg, so no fold is between them",
            "plate", "name their pointers as one face",
        )  # fmt: skip
    if degrees > _MOST_FOLD_DEG:
        raise DataError(
            f"The {where} fold back on each other ({degrees:.0f} deg)", "plate",
            f"up to {_MOST_FOLD_DEG:g} deg is possible; check which pointers are on which face",
        )  # fmt: skip
    along = _unit(np.cross(a.normal, b.normal))
    rows = np.array([a.normal, b.normal, along])
    middle = 0.5 * (a.middle + b.middle)
    point = np.linalg.solve(rows, [a.normal @ a.middle, b.normal @ b.middle, along @ middle])
    # The first face lies before the fold, seen from outside: its own y points to the fold.
    if np.cross(a.normal, along) @ (point - a.middle) < 0.0:
        along = -along
    inner = bool((b.middle - point) @ a.normal > 0.0)
    if np.cross(b.normal, along) @ (b.middle - point) < 0.0 or inner != bool(
        (a.middle - point) @ b.normal > 0.0
    ):
        raise DataError(
            f"The {where} do not meet as one plate can lie on both", "plate",
            "check that every pointer's paper faces the side where the plate will be",
        )  # fmt: skip
    reach = (np.vstack([a.corners, b.corners]) - point) @ along
    back = math.tan(angle / 2.0) * (sheet.radius_mm + (sheet.thickness_mm if inner else 0.0))
    allowance = angle * (sheet.radius_mm + sheet.k_factor * sheet.thickness_mm)
    return _Seam(
        point, along, angle, inner, back, allowance, (float(reach.min()), float(reach.max()))
    )


def _first_axes(face: Face, seams: list[_Seam]) -> tuple[Array, Array]:
    x = seams[0].along if seams else face.corners[1] - face.corners[0]
    x = _unit(x - (x @ face.normal) * face.normal)
    return x, np.cross(face.normal, x)


def _check_room(spots: Array, line: Array, away: Array, number: int, *, before: bool) -> None:
    """Refuse a corner that would come to lie within the bend."""
    height = (spots - line[0]) @ away
    over = float(height.max() if before else -height.min())
    if over > 1e-6:
        raise InputError(
            f"A corner of face {number + 1} lies within its bend, by {over:.1f} mm", "plate",
            "put that pointer further from the corner, or take a smaller inside radius",
        )  # fmt: skip


def _outline(rims: list[Array], folds: list[Fold]) -> Array:
    """The whole outline, anticlockwise: up one side of the chain and down the other."""
    up: list[Array] = []
    down: list[Array] = []
    for n, rim in enumerate(rims):
        lower = folds[n - 1].ends if n > 0 else None
        upper = folds[n].starts if n < len(folds) else None
        if lower is None and upper is None:
            up.append(rim)
        elif lower is None and upper is not None:
            up.append(_path(rim, upper[0], upper[1]))
        elif lower is not None and upper is None:
            up.append(_path(rim, lower[1], lower[0]))
        elif lower is not None and upper is not None:
            up.append(_path(rim, lower[1], upper[1]))
            down.insert(0, _path(rim, upper[0], lower[0]))
    ring = np.vstack([*up, *down])
    return np.vstack([ring, ring[:1]])


def _path(ring: Array, first: Array, last: Array) -> Array:
    """Vertices of a ring from one of them to another, in its order."""
    i, j = (int(np.argmin(np.linalg.norm(ring - p, axis=1))) for p in (first, last))
    count = (j - i) % len(ring) + 1
    return np.roll(ring, -i, axis=0)[:count]


def _hull(points: Array) -> Array:
    from scipy.spatial import ConvexHull

    return np.asarray(points[ConvexHull(points).vertices])


def _area(ring: Array) -> float:
    """Gauss's shoelace formula."""
    x, y = ring[:, 0], ring[:, 1]
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def _unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v))
