"""Normal equations in two levels: one group eliminated block by block, the rest kept dense.

Photos are many and touch each other only through markers, so their parameters are taken out
first (Schur complement); what is kept grows with the markers alone. Where those are many and photos
few, `apart` goes the other way round. Iterating, testing and scaling are left to `solve` and
`statistics`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fitscan.adjust.definite import lower_of, scaled, solve_factored
from fitscan.adjust.problem import Group, IntArray, Linear, Part
from fitscan.geometry.rotation import Array

__all__ = ["Normal", "Order", "Reduced", "build_normal", "is_common"]

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
    def touches_many(self) -> bool:
        """Whether one product of everything is faster than one for each eliminated parameter."""
        return bool(self.touched.mean() > _DENSE_SHARE)

    @property
    def work(self) -> float:
        """How many multiplications `reduced` takes."""
        if self.touched.size == 0:
            return 0.0
        if self.touches_many:
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

    def reduced(self) -> Reduced:
        """Take the eliminated group out.

        Raises:
            numpy.linalg.LinAlgError: an eliminated parameter is not fixed by all the rest.
        """
        if self.order.count == 0:
            return Reduced(self.kept, self.own, self.cross)
        # With own = L L^T what is taken out is a square, of which half need be worked out.
        half = np.linalg.inv(np.linalg.cholesky(self.own))
        cross = half @ self.cross
        left = self._square_of(cross)
        return Reduced(np.subtract(self.kept, left, out=left), half, cross)

    def _square_of(self, cross: Array) -> Array:
        """Sum of C^T C, (K, K), of matrices C (E, k, K) that have columns where `cross` has."""
        size = self.order.size
        if self.touches_many:
            flat = cross.reshape(-1, size)
            return np.asarray(flat.T @ flat)
        # One photo shows few of many markers: only their rows and columns change.
        out = np.zeros((size, size))
        for touched, own in zip(self.touched, cross, strict=True):
            some = np.flatnonzero(touched)
            few = own[:, some]
            out[some[:, None], some] += few.T @ few
        return out


@dataclass(frozen=True)
class Reduced:
    """Normal equations of which the eliminated group has been taken out.

    Attributes:
        matrix: (K, K) of the kept parameters.
        half: (E, k, k) H with H^T H = own^-1.
        cross: (E, k, K) H cross.
    """

    matrix: Array
    half: Array
    cross: Array

    @cached_property
    def scale(self) -> Array:
        """Factors (K,) that put ones on the diagonal of the matrix."""
        return np.asarray(1.0 / np.sqrt(np.maximum(np.diag(self.matrix), 1e-300)))

    @cached_property
    def lower(self) -> Array:
        """Cholesky factor (K, K) of the matrix, scaled.

        Raises:
            numpy.linalg.LinAlgError: it is not positive definite.
        """
        return lower_of(scaled(self.matrix, self.scale))

    def right(self, normal: Normal) -> Array:
        """The right-hand side (K,) that is left of that of equations of the same order."""
        own = (self.half @ normal.own_rhs[..., None]).reshape(-1)
        return np.asarray(normal.kept_rhs - own @ self.cross.reshape(len(own), len(self.matrix)))

    def step(self, normal: Normal) -> tuple[Array, Array]:
        """Steps of the kept (K,) and of the eliminated parameters (E, k).

        Args:
            normal: whose right-hand side to take; it need not be whose matrix this is.

        Raises:
            numpy.linalg.LinAlgError: what is left is not positive definite.
        """
        kept = self.scale * solve_factored(self.lower, self.scale * self.right(normal))
        left = self.half @ normal.own_rhs[..., None] - (self.cross @ kept)[..., None]
        return kept, np.asarray((self.half.transpose(0, 2, 1) @ left)[..., 0])


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


@dataclass(frozen=True)
class _Bundle:
    """Parts by which the observations fall into the same groups, such as a cuff and its form.

    Attributes:
        parts: them.
        columns: theirs, in the block's matrix.
        index: (n,) the group of each observation.
    """

    parts: tuple[Part, ...]
    columns: slice
    index: IntArray

    def places(self, order: Order, rows: IntArray) -> IntArray:
        """Places (r, k) in the kept vector of what observations `rows` (r,) depend on."""
        return np.concatenate([order.columns(p.group, p.index[rows]) for p in self.parts], axis=1)


def _add_block(normal: Normal, linear: Linear, weight: Array) -> None:
    """Add one block.

    Observations that share all their parameters are multiplied as one matrix; sums over those that
    share one parameter are then sums of few products.
    """
    order, size = normal.order, normal.order.size
    bundles, common = _bundled(linear.parts, order.eliminated)
    rows, starts = _grouped([b.index for b in bundles], len(weight))
    whole = linear.side_by_side([*(p for b in bundles for p in b.parts), *common])
    whole = _weighted(whole[rows], weight[rows])
    places = _concatenated([order.columns(p.group, p.index[:1])[0] for p in common])
    differing = bundles[-1].columns.stop if bundles else 0
    shared = whole.reshape(-1, whole.shape[2])[:, differing:]
    product = shared.T @ shared
    _add(normal.kept, places[:, None] * size + places, product[:-1, :-1])
    _add(normal.kept_rhs, places, -product[:-1, -1])
    if not bundles:
        return
    products, rows = _products(whole, starts, differing), rows[starts]
    for i, bundle in enumerate(bundles):
        index, first, sums = _sums(bundle.index[rows], products[:, bundle.columns])
        own, beside = sums[:, :, bundle.columns], sums[:, :, differing:-1]
        later = bundles[i + 1 :]
        at = _side_by_side([b.places(order, rows) for b in later], len(rows))
        among = products[:, bundle.columns, bundle.columns.stop : differing]
        if bundle.parts[0].group == order.eliminated:
            normal.own[index] += own
            normal.own_rhs[index] -= sums[:, :, -1]
            # `places` are of different groups, and `index` is each photo once: none twice.
            normal.cross[index[:, None, None], np.arange(order.tangent)[:, None], places] += beside
            normal.touched[index[:, None], places] = True
            mine = order.tangent * bundle.index[rows][:, None] + np.arange(order.tangent)
            _add(normal.cross, mine[:, :, None] * size + at[:, None, :], among)
            normal.touched[bundle.index[rows][:, None], at] = True
        else:
            mine = bundle.places(order, rows)
            several = mine[first]
            _add(normal.kept, several[:, :, None] * size + several[:, None, :], own)
            _add(normal.kept_rhs, several, -sums[:, :, -1])
            _add_twice(normal.kept, several, places[None], beside)
            if later:
                _add_twice(normal.kept, mine, at, among)


def _bundled(parts: Sequence[Part], eliminated: str | None) -> tuple[list[_Bundle], list[Part]]:
    """What differs between observations, the eliminated group first; what is common to all."""
    out: list[list[Part]] = []
    common: list[Part] = []
    for part in _in_order(parts, eliminated):
        if part.group == eliminated:
            out.append([part])
        elif is_common(part.index):
            common.append(part)
        else:
            kept = (b for b in out if b[0].group != eliminated)
            same = next((b for b in kept if _fall_alike(b[0].index, part.index)), None)
            if same is not None:
                same.append(part)
            else:
                out.append([part])
    ends = np.cumsum([0, *(sum(p.jacobian.shape[2] for p in b) for b in out)]).tolist()
    bundles = [
        _Bundle(tuple(b), slice(start, stop), b[0].index)
        for b, (start, stop) in zip(out, pairwise(ends), strict=True)
    ]
    return bundles, common


def _fall_alike(first: IntArray, second: IntArray) -> bool:
    """Whether two numberings (n,) put observations into the same groups."""
    return _tells(first, second) and _tells(second, first)


def _tells(first: IntArray, second: IntArray) -> bool:
    """Whether the first number (n,) of an observation tells the second."""
    table = np.zeros(int(first.max()) + 1, dtype=np.intp)
    table[first] = second
    return bool((table[first] == second).all())


def _in_order(parts: Sequence[Part], eliminated: str | None) -> list[Part]:
    """The parts, those of the eliminated group as one and first."""
    out = [p for p in parts if p.group == eliminated]
    if any(np.any(p.index != out[0].index) for p in out):
        raise ValueError("an observation depends on two of the eliminated parameters")
    if len(out) > 1:
        out = [replace(out[0], jacobian=np.sum([p.jacobian for p in out], axis=0))]
    return out + [p for p in parts if p.group != eliminated]


def is_common(index: IntArray) -> bool:
    """Whether all observations of a part depend on the same parameter."""
    return len(index) > 0 and bool((index == index[0]).all())


def _grouped(indices: Sequence[IntArray], count: int) -> tuple[IntArray, IntArray]:
    """An order (n,) in which observations with the same indices stand together; where each begins.

    The first index (n,) counts first.
    """
    if not indices:
        return np.arange(count), np.zeros(1, dtype=np.intp)
    key = indices[0]
    for index in indices[1:]:
        key = key * (int(index.max()) + 1) + index
    rows = np.argsort(key, kind="stable")
    return rows, _begins(key[rows])


def _begins(ordered: IntArray) -> IntArray:
    """Where runs of equal numbers begin."""
    return np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))


def _weighted(whole: Array, weight: Array) -> Array:
    """Multiply observations (n, m, c) by the roots of their weights (n,), in place."""
    # Most weigh one.
    light = np.flatnonzero(weight != 1.0)
    whole[light] *= np.sqrt(weight[light])[:, None, None]
    return whole


def _products(whole: Array, starts: IntArray, differing: int) -> Array:
    """Sums (s, d, c) over runs of observations of `whole` (n, m, c).

    What is summed are products of the first `differing` columns with all of them.
    """
    if len(starts) == len(whole):
        return np.asarray(whole[:, :, :differing].transpose(0, 2, 1) @ whole)
    out = np.empty((len(starts), differing, whole.shape[2]))
    ends = [*starts.tolist(), len(whole)]
    for into, (a, b) in zip(out, pairwise(ends), strict=True):
        some = whole[a:b].reshape(-1, whole.shape[2])
        np.matmul(some[:, :differing].T, some, out=into)
    return out


def _sums(index: IntArray, values: Array) -> tuple[IntArray, IntArray, Array]:
    """Sum values (s, k, c) whose index (s,) is the same.

    Returns:
        each index (r,); where it stands first (r,); the sums (r, k, c).
    """
    rows = np.argsort(index, kind="stable")
    ordered = index[rows]
    starts = _begins(ordered)
    return ordered[starts], rows[starts], np.add.reduceat(values[rows], starts, axis=0)


def _side_by_side(some: Sequence[IntArray], count: int) -> IntArray:
    return np.concatenate(some, axis=1) if some else np.zeros((count, 0), dtype=np.intp)


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
