"""Whether a marker broke with itself: a second pose from some photo on explains what contradicts.

One wrong square is `clean`'s business; this tests the other hypothesis, that a marker moved while
the photos were taken, before its squares are blamed one by one and bend the photos beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache, cached_property

import numpy as np

from fitscan.adjust.chi_squared import chi2_cdf, chi2_isf
from fitscan.adjust.problem import IntArray, Linear
from fitscan.adjust.statistics import BAARDA_W, Covariance
from fitscan.geometry.rotation import Array
from fitscan.survey.tag_block import TagBlock

__all__ = ["Break", "BreakTests", "outweighs"]

_SIDE_PHOTOS = 2
"""Photos that each of the two poses must rest on: one alone is a wrong square."""

_MORE_THAN_ONE_SQUARE = 1.15
"""If one square is wrong, setting it free explains all there is, and a break less than that."""


@dataclass(frozen=True)
class Break:
    """The best second pose of a marker.

    Attributes:
        marker: row of the state.
        cut: row of the first photo that sees the second pose.
        statistic: by how much the weighted square sum falls.
        excess: the same over its critical value at Baarda's false alarm rate.
    """

    marker: int
    cut: int
    statistic: float
    excess: float


@dataclass(frozen=True)
class BreakTests:
    """Tests of one adjustment's markers, one at a time; what they share is worked out once.

    The second pose adds six unknowns z to the squares from the cut on. With H their columns, the
    fall of the weighted square sum is (H^T v)^T (H^T Qvv H)^-1 (H^T v), chi squared with six
    degrees of freedom (the test of additional parameters; Koch, "Parameter Estimation and
    Hypothesis Testing in Linear Models", 1999, section 4.2; from memory). Nothing is adjusted
    anew: H^T Qvv H is a Schur complement in the normal equations.

    Attributes:
        covariance: of the adjustment, whose eliminated group is the photos.
    """

    covariance: Covariance
    _known: dict[int, list[tuple[bool, list[int], list[float], list[int]]]] = field(
        default_factory=dict
    )

    def best(self, marker: int, variance: tuple[float, float]) -> Break | None:
        """The most probable break of one marker, or None when it has too few photos.

        Args:
            marker: row of the state.
            variance: of unit weight of flat squares and of squares on cuffs.
        """
        best: Break | None = None
        if marker not in self._known:
            self._known[marker] = self._falls_of(marker)
        for on_cuff, cuts, falls, freedoms in self._known[marker]:
            for cut, fall, free in zip(cuts, falls, freedoms, strict=True):
                if free:
                    statistic = fall / variance[int(on_cuff)]
                    excess = statistic / _critical(free)
                    if best is None or excess > best.excess:
                        best = Break(marker, cut, statistic, excess)
        return best

    def _falls_of(self, marker: int) -> list[tuple[bool, list[int], list[float], list[int]]]:
        """Per block: whether on cuffs; each cut's photo, fall of the square sum and freedoms."""
        out = []
        solution = self.covariance.solution
        for block, linear, weight in zip(
            solution.blocks, solution.linears, solution.weights, strict=True
        ):
            if not isinstance(block, TagBlock):
                continue
            rows = np.flatnonzero(block.geometry.marker == marker)
            photos = np.unique(block.geometry.photo[rows])
            cuts = np.arange(_SIDE_PHOTOS, len(photos) - _SIDE_PHOTOS + 1)
            if not len(cuts):
                continue
            on_cuff = bool(block.geometry.cuff[rows[0]] >= 0)
            pieces = self._gathered(linear, weight, rows, block.geometry.photo[rows], photos)
            out.append((on_cuff, photos[cuts].tolist(), *_falls(*pieces, cuts)))
        return out

    @cached_property
    def _photos(self) -> Array:
        """Of the photos' normal equations A C A^T (E, k, E, k), see `Covariance.carried`."""
        _, carry, shared = self.covariance.carried
        count, k, size = carry.shape
        square = shared.reshape(count * k, size) @ carry.reshape(count * k, size).T
        return np.asarray(square.reshape(count, k, count, k))

    def _gathered(
        self, linear: Linear, weight: Array, rows: IntArray, photo: IntArray, photos: IntArray
    ) -> tuple[Array, Array]:
        """H^T Qvv H (P, 6, P, 6) and H^T v (P, 6) of z, photo by photo.

        A marker's squares share all their kept unknowns, so their columns are one photo's.
        """
        order = self.covariance.solution.normal.order
        own = next(p for p in linear.parts if p.group == order.eliminated)
        kept = [p for p in linear.parts if p.group != order.eliminated]
        marker = next(p for p in kept if p.group == "marker")
        at = np.concatenate([order.columns(p.group, p.index[rows[:1]])[0] for p in kept])
        whole = linear.side_by_side([own, *kept])[rows]
        whole *= np.sqrt(weight[rows])[:, None, None]
        h = marker.jacobian[rows] * np.sqrt(weight[rows])[:, None, None]
        product = np.concatenate([h.transpose(0, 2, 1) @ h, h.transpose(0, 2, 1) @ whole], axis=2)
        n, k = len(photos), order.tangent
        sums = np.zeros((n, *product.shape[1:]))
        np.add.at(sums, np.searchsorted(photos, photo), product)
        square, by_photo = sums[:, :, :6], sums[:, :, 6 : 6 + k]
        direct = sums[:, :, 6 + k : -1].reshape(6 * n, -1)
        inverse, _, shared = self.covariance.carried
        # Of the kept unknowns z has the columns D - B A, with B those of the photos.
        there = by_photo @ shared[photos[:, None], :, at].transpose(0, 2, 1)
        both = there.reshape(6 * n, -1) @ direct.T
        kept_part = direct @ self.covariance.kept[at[:, None], at] @ direct.T
        spread = (kept_part - both - both.T).reshape(n, 6, n, 6)
        among = by_photo[:, None] @ self._photos[photos[:, None], :, photos]
        among = among @ by_photo.transpose(0, 2, 1)
        matrix = -spread - among.transpose(0, 2, 1, 3)
        alone = square - by_photo @ inverse[photos] @ by_photo.transpose(0, 2, 1)
        matrix[np.arange(n), :, np.arange(n)] += alone
        return matrix, -sums[:, :, -1]


def _falls(matrix: Array, right: Array, cuts: IntArray) -> tuple[list[float], list[int]]:
    """Fall of the weighted square sum for each cut, and its degrees of freedom."""
    # A cut's sums run over all photos from it on.
    whole = np.cumsum(np.cumsum(matrix[::-1, :, ::-1], axis=0), axis=2)[::-1, :, ::-1]
    own = whole[cuts, :, cuts]
    total = np.cumsum(right[::-1], axis=0)[::-1][cuts]
    size = np.sqrt(np.maximum(np.einsum("nii->ni", own), 1e-300))
    values, vectors = np.linalg.eigh(own / (size[:, :, None] * size[:, None, :]))
    use = values > 1e-6
    along = np.einsum("nij,ni->nj", vectors, total / size)
    falls = np.sum(np.where(use, along**2 / np.where(use, values, 1.0), 0.0), axis=1)
    return falls.tolist(), use.sum(axis=1).tolist()


@cache
def _critical(freedoms: int) -> float:
    """Value that the fall of a square sum exceeds at Baarda's false alarm rate."""
    return float(chi2_isf(1.0 - chi2_cdf(BAARDA_W**2, 1), freedoms))


def outweighs(found: Break, worst_square: float) -> bool:
    """Whether a break explains more than one wrong square of the marker would."""
    return found.statistic > _MORE_THAN_ONE_SQUARE * worst_square
