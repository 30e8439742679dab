"""Where the ink lies: for each printed tag, points of its square in its marker's own frame.

Knows the shapes (a plane, a cylinder) and what printing and wrapping do to them; where the
marker is in space is left to `fitscan.survey`.

Marker frames. Tag and pointer: x right, y up, z out of the paper, origin at the centre; a
pointer's tip is (0, -reach, 0). Cuff: z along the tube, origin on the axis at mid strip, the seam
at angle 0, column j's centre at (j + 0.5) * 360/columns degrees anticlockwise seen from +z, ids
run along the top row (highest z) first.

What the nominal drawing does not know is modelled by a few small numbers:

- printer scale (across, along): multiplies u and v of every tag on the sheet;
- cuff form (skew rad, radius mm, pitch 1): the strip is wrapped askew, lies on a radius other
  than od/2 + paper, and its columns are spread by a factor 1 + pitch about mid strip.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array

if TYPE_CHECKING:  # Workers need the layout, but not the kit's file.
    from fitscan.markers.kit import Kit, PointerSpec, TagSpec

__all__ = [
    "CUFF_FORM",
    "CuffPlace",
    "Layout",
    "TagPlace",
    "cuff_points",
    "cuff_surface",
    "flat_points",
]

CUFF_FORM = 3
"""Numbers that describe one cuff's form: skew, radius, pitch."""

CORNERS = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]])
"""Corners of a unit square in (u right, v up): top-left, top-right, bottom-right, bottom-left."""


@dataclass(frozen=True)
class CuffPlace:
    """Where one tag of a cuff sits on its strip, nominally.

    Attributes:
        radius_mm: of the ink, od/2 + paper.
        angle_rad: of the tag's centre from mid strip (-pi to pi); mid strip is at angle pi.
        z_mm: of the tag's centre along the tube.
    """

    radius_mm: float
    angle_rad: float
    z_mm: float


@dataclass(frozen=True)
class TagPlace:
    """One printed square: its marker (a cuff's marker is its first id) and its place on it."""

    tag_id: int
    marker_id: int
    side_mm: float
    cuff: CuffPlace | None

    def points(self, uv_mm: Array) -> Array:
        """Nominal points (..., 3) in the marker frame of places (..., 2) on the square."""
        uv = np.asarray(uv_mm, dtype=np.float64)
        if self.cuff is None:
            return np.concatenate([uv, np.zeros((*uv.shape[:-1], 1))], axis=-1)
        flat = uv.reshape(1, -1, 2)
        spec = np.array([[self.cuff.radius_mm, self.cuff.angle_rad, self.cuff.z_mm]])
        x, _ = cuff_points(flat, spec, np.ones(2), np.zeros((1, CUFF_FORM)))
        return x.reshape(*uv.shape[:-1], 3)

    def corners(self) -> Array:
        """Nominal corners (4, 3) in the marker frame: top-left, top-right, bottom-right, -left."""
        return self.points(CORNERS * self.side_mm)


@dataclass(frozen=True)
class Layout:
    """Every printed square of a kit by its id, and every marker by its own."""

    tags: dict[int, TagPlace]
    markers: dict[int, list[int]]

    @staticmethod
    def of(kit: Kit) -> Layout:
        """Lay out a kit."""
        tags: dict[int, TagPlace] = {}
        flats: list[TagSpec | PointerSpec] = [*kit.tag, *kit.pointer]
        for flat in flats:
            tags[flat.id] = TagPlace(flat.id, flat.id, flat.side_mm, None)
        for cuff in kit.cuff:
            radius = cuff.od_mm / 2.0 + cuff.paper_mm
            for n, tag_id in enumerate(cuff.ids):
                row, column = divmod(n, cuff.columns)
                angle = (column + 0.5) * 2.0 * np.pi / cuff.columns - np.pi
                z = ((cuff.rows - 1) / 2.0 - row) * cuff.row_pitch_mm
                place = CuffPlace(radius, float(angle), z)
                tags[tag_id] = TagPlace(tag_id, cuff.first_id, cuff.side_mm, place)
        markers: dict[int, list[int]] = {}
        for tag in tags.values():
            markers.setdefault(tag.marker_id, []).append(tag.tag_id)
        return Layout(tags, markers)


def flat_points(uv_mm: Array, scale: Array) -> tuple[Array, Array]:
    """Points on flat tags and their derivatives.

    Args:
        uv_mm: (n, k, 2) nominal places on the square.
        scale: (2,) printer scale across and along.

    Returns:
        x (n, k, 3) in the marker frame; d x / d scale (n, k, 3, 2).
    """
    n, k, _ = uv_mm.shape
    x = np.zeros((n, k, 3))
    x[..., :2] = uv_mm * scale
    by_scale = np.zeros((n, k, 3, 2))
    by_scale[..., 0, 0] = uv_mm[..., 0]
    by_scale[..., 1, 1] = uv_mm[..., 1]
    return x, by_scale


def cuff_surface(uv_mm: Array, place: Array, scale: Array, form: Array) -> Array:
    """Points x (n, k, 3) as `cuff_points` gives them, without the derivatives."""
    nominal, angle, row = (place[:, i, None] for i in range(3))
    skew, grow, pitch = (form[:, i, None] for i in range(3))
    radius = nominal + grow
    along = angle * nominal * (1.0 + pitch) + scale[0] * uv_mm[..., 0]
    height = scale[1] * (row + uv_mm[..., 1])
    theta = np.pi + (along - skew * height) / radius
    return np.stack(
        [radius * np.cos(theta), radius * np.sin(theta), height + skew * along], axis=-1
    )


def cuff_points(
    uv_mm: Array, place: Array, scale: Array, form: Array
) -> tuple[Array, npt.NDArray[np.float64]]:
    """Points on cuff tags and their derivatives.

    Args:
        uv_mm: (n, k, 2) nominal places on the square.
        place: (n, 3): radius mm, angle from mid strip rad, z mm, as in `CuffPlace`.
        scale: (2,) printer scale across and along.
        form: (n, 3): skew rad, radius mm, pitch 1.

    Returns:
        x (n, k, 3) in the marker frame; d x / d (scale 2, form 3) (n, k, 3, 5).
    """
    nominal, angle, row = (place[:, i, None] for i in range(3))
    skew, grow, pitch = (form[:, i, None] for i in range(3))
    radius = nominal + grow
    along = angle * nominal * (1.0 + pitch) + scale[0] * uv_mm[..., 0]
    height = scale[1] * (row + uv_mm[..., 1])
    arc = along - skew * height
    theta = np.pi + arc / radius
    c, s = np.cos(theta), np.sin(theta)
    x = np.stack([radius * c, radius * s, height + skew * along], axis=-1)
    # Along the surface (per mm of arc), and outwards.
    tangent = np.stack([-s, c, np.zeros_like(c)], axis=-1)
    outward = np.stack([c, s, np.zeros_like(c)], axis=-1)
    up = np.array([0.0, 0.0, 1.0])
    d = np.zeros((*x.shape, 5))
    u, v = uv_mm[..., 0, None], (row + uv_mm[..., 1])[..., None]
    skew_, along_, height_ = skew[..., None], along[..., None], height[..., None]
    d[..., 0] = u * (tangent + skew_ * up)
    d[..., 1] = v * (up - skew_ * tangent)
    d[..., 2] = -height_ * tangent + along_ * up
    d[..., 3] = outward - (arc / radius)[..., None] * tangent
    d[..., 4] = (angle * nominal)[..., None] * (tangent + skew_ * up)
    return x, d
