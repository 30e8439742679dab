"""What the borders of a square say together: shifts of its corners and of its edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.detect.profile import Offsets, Profiles, fit_profiles
from fitscan.detect.sight import Sight
from fitscan.geometry.rotation import Array

__all__ = ["HARDLY_SEEN", "SquareFit", "fit_squares", "median_of"]

HARDLY_SEEN = 0.15
"""Share of borders that noise lets agree on a bare wall."""

_FLOOR_PX = 0.012
"""What repeated photos of the same corner scatter by even without noise (JPEG, demosaicing)."""

_SHIFT_SIGMA_PX = 3.0


@dataclass(frozen=True)
class SquareFit:
    """A fit of n squares.

    Attributes:
        change: (n, 11) of the corners and of the edge shift, in the middle and towards u and v, px.
        covariance: (n, 9, 9) of corners and the middle's edge shift, px^2.
        seen: (n,) share of the borders that agree.
        scatter: (n,) robust standard deviation of the borders about the fit, px.
        contrast: (n,) grey levels.
        points: (n,) borders that agree.
    """

    change: Array
    covariance: Array
    seen: Array
    scatter: Array
    contrast: Array
    points: Array

    @staticmethod
    def none(squares: int) -> SquareFit:
        """Of squares that were not seen."""
        shapes = ((11,), (9, 9), (), (), (), ())
        zeros = [np.zeros((squares, *shape)) for shape in shapes]
        return SquareFit(*zeros)

    def put(self, rows: npt.NDArray[np.intp], other: SquareFit) -> None:
        """Replace what is said of some of the squares."""
        for name in self.__dataclass_fields__:
            getattr(self, name)[rows] = getattr(other, name)


def median_of(values: Array, use: npt.NDArray[np.bool_], otherwise: float) -> Array:
    """Row medians (n,) of the used values (n, k); `otherwise` where a row uses none."""
    ordered = np.sort(np.where(use, values, np.inf), axis=1)
    count = use.sum(axis=1)
    rows = np.arange(len(values))
    middle = 0.5 * (
        ordered[rows, np.maximum(count - 1, 0) // 2] + ordered[rows, count // 2 % values.shape[1]]
    )
    return np.where(count > 0, middle, otherwise)


def fit_squares(
    sight: Sight, profiles: Profiles, blur: Array, tone: float, uneven_px: Array
) -> SquareFit:
    """Corner shifts and edge shifts (n, 11) of every square from its border points, robustly.

    The covariance is of the corners and the middle's edge shift, marginal over its slopes.
    """
    n, k = sight.size
    design = sight.design
    flat = fit_profiles(profiles, sight.points, np.repeat(blur, k), tone)
    offsets = Offsets(*(getattr(flat, f).reshape(n, k) for f in flat.__dataclass_fields__))
    contrast = median_of(offsets.contrast, offsets.usable, 0.0)
    usable = offsets.usable & (offsets.contrast > 0.35 * contrast[:, None])
    usable &= offsets.contrast < 2.5 * contrast[:, None]
    weight = np.where(usable, 1.0 / (offsets.sigma**2 + 0.02**2), 0.0)
    prior = np.zeros((n, 11, 11))
    prior[:, range(9), range(9)] = np.r_[np.full(8, _SHIFT_SIGMA_PX**-2.0), 1.0]
    prior[:, range(9, 11), range(9, 11)] = uneven_px[:, None] ** -2.0
    robust = np.ones((n, k))
    across = np.ascontiguousarray(design.transpose(0, 2, 1))
    scatter = np.full(n, 0.3)
    for _ in range(5):
        w = weight * robust
        weighed = across * w[:, None]
        matrix = weighed @ design + prior
        change = np.linalg.solve(matrix, weighed @ offsets.offset[..., None])
        left = np.abs(offsets.offset - (design @ change)[..., 0])
        scatter = 1.4826 * median_of(left, usable, 1.0)
        bound = 4.0 * np.maximum(scatter, 0.03)[:, None]
        robust = np.clip(1.0 - (left / bound) ** 2, 0.0, None) ** 2
    agree = usable & (robust > 0.0)
    w = weight * agree
    chi = (w * left**2).sum(axis=1) / np.maximum(agree.sum(axis=1) - 11.0, 1.0)
    covariance = np.linalg.inv(matrix)[:, :9, :9] * np.maximum(chi, 1.0)[:, None, None]
    covariance = covariance + _FLOOR_PX**2 * np.eye(9)
    points = agree.sum(axis=1)
    seen = points / np.maximum(sight.points.real.reshape(n, k).sum(axis=1), 1)
    # The few borders that noise lets agree on a bare wall are no pattern's contrast.
    contrast = np.where(seen < HARDLY_SEEN, 0.0, contrast)
    moves = np.asarray(change[..., 0], dtype=np.float64)
    return SquareFit(moves, covariance, seen, scatter, contrast, points)
