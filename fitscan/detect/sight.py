"""Where a photo's squares should show their borders, and how those move with a square's corners.

Reading them is `profile`'s arithmetic; what they say together is left to `square_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.detect.field import corner_field, normals
from fitscan.detect.pattern import ALONG, edge_points
from fitscan.detect.profile import Borders, Profiles, read_grey
from fitscan.detect.shape import Shapes
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS

__all__ = ["Sight"]

_SAMPLES = 11


@dataclass(frozen=True)
class Sight:
    """Where the borders of n squares should be, k points each (padded), and how they may move.

    Attributes:
        points: what profiles are compared with, all n k points one after another.
        base, normal: (n, k, 2) px, normals towards growing u or v.
        field: (n, k, 2, 8) how the points move with the corners.
        dimming: (n, k, 3) how far the points move against their normal with the edge shift in the
            middle and its change towards u and v.
        design: (n, k, 11) the same along the normals.
        near: (2, n, k) where along the normal the next borders behind and ahead should be, px.
        slope, rate: (n, k), see `Profiles`.
    """

    points: Borders
    base: Array
    normal: Array
    field: Array
    dimming: Array
    design: Array
    near: Array
    slope: Array
    rate: Array

    @staticmethod
    def of(shapes: Shapes, tag_ids: list[int]) -> Sight:
        """All borders of all squares."""
        sets = [edge_points(t) for t in tag_ids]
        length = np.array([len(s) for s in sets])
        most = int(length.max())
        real = np.arange(most) < length[:, None]
        start = np.cumsum(length) - length
        # What is missing at a row's end repeats its first point.
        take = start[:, None] + np.where(real, np.arange(most), 0)

        def padded(name: str) -> Array:
            return np.asarray(np.concatenate([getattr(s, name) for s in sets])[take])

        shape = shapes.at(padded("number").astype(np.intp))
        patch = np.ascontiguousarray(padded("patch").reshape(-1, 4, 3).transpose(1, 2, 0))
        across = padded("across").ravel()
        points = Borders(patch.astype(np.float32), across.astype(np.float32), real.ravel())
        uv = padded("uv") * (2.0 / CELLS)
        field = corner_field(uv, shape.base, shapes.corners)
        normal = normals(shape.run, shape.ahead)
        forwards = _along(normal, shape.ahead)
        dimming = np.concatenate([np.ones((*real.shape, 1)), uv], axis=2)
        dimming *= padded("polarity")[..., None]
        along = normal[..., :1] * field[:, :, 0] + normal[..., 1:] * field[:, :, 1]
        design = np.concatenate([along, -dimming], axis=2)
        curve = 0.5 * _along(normal, shape.bend)
        # The gradient in the picture of the place along the border.
        turned = np.stack([-shape.ahead[..., 1], shape.ahead[..., 0]], axis=-1)
        turned /= _not_zero(_along(turned, shape.run))[..., None]
        return Sight(
            points, shape.base, normal, field, dimming, design,
            np.stack([curve - forwards, curve + forwards]),
            _along(turned, normal), np.sqrt(_along(turned, turned)),
        )  # fmt: skip

    def only(self, rows: npt.NDArray[np.intp], *, thin: bool = False) -> Sight:
        """Some of the squares; `thin` takes only the middle of each cell's side."""
        n = self.size[0]
        every = slice(len(ALONG) // 2, None, len(ALONG)) if thin else slice(None)
        if len(rows) == n and not thin:
            return self
        near = self.near[:, rows, every]
        return Sight(
            self.points.take(self.numbers[rows, every].ravel()),
            self.base[rows, every], self.normal[rows, every], self.field[rows, every],
            self.dimming[rows, every], self.design[rows, every], near,
            self.slope[rows, every], self.rate[rows, every],
        )  # fmt: skip

    @property
    def size(self) -> tuple[int, int]:
        """Squares n, points k of each."""
        return self.slope.shape[0], self.slope.shape[1]

    @property
    def numbers(self) -> npt.NDArray[np.intp]:
        """Where (n, k) each square's points stand among all of them, one after another."""
        n, k = self.size
        return np.arange(n * k).reshape(n, k)

    def read(self, grey: npt.NDArray[np.uint8], change: Array, most: Array) -> Profiles:
        """Profiles of all n k points, one after another.

        Args:
            grey: (h, w).
            change: (n, 11) corner shifts and edge shifts so far.
            most: (n,) longest half profile, px.
        """
        shift = np.einsum("nkdc,nc->nkd", self.field, change[:, :8])
        inwards = np.einsum("nkc,nc->nk", self.dimming, change[:, 8:])
        place = self.base + shift - inwards[..., None] * self.normal
        cell_px = np.minimum(-self.near[0], self.near[1])
        reach = np.maximum(np.minimum(0.9 * cell_px, most[:, None]), 1.6)
        step = (2.0 * reach / (_SAMPLES - 1)).ravel()
        normal = self.normal.reshape(-1, 2)
        values, inside = read_grey(grey, place.reshape(-1, 2), normal, step, _SAMPLES)
        single = np.float32
        return Profiles(
            values,
            inside,
            step.astype(single),
            self.near.reshape(2, -1).astype(single),
            self.slope.ravel().astype(single),
            self.rate.ravel().astype(single),
        )


def _along(a: Array, b: Array) -> Array:
    """Inner products (...) of vectors (..., 2)."""
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1])


def _not_zero(values: Array) -> Array:
    return np.where(np.abs(values) > 1e-12, values, 1e-12)
