"""Normal equations in two levels: one group eliminated block by block, the rest kept dense.

Photos are many and touch each other only through markers, so their parameters are taken out
first (Schur complement); what is kept grows with the markers alone. Iterating, testing and
scaling are left to `solve` and `statistics`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

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
    """

    order: Order
    kept: Array
    kept_rhs: Array
    own: Array
    own_rhs: Array
    cross: Array
    touched: npt.NDArray[np.bool_]

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
    """Sum the blocks. `weights` (n,) per block multiply the squares of its observations."""
    size, count, k = order.size, order.count, order.tangent
    normal = Normal(
        order,
        np.zeros((size, size)),
        np.zeros(size),
        np.zeros((count, k, k)),
        np.zeros((count, k)),
        np.zeros((count, k, size)),
        np.zeros((count, size), dtype=bool),
    )
    for linear, weight in zip(linears, weights, strict=True):
        out = [p for p in linear.parts if p.group == order.eliminated]
        kept = [p for p in linear.parts if p.group != order.eliminated]
        residual = linear.residual
        jacobian = (side_by_side(out), side_by_side(kept))
        weighed = [None if j is None else (j * weight[:, None, None]).transpose(0, 2, 1)
                   for j in jacobian]  # fmt: skip
        columns = None
        if jacobian[1] is not None and weighed[1] is not None:
            columns = np.concatenate([order.columns(p.group, p.index) for p in kept], axis=1)
            places = columns[:, :, None] * size + columns[:, None, :]
            _add(normal.kept, places, weighed[1] @ jacobian[1])
            _add(normal.kept_rhs, columns, -(weighed[1] @ residual[..., None])[..., 0])
        if jacobian[0] is not None and weighed[0] is not None:
            # A block may name one eliminated parameter in several parts: columns one by one.
            rows = np.concatenate([p.index[:, None] * k + np.arange(k) for p in out], axis=1)
            _add_own(normal, rows, weighed[0] @ jacobian[0])
            _add(normal.own_rhs, rows, -(weighed[0] @ residual[..., None])[..., 0])
            if columns is not None and jacobian[1] is not None:
                normal.touched[(rows // k)[:, :1], columns] = True
                _add(normal.cross, rows[:, :, None] * size + columns[:, None, :],
                     weighed[0] @ jacobian[1])  # fmt: skip
    return normal


def side_by_side(parts: Sequence[Part]) -> Array | None:
    """All columns (n, m, sum of k) of some parts."""
    return np.concatenate([p.jacobian for p in parts], axis=2) if parts else None


def _add(whole: Array, places: IntArray, values: Array) -> None:
    """Add values to places of the flattened array; places may repeat."""
    np.add.at(whole.reshape(-1), places.reshape(-1), values.reshape(-1))


def _add_own(normal: Normal, rows: IntArray, values: Array) -> None:
    """Add J^T J (n, c, c) of eliminated columns; two parameters never share a block there."""
    k = normal.order.tangent
    owner = rows // k
    if np.any(owner != owner[:, :1]):
        raise ValueError("an observation depends on two of the eliminated parameters")
    places = rows[:, :, None] * k + (rows % k)[:, None, :]
    _add(normal.own, places, values)
