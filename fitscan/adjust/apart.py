"""The same normal equations solved the other way round: what stands apart is taken out first.

Markers that no rule ties to each other meet only in photos. Where they are many and photos few, it
is less work to take them out one by one and to factor what is left of photos and lens; the joint
covariance of all kept parameters is then a sum of small blocks and of one product. The sums are
`normal`'s, and so is the way for many photos and few markers; `solve` and `statistics` ask
`is_less_work` which way to go.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fitscan.adjust.definite import (
    are_firm,
    inverse_of_lower,
    is_firm,
    lower_of,
    scaled,
    solve_factored,
)
from fitscan.adjust.normal import Normal
from fitscan.adjust.problem import IntArray
from fitscan.geometry.rotation import Array

__all__ = ["Apart", "is_less_work"]


def is_less_work(normal: Normal) -> bool:
    """Whether a step and a covariance take fewer multiplications this way."""
    size, apart = normal.order.size, normal.apart.size
    left = normal.order.count * normal.order.tangent + size - apart
    if left == 0:
        return False
    step, inverse = apart * left**2 / 2 + left**3 / 6, apart * left**2 + left**3 / 6
    return step + inverse + size**2 * left / 2 < normal.work + size**3 / 2


@dataclass(frozen=True)
class Apart:
    """Normal equations in which what stands apart has been taken out.

    With M the blocks of what stands apart, B beside them and A the rest, photos included, what is
    left is A - B^T M^-1 B.

    Attributes:
        normal: the equations.
        rest: (r,) places in the kept vector of what does not stand apart.
        half: (n, t, t) H with H^T H = M^-1, block by block.
        beside: (n t, s) H B; s are all eliminated parameters, then `rest`.
        left: (s, s).
    """

    normal: Normal
    rest: IntArray
    half: Array
    beside: Array
    left: Array

    @staticmethod
    def of(normal: Normal, damping: float = 0.0) -> Apart:
        """Take it out; `damping` as in `Normal.damped`.

        Raises:
            numpy.linalg.LinAlgError: something stands apart and is not fixed by all the rest.
        """
        order, places = normal.order, normal.apart
        apart, (n, t) = places.reshape(-1), places.shape
        rest = np.delete(np.arange(order.size), apart)
        own = np.arange(order.count * order.tangent).reshape(order.count, order.tangent)
        first = own.size
        cross = normal.cross.reshape(first, order.size)
        left = np.zeros((first + len(rest), first + len(rest)))
        left[own[:, :, None], own[:, None, :]] = normal.own
        left[:first, first:] = cross[:, rest]
        left[first:, :first] = left[:first, first:].T
        left[first:, first:] = normal.kept[rest[:, None], rest]
        beside = np.empty((len(apart), len(left)))
        beside[:, :first] = cross[:, apart].T
        beside[:, first:] = normal.kept[apart[:, None], rest]
        blocks = normal.kept[places[:, :, None], places[:, None, :]]
        blocks[:, np.arange(t), np.arange(t)] *= 1.0 + damping
        left[np.diag_indices_from(left)] *= 1.0 + damping
        half = np.linalg.inv(np.linalg.cholesky(blocks))
        beside = (half @ beside.reshape(n, t, -1)).reshape(len(apart), -1)
        left -= beside.T @ beside
        return Apart(normal, rest, half, beside, left)

    @cached_property
    def scale(self) -> Array:
        """Factors (s,) that put ones on the diagonal of what is left."""
        return np.asarray(1.0 / np.sqrt(np.maximum(np.diag(self.left), 1e-300)))

    @cached_property
    def lower(self) -> Array:
        """Cholesky factor (s, s) of what is left, scaled.

        Raises:
            numpy.linalg.LinAlgError: it is not positive definite.
        """
        scale = self.scale
        return lower_of(scaled(self.left, scale))

    def step(self, normal: Normal) -> tuple[Array, Array]:
        """Steps of the kept (K,) and of the eliminated parameters (E, k).

        Args:
            normal: whose right-hand side to take; `self.normal`, or one of the same order.

        Raises:
            numpy.linalg.LinAlgError: what is left is not positive definite.
        """
        order = normal.order
        n, t = self.normal.apart.shape
        first = order.count * order.tangent
        rhs = normal.kept_rhs[self.normal.apart][..., None]
        mine = (self.half @ rhs).reshape(-1)
        right = np.concatenate([normal.own_rhs.reshape(-1), normal.kept_rhs[self.rest]])
        scale = self.scale
        found = scale * solve_factored(self.lower, scale * (right - mine @ self.beside))
        back = (mine - self.beside @ found).reshape(n, t, 1)
        kept = np.empty(order.size)
        kept[self.rest] = found[first:]
        kept[self.normal.apart] = (self.half.transpose(0, 2, 1) @ back)[..., 0]
        return kept, found[:first].reshape(order.count, order.tangent)

    def inverse(self, gauge: Array, constraint: Array) -> Array:
        """Covariance (K, K) of the kept parameters.

        A free network is first held by what moves along with the gauge G in what is left, and is
        then told for the constraints D by the S-transformation P C P^T with
        P = I - G (D^T G)^-1 D^T (W. Baarda, "S-transformations and criterion matrices", 1973, from
        memory).

        Args:
            gauge: (K, d) of a `Datum`; d is 0 where nothing is free.
            constraint: (K, d) of the same.

        Raises:
            numpy.linalg.LinAlgError: something is free beside the gauge, or nearly so.
        """
        normal, order = self.normal, self.normal.order
        n, t = normal.apart.shape
        first = order.count * order.tangent
        scale = self.scale
        whole = scaled(self.left, scale)
        moved = np.linalg.solve(normal.own, -(normal.cross @ gauge)).reshape(first, gauge.shape[1])
        moved = np.concatenate([moved, gauge[self.rest]])
        held, _ = np.linalg.qr(moved / scale[:, None])
        whole += held @ held.T
        lower = lower_of(whole)
        blocks = normal.kept[normal.apart[:, :, None], normal.apart[:, None, :]]
        if not is_firm(lower) or not are_firm(self.half, blocks):
            raise np.linalg.LinAlgError("it is nearly singular")
        root = scale[:, None] * inverse_of_lower(lower).T
        # C = F F^T, and M^-1 besides: what stands apart hangs together by what is left alone.
        factor = np.empty((order.size, len(root)))
        factor[self.rest] = root[first:]
        carried = (self.beside @ root).reshape(n, t, -1)
        factor[normal.apart] = -self.half.transpose(0, 2, 1) @ carried
        out = factor @ factor.T
        rows, columns = normal.apart[:, :, None], normal.apart[:, None, :]
        out[rows, columns] += self.half.transpose(0, 2, 1) @ self.half
        by = constraint @ np.linalg.inv(gauge.T @ constraint)
        there = out @ by
        change = gauge @ (there - gauge @ (0.5 * (by.T @ there))).T
        out -= change + change.T
        return out
