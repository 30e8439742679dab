"""The hole that a tube needs in a flat panel, in the panel's own two coordinates.

Where panel and tube are measured is left to `opening_source`, words to `opening_plan`, drawing to
`opening_sheet`.

The frame of a panel: the origin is the first mark's foot on the plane, x runs to the second mark's
foot, z comes out of the face that the marks lie on, and y completes the three. Heading is the
direction in the panel, from x towards y, that the tube takes as it comes out of the face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.geometry.line import Line
from fitscan.geometry.rotation import Array

__all__ = ["FLATTEST_DEG", "Crossing", "Hole", "crossing", "hole_outline"]

FLATTEST_DEG = 15.0
"""Below this angle between tube and panel the hole is a long slit whose length nobody can trust."""

_POINTS = 720


@dataclass(frozen=True)
class Crossing:
    """A tube's axis through a plane of marks.

    Attributes:
        marks: (k, 2) mm, feet of the marks in the panel's frame.
        off: (k,) mm, how far each mark stands out of the plane.
        centre: (2,) mm, where the axis passes the face.
        slant_rad: between the axis and the panel's normal; 0 when it passes squarely.
        heading_rad: see the module's head; 0 when it passes squarely.
        panel_from_frame: rotation (3, 3); origin: (3,) of the panel's frame.
    """

    marks: Array
    off: Array
    centre: Array
    slant_rad: float
    heading_rad: float
    panel_from_frame: Array
    origin: Array

    @property
    def lean(self) -> Array:
        """How far (2,) the axis moves in the panel for a millimetre out of the face."""
        way = np.array([math.cos(self.heading_rad), math.sin(self.heading_rad)])
        return np.asarray(math.tan(self.slant_rad) * way)


def _plane_of(marks: Array) -> tuple[Array, Array]:
    middle = marks.mean(axis=0)
    _, spread, axes = np.linalg.svd(marks - middle, full_matrices=False)
    if spread[1] < 5.0:
        raise DataError(
            "The marks on the panel lie on one line, so its plane is not known", "opening",
            "lay three pointers as a wide triangle round the place",
        )  # fmt: skip
    return middle, axes[2]


@dataclass(frozen=True)
class Hole:
    """What to cut out.

    Attributes:
        outline: (n, 2) mm; closed (first and last point the same) or, for a slot, open: it begins
            and ends at the panel's edge.
        slot: whether it is open to the edge.
        length_mm, width_mm: of the hole along the heading and across it, without a slot.
        land_mm: least metal left between hole and edge; None without an edge, or for a slot.
    """

    outline: Array
    slot: bool
    length_mm: float
    width_mm: float
    land_mm: float | None


def crossing(
    marks: Array, outward: Array, axis: Line, plane: tuple[Array, Array] | None = None
) -> Crossing:
    """Where an axis passes the plane of marks.

    Args:
        marks: (k, 3) mm, three or more; two will do with a plane.
        outward: (3,) roughly out of the face.
        axis: of the tube, in the same frame.
        plane: a point (3,) and a normal (3,), where something else than the marks says it.

    Raises:
        DataError: the marks lie on one line, or the tube runs along the panel.
    """
    if plane is None:
        middle, z = _plane_of(marks)
    else:
        middle, z = plane
    z = z if z @ outward >= 0.0 else -z
    run = marks[1] - marks[0]
    x = run - (run @ z) * z
    if np.linalg.norm(x) < 1.0:
        raise DataError(
            "The first two marks lie at one place of the panel",
            "opening",
            "name two that are apart",
        )
    x = x / np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z])
    off = (marks - middle) @ z
    origin = marks[0] - off[0] * z
    d = axis.direction if axis.direction @ z >= 0.0 else -axis.direction
    square = float(d @ z)
    if math.degrees(math.asin(min(square, 1.0))) < FLATTEST_DEG:
        raise InputError(
            f"The tube meets the panel at {math.degrees(math.asin(min(square, 1.0))):.1f} deg, "
            "almost along it", "opening",
            f"{FLATTEST_DEG:g} deg or more is possible; for less, cut the panel in two at the tube",
        )  # fmt: skip
    passes = axis.point + ((origin - axis.point) @ z) / (axis.direction @ z) * axis.direction
    inside = rotation @ d
    aside = float(np.hypot(inside[0], inside[1]))
    heading = math.atan2(inside[1], inside[0]) if aside > 1e-9 else 0.0
    return Crossing(
        (marks - origin) @ rotation[:2].T,
        off,
        rotation[:2] @ (passes - origin),
        math.atan2(aside, square),
        heading,
        rotation,
        origin,
    )


def hole_outline(
    at: Crossing,
    od_mm: float,
    clearance_mm: float,
    thickness_mm: float = 0.0,
    edge: Array | None = None,
    *,
    slot: bool = False,
    slide_deg: float = 0.0,
) -> Hole:
    """The cut line.

    A cylinder of the radius r = od / 2 + clearance cuts each face in an ellipse with the half axes
    r / cos(slant) and r; the hole clears it on both faces and between them.

    Args:
        at: where the tube passes.
        od_mm: of the tube.
        clearance_mm: from its skin to the metal, square to the tube.
        thickness_mm: of the panel, behind the face that the marks lie on.
        edge: (2, 2) mm, two points of the panel's edge in the panel's frame.
        slot: open the hole to the edge, as wide as it is.
        slide_deg: direction of the slot, from the square to the edge, anticlockwise on the face.

    Raises:
        InputError: a size that cannot be, a slot without an edge or one that never meets it, or a
            hole that reaches past the edge.
    """
    _check(od_mm, clearance_mm, thickness_mm)
    r = od_mm / 2.0 + clearance_mm
    t = np.linspace(0.0, 2.0 * math.pi, _POINTS + 1)[:-1]
    long = np.array([math.cos(at.heading_rad), math.sin(at.heading_rad)])
    across = np.array([-long[1], long[0]])
    ellipse = (
        at.centre
        + (r / math.cos(at.slant_rad)) * np.cos(t)[:, None] * long
        + r * np.sin(t)[:, None] * across
    )
    shape = _swept(ellipse, -thickness_mm * at.lean)
    length, width = (float(np.ptp(shape @ way)) for way in (long, across))
    if edge is None:
        if slot:
            raise InputError("A slot needs the panel's edge", "--edge", "name two marks on it")
        return Hole(np.vstack([shape, shape[:1]]), False, length, width, None)
    start, inward = _edge(edge, at.centre)
    land = float(((shape - start) @ inward).min())
    if not slot:
        if land <= 0.0:
            raise InputError(
                f"The hole reaches {-land:.1f} mm past the panel's edge", "opening",
                "give --slot to open it to the edge, or a smaller clearance",
            )  # fmt: skip
        return Hole(np.vstack([shape, shape[:1]]), False, length, width, land)
    if not abs(slide_deg) <= 60.0:
        raise InputError(
            f"A slot at {slide_deg:g} deg hardly meets the edge", "--slide-deg", "give -60 to 60"
        )
    turn = math.radians(slide_deg)
    c, s = math.cos(turn), math.sin(turn)
    way = np.array([[c, -s], [s, c]]) @ -inward
    reach = (float(((shape - start) @ inward).max()) + 20.0) / c
    return Hole(_opened(_swept(shape, reach * way), start, inward), True, length, width, None)


def _check(od_mm: float, clearance_mm: float, thickness_mm: float) -> None:
    for what, value, low, high in (
        ("An outside diameter", od_mm, 5.0, 300.0),
        ("A clearance", clearance_mm, 0.0, 100.0),
        ("A panel's thickness", thickness_mm, 0.0, 100.0),
    ):
        if not (math.isfinite(value) and low <= value <= high):
            raise InputError(
                f"{what} of {value:g} mm cannot be used", "opening", f"give {low:g} to {high:g} mm"
            )


def _swept(shape: Array, move: Array) -> Array:
    """Outline (n, 2), anticlockwise, of what a convex shape covers on its way along `move`."""
    if float(np.linalg.norm(move)) < 1e-9:
        return shape
    from scipy.spatial import ConvexHull

    both = np.vstack([shape, shape + move])
    return np.asarray(both[ConvexHull(both).vertices])


def _edge(edge: Array, centre: Array) -> tuple[Array, Array]:
    """A point of the edge and the unit vector from it into the panel, towards the hole."""
    run = edge[1] - edge[0]
    size = float(np.linalg.norm(run))
    if size < 5.0:
        raise InputError(
            "The two marks of the edge lie at one place", "--edge", "name two that are apart"
        )
    inward = np.array([-run[1], run[0]]) / size
    side = float((centre - edge[0]) @ inward)
    if abs(side) < 1e-9:
        raise InputError(
            "The tube's axis passes right through the panel's edge", "--edge",
            "check which marks are on the edge",
        )  # fmt: skip
    return np.asarray(edge[0]), np.asarray(inward if side > 0.0 else -inward)


def _opened(shape: Array, start: Array, inward: Array) -> Array:
    """The part of a closed outline inside the edge, from the edge round and back to it."""
    height = (shape - start) @ inward
    first = int(np.flatnonzero((height > 0.0) & (np.roll(height, 1) <= 0.0))[0])
    ring, height = np.roll(shape, -first, axis=0), np.roll(height, -first)
    count = int(np.argmax(height <= 0.0))
    ends = []
    for inner, outer in ((0, -1), (count - 1, count)):
        share = height[inner] / (height[inner] - height[outer])
        ends.append(ring[inner] + share * (ring[outer] - ring[inner]))
    return np.vstack([ends[0], ring[:count], ends[1]])
