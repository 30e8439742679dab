"""Normal equations in two levels: one group eliminated block by block, the rest kept dense.

Photos are many and touch each other only through markers, so their parameters are taken out
first (Schur complement); what is kept grows with the markers alone. Iterating, testing and
scaling are left to `solve` and `statistics`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.adjust.problem import Group, IntArray, Linear, Part
from fitscan.geometry.rotation import Array

__all__ = ["Normal", "Order", "build_normal"]


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
    """

    order: Order
    kept: Array
    kept_rhs: Array
    own: Array
    own_rhs: Array
    cross: Array

    def damped(self, amount: float) -> Normal:
        """Marquardt's damping: the diagonals grow by the factor 1 + amount."""
        kept = self.kept.copy()
        kept[np.diag_indices_from(kept)] *= 1.0 + amount
        own = self.own.copy()
        i = np.arange(self.order.tangent)
        own[:, i, i] *= 1.0 + amount
        return Normal(self.order, kept, self.kept_rhs, own, self.own_rhs, self.cross)

    def reduced(self) -> tuple[Array, Array, Array]:
        """Take the eliminated group out.

        Returns:
            reduced matrix (K, K); reduced right-hand side (K,); own^-1 cross (E, k, K).
        """
        if self.order.count == 0:
            return self.kept, self.kept_rhs, self.cross
        inverse = np.linalg.inv(self.own)
        carry = inverse @ self.cross
        flat = self.cross.reshape(-1, self.order.size)
        matrix = self.kept - flat.T @ carry.reshape(-1, self.order.size)
        rhs = self.kept_rhs - np.einsum("eik,ei->k", carry, self.own_rhs)
        return 0.5 * (matrix + matrix.T), rhs, carry

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
    )
    for linear, weight in zip(linears, weights, strict=True):
        root = np.sqrt(weight)
        parts = [Part(p.group, p.index, p.jacobian * root[:, None, None]) for p in linear.parts]
        residual = linear.residual * root[:, None]
        for i, a in enumerate(parts):
            _add_gradient(normal, a, residual)
            for b in parts[i:]:
                _add_product(normal, a, b, same=a is b)
    return normal


def _add_gradient(normal: Normal, a: Part, residual: Array) -> None:
    gradient = -np.einsum("nmk,nm->nk", a.jacobian, residual)
    if a.group == normal.order.eliminated:
        np.add.at(normal.own_rhs, a.index, gradient)
    else:
        np.add.at(normal.kept_rhs, normal.order.columns(a.group, a.index), gradient)


def _add_product(normal: Normal, a: Part, b: Part, *, same: bool) -> None:
    """Add J_a^T J_b and, for two different parts, its transpose."""
    out = normal.order.eliminated
    if b.group == out and a.group != out:
        a, b = b, a
    product = np.matmul(a.jacobian.transpose(0, 2, 1), b.jacobian)
    if a.group == out and b.group == out:
        np.add.at(normal.own, a.index, product)
        if not same:
            np.add.at(normal.own, b.index, product.transpose(0, 2, 1))
        return
    columns = normal.order.columns(b.group, b.index)
    if a.group == out:
        k = np.arange(normal.order.tangent)
        place = (a.index[:, None, None], k[None, :, None], columns[:, None, :])
        np.add.at(normal.cross, place, product)
        return
    rows = normal.order.columns(a.group, a.index)
    np.add.at(normal.kept, (rows[:, :, None], columns[:, None, :]), product)
    if not same:
        place2 = (columns[:, :, None], rows[:, None, :])
        np.add.at(normal.kept, place2, product.transpose(0, 2, 1))
