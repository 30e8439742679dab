"""Observed tags as residual blocks: a square's four corners and its edge shift.

Measuring them in the photo is left to `fitscan.detect`.

One observation is one printed square in one photo: nine numbers, the pixels of its four corners
and the edge shift of its black edges (px, positive when black shrinks), with a whitening matrix
(9, 9) that may be short of rank: a corner detector sees corners that the edge shift has moved and
says nothing else, edges on both sides of black tell them apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray, Linear, Values
from fitscan.geometry.rotation import Array
from fitscan.lens.model import project, project_pixels
from fitscan.markers.layout import CORNERS, Layout, cuff_points, cuff_surface, flat_points

__all__ = [
    "HUBER",
    "NEAREST_MM",
    "TagBlock",
    "TagGeometry",
    "inward",
    "marker_motion",
    "pixels_and_depth",
    "predict",
    "predict_pixels",
    "view",
]

HUBER = 1.8
"""Bound of the Huber weights on sqrt(chi2 / rank): about where Baarda's test trips for nine
residuals."""

NEAREST_MM = 1.0
"""Nearer than this to its camera a point cannot have been photographed."""


@dataclass(frozen=True)
class TagGeometry:
    """n squares: which photo and marker each belongs to, and where it lies on its marker.

    Attributes:
        tag_id: (n,).
        photo, marker: (n,) rows of the state.
        cuff: (n,) row of the state's forms, or -1 for a flat tag.
        side_mm: (n,).
        place: (n, 3) radius, angle, z of `CuffPlace`; zeros for a flat tag.
    """

    tag_id: IntArray
    photo: IntArray
    marker: IntArray
    cuff: IntArray
    side_mm: Array
    place: Array

    def __len__(self) -> int:
        return len(self.tag_id)

    def take(self, rows: npt.NDArray[np.bool_] | IntArray | slice) -> TagGeometry:
        """Some of the squares."""
        return TagGeometry(
            self.tag_id[rows],
            self.photo[rows],
            self.marker[rows],
            self.cuff[rows],
            self.side_mm[rows],
            self.place[rows],
        )

    def of_photo(self, row: int) -> TagGeometry:
        """The same squares, in one photo."""
        return replace(self, photo=np.full(len(self), row, dtype=np.intp))

    @staticmethod
    def joined(parts: Sequence[TagGeometry]) -> TagGeometry:
        """All squares of some, at least one, one after the other."""
        names = TagGeometry.__dataclass_fields__
        return TagGeometry(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))

    @staticmethod
    def of(
        layout: Layout,
        tag_ids: list[int],
        photos: list[int],
        marker_row: dict[int, int],
        cuff_row: dict[int, int],
    ) -> TagGeometry:
        """Look the squares up in a layout."""
        tags = [layout.tags[t] for t in tag_ids]
        place = [
            (t.cuff.radius_mm, t.cuff.angle_rad, t.cuff.z_mm) if t.cuff else (0.0, 0.0, 0.0)
            for t in tags
        ]
        return TagGeometry(
            np.array(tag_ids, dtype=np.intp),
            np.array(photos, dtype=np.intp),
            np.array([marker_row[t.marker_id] for t in tags], dtype=np.intp),
            np.array([cuff_row.get(t.marker_id, -1) for t in tags], dtype=np.intp),
            np.array([t.side_mm for t in tags], dtype=np.float64),
            np.array(place, dtype=np.float64).reshape(-1, 3),
        )


@dataclass(frozen=True)
class View:
    """Points of n squares, k points each, as a photo shows them.

    Attributes:
        pixels: (n, k, 2).
        x_in_marker, x_in_cam: (n, k, 3).
        cam_from_marker: (n, 3, 3) the turn.
        on_cuff: whether the squares are on cuffs.
    """

    pixels: Array
    x_in_marker: Array
    x_in_cam: Array
    cam_from_marker: Array
    on_cuff: bool

    @cached_property
    def facing(self) -> Array:
        """Cosine (n, k) between the ink's outward normal and the ray to the camera."""
        # Of both the length is divided out once.
        x, ray = self.x_in_marker, self.x_in_cam @ self.cam_from_marker
        length = np.sqrt(np.sum(self.x_in_cam**2, axis=-1))
        if not self.on_cuff:
            return np.asarray(-ray[..., 2] / length)
        radius = np.hypot(x[..., 0], x[..., 1])
        return np.asarray(-np.sum(x[..., :2] * ray[..., :2], axis=-1) / (radius * length))


@dataclass(frozen=True)
class Prediction(View):
    """A view with what the Jacobians need.

    Attributes:
        by_cam: (n, k, 2, 3) d pixels / d x_in_cam.
        by_lens: (n, k, 2, 10) d pixels / d (lens, log focal factor).
        by_print: (n, k, 3, 2) or (n, k, 3, 5): d x_in_marker / d (printer, form).
    """

    by_cam: Array
    by_lens: Array
    by_print: Array


