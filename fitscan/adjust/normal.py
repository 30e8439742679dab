"""Normal equations in two levels: one group eliminated block by block, the rest kept dense.

Photos are many and touch each other only through markers, so their parameters are taken out
first (Schur complement); what is kept grows with the markers alone. Where those are many and photos
few, `apart` goes the other way round. Iterating, testing and scaling are left to `solve` and
`statistics`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import Group, IntArray, Linear, Part
from fitscan.geometry.rotation import Array

__all__ = ["Normal", "Order", "build_normal", "side_by_side"]

_DENSE_SHARE = 0.3
"""Share of parameters in common from which on one large product is faster than many small ones."""


@dataclass(frozen=True)
class Order:
    """Where each parameter stands in the kept and in the eliminated vector.

    Attributes:
        kept: per kept group (offset, count, tangent).
        size: length of the kept vector.
        eliminated: name of the eliminated group, or None.
        count, tangent: of the eliminated group (0, 0 if none).
    """

    kept: dict[str, tuple[int, int, int]]
    size: int
    eliminated: str | None
    count: int
    tangent: int

    @staticmethod
    def of(groups: Sequence[Group], eliminate: str | None) -> Order:
        """Lay the groups out in their order."""
        kept: dict[str, tuple[int, int, int]] = {}
        offset = count = tangent = 0
        for g in groups:
            if g.name == eliminate:
                count, tangent = len(g.values), g.tangent
                continue
            kept[g.name] = (offset, len(g.values), g.tangent)
            offset += len(g.values) * g.tangent
        return Order(kept, offset, eliminate, count, tangent)

    def columns(self, group: str, index: IntArray) -> IntArray:
        """Places (n, k) in the kept vector of the group's parameters `index` (n,)."""
        offset, _, k = self.kept[group]
        return offset + np.asarray(index)[:, None] * k + np.arange(k)


@dataclass(frozen=True)
class Normal:
    """Normal matrix and right-hand side, split.

    Attributes:
        order: the layout.
        kept: (K, K); kept_rhs (K,): J^T J and -J^T r over kept parameters.
        own: (E, k, k); own_rhs (E, k): the same over the eliminated ones.
        cross: (E, k, K): between them.
        touched: (E, K): which kept parameters share an observation with an eliminated one.
        apart: (n, t): places in the kept vector of those parameters of its largest group that share
            no observation with another one of that group.
    """

    order: Order
    kept: Array
    kept_rhs: Array
    own: Array
    own_rhs: Array
    cross: Array
    touched: npt.NDArray[np.bool_]
    apart: IntArray

    @property
    def work(self) -> float:
        """How many multiplications `reduced` takes."""
        if self.touched.size == 0:
            return 0.0
        if self.touched.mean() > _DENSE_SHARE:
            return float(self.order.tangent * self.touched.size * self.order.size)
        return float(self.order.tangent * (self.touched.sum(axis=1) ** 2).sum())

    def damped(self, amount: float) -> Normal:
        """Marquardt's damping: the diagonals grow by the factor 1 + amount."""
        kept = self.kept.copy()
        kept[np.diag_indices_from(kept)] *= 1.0 + amount
        own = self.own.copy()
        i = np.arange(self.order.tangent)
        own[:, i, i] *= 1.0 + amount
        return replace(self, kept=kept, own=own)

    def reduced(self) -> tuple[Array, Array, Array]:
        """Take the eliminated group out.

        Returns:
            reduced matrix (K, K); reduced right-hand side (K,); own^-1 cross (E, k, K).
        """
        if self.order.count == 0:
            return self.kept, self.kept_rhs, self.cross
        inverse = np.linalg.inv(self.own)
        carry = inverse @ self.cross
        matrix = self.kept - self._taken_out(carry)
        rhs = self.kept_rhs - np.einsum("eik,ei->k", carry, self.own_rhs)
        return 0.5 * (matrix + matrix.T), rhs, carry

    def _taken_out(self, carry: Array) -> Array:
        """Sum of cross^T carry, (K, K)."""
        size = self.order.size
        if self.touched.mean() > _DENSE_SHARE:
            return np.asarray(self.cross.reshape(-1, size).T @ carry.reshape(-1, size))
        # One photo shows few of many markers: only their rows and columns change.
        out = np.zeros((size, size))
        for touched, cross, own in zip(self.touched, self.cross, carry, strict=True):
            some = np.flatnonzero(touched)
            out[some[:, None], some] += cross[:, some].T @ own[:, some]
        return out

    def back(self, carry: Array, kept_step: Array) -> Array:
        """Steps (E, k) of the eliminated parameters that belong to a kept step (K,)."""
        if self.order.count == 0:
            return np.zeros((0, 0))
        own = np.linalg.solve(self.own, self.own_rhs[..., None])[..., 0]
        return np.asarray(own - carry @ kept_step)


