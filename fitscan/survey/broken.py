"""Whether a marker broke with itself: a second pose from some photo on explains what contradicts.

One wrong square is `clean`'s business; this tests the other hypothesis, that a marker moved while
the photos were taken, before its squares are blamed one by one and bend the photos beside them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.adjust.chi_squared import chi2_cdf, chi2_isf
from fitscan.adjust.problem import IntArray, Linear
from fitscan.adjust.statistics import BAARDA_W, Covariance
from fitscan.geometry.rotation import Array
from fitscan.survey.tag_block import TagBlock

__all__ = ["Break", "find_break", "outweighs"]

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


def find_break(covariance: Covariance, marker: int, variance: tuple[float, float]) -> Break | None:
    """The most probable break of one marker, or None when it has too few photos.

    The second pose adds six unknowns z to the squares from the cut on. With H their columns, the
    fall of the weighted square sum is (H^T v)^T (H^T Qvv H)^-1 (H^T v), chi squared with six
    degrees of freedom (the test of additional parameters; Koch, "Parameter Estimation and
    Hypothesis Testing in Linear Models", 1999, section 4.2; from memory). Nothing is adjusted
    anew: H^T Qvv H is a Schur complement in the normal equations.

    Args:
        covariance: of the adjustment.
        marker: row of the state.
        variance: of unit weight of flat squares and of squares on cuffs.
    """
    pieces: dict[int, _Piece] = {}
    solution, unit = covariance.solution, 1.0
    for block, linear, weight in zip(
        solution.blocks, solution.linears, solution.weights, strict=True
    ):
        if isinstance(block, TagBlock):
            rows = np.flatnonzero(block.geometry.marker == marker)
            if len(rows):
                unit = variance[int(block.geometry.cuff[rows[0]] >= 0)]
            _gather(pieces, covariance, linear, block.geometry.photo, rows, weight)
    photos = sorted(pieces)
    best: Break | None = None
    critical = {k: float(chi2_isf(1.0 - chi2_cdf(BAARDA_W**2, 1), k)) for k in range(1, 7)}
    cuts = range(_SIDE_PHOTOS, len(photos) - _SIDE_PHOTOS + 1)
    for at, (fall, freedoms) in zip(cuts, _falls(covariance, pieces, photos, cuts), strict=True):
        if freedoms:
            statistic = fall / unit
            found = Break(marker, photos[at], statistic, statistic / critical[freedoms])
            best = found if best is None or found.excess > best.excess else best
    return best


def outweighs(found: Break, worst_square: float) -> bool:
    """Whether a break explains more than one wrong square of the marker would."""
    return found.statistic > _MORE_THAN_ONE_SQUARE * worst_square


@dataclass(frozen=True)
class _Piece:
    """What one photo's squares add to the normal equations of z: own, by kept unknowns, right."""

    own: Array
    kept: Array
    right: Array


def _gather(
    pieces: dict[int, _Piece],
    covariance: Covariance,
    linear: Linear,
    photo: IntArray,
    rows: IntArray,
    weight: Array,
) -> None:
    normal = covariance.solution.normal
    order = normal.order
    by_marker = next(p for p in linear.parts if p.group == "marker")
    for e in np.unique(photo[rows]).tolist():
        some = rows[photo[rows] == e]
        root = np.sqrt(weight[some])[:, None, None]
        h = by_marker.jacobian[some] * root
        own = np.einsum("nmi,nmj->ij", h, h)
        right = -np.einsum("nmi,nm->i", h, linear.residual[some] * root[..., 0])
        kept = np.zeros((6, order.size))
        for part in linear.parts:
            product = h.transpose(0, 2, 1) @ (part.jacobian[some] * root)
            if part.group == order.eliminated:
                carry = product.sum(axis=0) @ np.linalg.inv(normal.own[e])
                own = own - carry @ product.sum(axis=0).T
                kept = kept - carry @ normal.cross[e]
                continue
            columns = order.columns(part.group, part.index[some])
            np.add.at(kept.T, columns, product.transpose(0, 2, 1))
        pieces[e] = _Piece(own, kept, right)


def _falls(
    covariance: Covariance, pieces: dict[int, _Piece], photos: list[int], cuts: range
) -> list[tuple[float, int]]:
    """Fall of the weighted square sum for each cut, and its degrees of freedom."""
    if not len(cuts):
        return []
    # A cut's sums run over all photos from it on.
    own, kept, right = (
        np.cumsum([getattr(pieces[p], f) for p in reversed(photos)], axis=0)[::-1][list(cuts)]
        for f in ("own", "kept", "right")
    )
    some = np.flatnonzero(np.any(kept[0] != 0.0, axis=0))
    kept = kept[..., some]
    spread = kept.reshape(-1, len(some)) @ covariance.kept[some[:, None], some]
    matrix = own - spread.reshape(kept.shape) @ kept.transpose(0, 2, 1)
    size = np.sqrt(np.maximum(np.einsum("nii->ni", own), 1e-300))
    values, vectors = np.linalg.eigh(matrix / (size[:, :, None] * size[:, None, :]))
    use = values > 1e-6
    along = np.einsum("nij,ni->nj", vectors, right / size)
    falls = np.sum(np.where(use, along**2 / np.where(use, values, 1.0), 0.0), axis=1)
    return list(zip(falls.tolist(), use.sum(axis=1).tolist(), strict=True))