def predict(geometry: TagGeometry, uv_mm: Array, values: Values) -> Prediction:
    """Project places uv_mm (n, k, 2) of squares that are all flat or all on cuffs.

    Raises:
        ValueError: flat tags and cuffs are mixed (a mistake of the caller).
    """
    x, by_print = _on_marker(geometry, uv_mm, values)
    turn, in_cam = _in_cam(geometry, x, values)
    photo = values["photo"][geometry.photo]
    pixels, by_cam, by_lens = project(in_cam, values["lens"][0], photo[:, None, 12])
    pixels = pixels + photo[:, None, 14:16]
    return Prediction(pixels, x, in_cam, turn, _all_on_cuffs(geometry), by_cam, by_lens, by_print)


def marker_motion(p: Prediction, geometry: TagGeometry, values: Values) -> Array:
    """d pixels / d (turn, shift of the marker in the world), (n, k, 2, 6), of predicted points."""
    n, k = p.pixels.shape[:2]
    turn_m = values["marker"][geometry.marker, :9].reshape(n, 3, 3)
    turn_p = values["photo"][geometry.photo, :9].reshape(n, 3, 3)
    by_world = (p.by_cam.reshape(n, 2 * k, 3) @ turn_p).reshape(n, k, 2, 3)
    arm = p.x_in_marker @ turn_m.transpose(0, 2, 1)
    return np.concatenate([_turning(arm, by_world), by_world], axis=-1)


def predict_pixels(geometry: TagGeometry, uv_mm: Array, values: Values) -> Array:
    """Pixels (n, k, 2) as `predict` gives them, without the derivatives; for image work."""
    return pixels_and_depth(geometry, uv_mm, values)[0]


def pixels_and_depth(geometry: TagGeometry, uv_mm: Array, values: Values) -> tuple[Array, Array]:
    """Pixels (n, k, 2), and how far (n, k) in front of the camera they lie, mm."""
    seen = view(geometry, uv_mm, values)
    return seen.pixels, seen.x_in_cam[..., 2]


def view(geometry: TagGeometry, uv_mm: Array, values: Values) -> View:
    """What `predict` gives, without the derivatives."""
    x = _places_on_marker(geometry, uv_mm, values)
    turn, in_cam = _in_cam(geometry, x, values)
    photo = values["photo"][geometry.photo]
    pixels = project_pixels(in_cam, values["lens"][0], photo[:, None, 12])
    return View(pixels + photo[:, None, 14:16], x, in_cam, turn, _all_on_cuffs(geometry))


def _in_cam(geometry: TagGeometry, x_in_marker: Array, values: Values) -> tuple[Array, Array]:
    """Turns cam_from_marker (n, 3, 3), and the points (n, k, 3) in the cameras' frames."""
    n = len(x_in_marker)
    marker, photo = values["marker"][geometry.marker], values["photo"][geometry.photo]
    turn_p = photo[:, :9].reshape(n, 3, 3)
    turn = turn_p @ marker[:, :9].reshape(n, 3, 3)
    shift = (turn_p @ marker[:, 9:12, None])[..., 0] + photo[:, 9:12]
    return turn, x_in_marker @ turn.transpose(0, 2, 1) + shift[:, None]


def _all_on_cuffs(geometry: TagGeometry) -> bool:
    return len(geometry) > 0 and bool((geometry.cuff >= 0).all())


def _places_on_marker(geometry: TagGeometry, uv_mm: Array, values: Values) -> Array:
    """Points (n, k, 3) in the markers' frames."""
    if _all_on_cuffs(geometry):
        form = values["form"][geometry.cuff]
        return cuff_surface(uv_mm, geometry.place, values["printer"][0], form)
    return _on_marker(geometry, uv_mm, values)[0]


def _on_marker(geometry: TagGeometry, uv_mm: Array, values: Values) -> tuple[Array, Array]:
    """Points (n, k, 3) in the markers' frames and their derivatives by printer and form."""
    scale = values["printer"][0]
    if _all_on_cuffs(geometry):
        return cuff_points(uv_mm, geometry.place, scale, values["form"][geometry.cuff])
    if (geometry.cuff >= 0).any():
        raise ValueError("flat tags and cuffs cannot share a block")
    return flat_points(uv_mm, scale)