def build_normal(order: Order, linears: Sequence[Linear], weights: Sequence[Array]) -> Normal:
    """Sum the blocks. `weights` (n,) per block multiply the squares of its observations.

    Raises:
        ValueError: an observation depends on two of the eliminated parameters.
    """
    size, count, k = order.size, order.count, order.tangent
    normal = Normal(
        order,
        np.zeros((size, size)),
        np.zeros(size),
        np.zeros((count, k, k)),
        np.zeros((count, k)),
        np.zeros((count, k, size)),
        np.zeros((count, size), dtype=bool),
        _apart(order, linears),
    )
    for linear, weight in zip(linears, weights, strict=True):
        if len(linear.residual):
            _add_block(normal, linear, weight)
    return normal


def _apart(order: Order, linears: Sequence[Linear]) -> IntArray:
    """See `Normal.apart`."""
    widest = max(order.kept, key=lambda name: np.prod(order.kept[name][1:]), default=None)
    if widest is None:
        return np.zeros((0, 0), dtype=np.intp)
    tied = np.zeros(order.kept[widest][1], dtype=bool)
    for linear in linears:
        named = [p.index for p in linear.parts if p.group == widest]
        for index in named[1:]:
            differ = index != named[0]
            tied[named[0][differ]] = tied[index[differ]] = True
    return order.columns(widest, np.flatnonzero(~tied))


def side_by_side(parts: Sequence[Part]) -> Array | None:
    """All columns (n, m, sum of k) of some parts."""
    return np.concatenate([p.jacobian for p in parts], axis=2) if parts else None


@dataclass(frozen=True, eq=False)
class _Piece:
    """One part's columns in its block, and whose they are."""

    group: str
    columns: slice
    index: IntArray


def _add_block(normal: Normal, linear: Linear, weight: Array) -> None:
    """Add one block.

    Observations that share a parameter are multiplied as one matrix: what a part has to do with
    itself, with the residuals and with what all observations share falls out together. Only two
    parts that are shared differently go observation by observation.
    """
    order, size = normal.order, normal.order.size
    parts = _in_order(linear.parts, order.eliminated)
    jacobians = [*(p.jacobian for p in parts), linear.residual[..., None]]
    whole = np.concatenate(jacobians, axis=2)
    whole *= np.sqrt(weight)[:, None, None]
    ends = np.cumsum([0, *(p.jacobian.shape[2] for p in parts)]).tolist()
    pieces = [
        _Piece(p.group, slice(a, b), p.index)
        for p, a, b in zip(parts, ends[:-1], ends[1:], strict=True)
    ]
    common = [p for p in pieces if p.group != order.eliminated and _is_common(p.index)]
    places = _concatenated([order.columns(p.group, p.index[:1])[0] for p in common])
    columns = slice(common[0].columns.start if common else ends[-1], ends[-1])
    flat = whole.reshape(-1, whole.shape[2])
    product = flat[:, columns].T @ flat
    _add(normal.kept, places[:, None] * size + places, product[:, columns])
    _add(normal.kept_rhs, places, -product[:, -1])
    several = [p for p in pieces if p not in common]
    for i, piece in enumerate(several):
        # Products with the columns before a piece's own are in place by now.
        first, k = piece.columns.start, piece.columns.stop - piece.columns.start
        index, product = _products(whole[:, :, first:], piece.index, k)
        own, shared = product[:, :, :k], product[:, :, columns.start - first : -1]
        later = [order.columns(p.group, p.index) for p in several[i + 1 :]]
        if piece.group == order.eliminated:
            normal.own[index] += own
            normal.own_rhs[index] -= product[:, :, -1]
            rows = order.tangent * index[:, None] + np.arange(order.tangent)
            _add(normal.cross, rows[:, :, None] * size + places, shared)
            normal.touched[index[:, None], places] = True
        else:
            rows = order.columns(piece.group, index)
            _add(normal.kept, rows[:, :, None] * size + rows[:, None, :], own)
            _add(normal.kept_rhs, rows, -product[:, :, -1])
            _add_twice(normal.kept, rows, places[None], shared)
        if not later:
            continue
        at = np.concatenate(later, axis=1)
        beside = slice(several[i + 1].columns.start, several[-1].columns.stop)
        product = whole[:, :, piece.columns].transpose(0, 2, 1) @ whole[:, :, beside]
        if piece.group == order.eliminated:
            rows = order.tangent * piece.index[:, None] + np.arange(order.tangent)
            _add(normal.cross, rows[:, :, None] * size + at[:, None, :], product)
            normal.touched[piece.index[:, None], at] = True
        else:
            _add_twice(normal.kept, order.columns(piece.group, piece.index), at, product)


def _in_order(parts: Sequence[Part], eliminated: str | None) -> list[Part]:
    """The parts: those of the eliminated group as one, what differs, what is common to all."""
    out = [p for p in parts if p.group == eliminated]
    if any(np.any(p.index != out[0].index) for p in out):
        raise ValueError("an observation depends on two of the eliminated parameters")
    if len(out) > 1:
        out = [replace(out[0], jacobian=np.sum([p.jacobian for p in out], axis=0))]
    kept = [p for p in parts if p.group != eliminated]
    return out + sorted(kept, key=lambda p: _is_common(p.index))


def _is_common(index: IntArray) -> bool:
    return bool((index == index[0]).all())


def _products(whole: Array, index: IntArray, own: int) -> tuple[IntArray, Array]:
    """Which parameters (r,) observations have, and the sums (r, own, c) over those of each.

    What is summed are products of the first `own` columns of `whole` (n, m, c) with all of them.
    """
    if np.any(index[1:] < index[:-1]):
        rows = np.argsort(index, kind="stable")
        index, whole = index[rows], whole[rows]
    starts = np.flatnonzero(np.concatenate([[True], index[1:] != index[:-1]]))
    if len(starts) == len(index):
        return index, whole[:, :, :own].transpose(0, 2, 1) @ whole
    out = []
    for a, b in pairwise([*starts.tolist(), len(index)]):
        some = whole[a:b].reshape(-1, whole.shape[2])
        out.append(some[:, :own].T @ some)
    return index[starts], np.stack(out)


def _concatenated(some: Sequence[IntArray]) -> IntArray:
    return np.concatenate(some) if some else np.zeros(0, dtype=np.intp)


def _add_twice(kept: Array, rows: IntArray, columns: IntArray, values: Array) -> None:
    """Add values (n, k, l) at rows (n, k) and columns (n or 1, l), and their mirror image."""
    size = len(kept)
    _add(kept, rows[:, :, None] * size + columns[:, None, :], values)
    _add(kept, columns[:, None, :] * size + rows[:, :, None], values)


def _add(whole: Array, places: IntArray, values: Array) -> None:
    """Add values to places of the flattened array; places may repeat."""
    np.add.at(whole.reshape(-1), places.reshape(-1), values.reshape(-1))