@dataclass(frozen=True)
class TagBlock:
    """Observed squares, all flat or all on cuffs.

    Attributes:
        name: for messages.
        geometry: which squares.
        observed: (n, 9): corner pixels x, y of top-left, top-right, bottom-right, bottom-left,
            then the edge shift.
        whitening: (n, 9, 9).
        px_per_mm: (n,) size of a millimetre there, for the ink's growth.
        rank: (n,).
        robust: Huber bound, see `fitscan.adjust.problem.Block`.
    """

    name: str
    geometry: TagGeometry
    observed: Array
    whitening: Array
    px_per_mm: Array
    rank: IntArray
    robust: float | None = HUBER

    def take(self, rows: npt.NDArray[np.bool_]) -> TagBlock:
        """Some of the observations."""
        return replace(
            self,
            geometry=self.geometry.take(rows),
            observed=self.observed[rows],
            whitening=self.whitening[rows],
            px_per_mm=self.px_per_mm[rows],
            rank=self.rank[rows],
        )

    @cached_property
    def _corners(self) -> Array:
        return CORNERS * self.geometry.side_mm[:, None, None]

    @cached_property
    def _inward(self) -> Array:
        """How the corners (n, 8) move when all borders move inwards by one pixel."""
        return inward(self.observed[:, :8].reshape(-1, 4, 2)).reshape(-1, 8)

    def _misfit(self, pixels: Array, values: Values) -> Array:
        n = len(self.geometry)
        shift = values["photo"][self.geometry.photo, 13] - values["ink"][0, 0] * self.px_per_mm
        corners = pixels.reshape(n, 8) + values["split"][0, 0] * self._inward
        model = np.concatenate([corners, shift[:, None]], axis=1)
        return np.asarray(model - self.observed)

    def misfit(self, values: Values) -> Array:
        """Model less observation (n, 9) in px, not whitened."""
        return self._misfit(predict_pixels(self.geometry, self._corners, values), values)

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, 9); infinite when a corner falls behind its camera."""
        pixels, depth = pixels_and_depth(self.geometry, self._corners, values)
        misfit = self._misfit(pixels, values)
        out = np.asarray((self.whitening @ misfit[..., None])[..., 0])
        out[(depth <= NEAREST_MM).any(axis=1)] = np.inf
        return out

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians by photo, marker, form, lens, printer, ink and split."""
        return self.linearised(predict(self.geometry, self._corners, values), values)

    def linearised(self, p: Prediction, values: Values) -> Linear:
        """The same, of the corners' prediction."""
        g = self.geometry
        n = len(g)
        # One array of all columns, so that they are whitened in one product.
        forms = p.by_print.shape[-1] - 2
        parts = [
            ("photo", g.photo, 10),
            ("marker", g.marker, 6),
            ("form", g.cuff, forms),
            *((name, np.zeros(n, dtype=np.intp), k) for name, k in _COMMON),
        ]
        ends = np.cumsum([k for _, _, k in parts]).tolist()
        full = np.zeros((n, 9, ends[-1] + 1))
        corners = full[:, :8].reshape(n, 4, 2, -1)
        _, marker, form, lens, printer, ink, split = ends
        arm = p.x_in_cam - values["photo"][g.photo, None, 9:12]
        corners[..., :3] = _turning(arm, p.by_cam)
        corners[..., 3:6] = p.by_cam
        corners[..., 6] = p.by_lens[..., 9]
        full[:, 8, 7] = 1.0
        corners[..., 0, 8] = corners[..., 1, 9] = 1.0
        corners[..., 10:marker] = marker_motion(p, g, values)
        by_marker = (p.by_cam.reshape(n, 8, 3) @ p.cam_from_marker).reshape(n, 4, 2, 3)
        by_print = by_marker @ p.by_print
        corners[..., marker:form] = by_print[..., 2:]
        corners[..., form:lens] = p.by_lens[..., :9]
        corners[..., lens:printer] = by_print[..., :2]
        full[:, 8, ink - 1] = -self.px_per_mm
        corners[..., split - 1] = self._inward.reshape(n, 4, 2)
        full[..., -1] = self._misfit(p.pixels, values)
        return Linear.of(self.whitening @ full, [part for part in parts if part[2]])


_COMMON = (("lens", 9), ("printer", 2), ("ink", 1), ("split", 1))
"""What all squares share, and how many numbers of each."""


def _turning(arm: Array, by_point: Array) -> Array:
    """d pixels / d turn (n, k, 2, 3) of points by their arms (n, k, 3) and d pixels / d point."""
    (x, y, z), (a, b, c) = np.moveaxis(arm[:, :, None], -1, 0), np.moveaxis(by_point, -1, 0)
    out = np.empty_like(by_point)
    out[..., 0], out[..., 1], out[..., 2] = y * c - z * b, z * a - x * c, x * b - y * a
    return out


def inward(corners_px: Array) -> Array:
    """How each corner (n, 4, 2) moves when all edges move inwards by one pixel."""
    ahead = np.roll(corners_px, -1, axis=1) - corners_px
    ahead = ahead / np.linalg.norm(ahead, axis=2, keepdims=True)
    # Corners run clockwise in the picture (y down), so the inward normal is (-dy, dx).
    normal = np.stack([-ahead[..., 1], ahead[..., 0]], axis=-1)
    before = np.roll(normal, 1, axis=1)
    dot = np.sum(normal * before, axis=-1, keepdims=True)
    return np.asarray((normal + before) / (1.0 + np.clip(dot, -0.9, None)))
