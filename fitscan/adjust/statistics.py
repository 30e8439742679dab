"""What the solution is worth: covariance, datum, variance factor, redundancy, outlier tests.

Taking many markers out is left to `apart`; which observation to drop, and how to say so, to whoever
built the problem.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from fitscan.adjust.apart import Apart, is_less_work
from fitscan.adjust.chi_squared import chi2_cdf, chi2_isf
from fitscan.adjust.definite import are_firm, inverse_of_lower, is_firm, lower_of, scaled
from fitscan.adjust.normal import Normal, is_common
from fitscan.adjust.problem import IntArray, Linear, Part
from fitscan.adjust.solve import Solution
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array

__all__ = [
    "BAARDA_DELTA",
    "BAARDA_W",
    "BlockTest",
    "Covariance",
    "Datum",
    "block_test",
    "covariance_of",
]

BAARDA_W = 3.29
"""Critical value of Baarda's w-test at a false alarm rate of 0.001 (Baarda 1968)."""

BAARDA_DELTA = 4.1321
"""Error, in standard deviations of w, that this test finds four times in five (Baarda 1968)."""

_UNCONTROLLED = 1e-3
"""Share of an error in some direction below which its residual says nothing of it."""


@dataclass(frozen=True)
class Datum:
    """A free network's gauge.

    Attributes:
        gauge: (K, d): changes of the kept parameters that no observation notices.
        constraint: (K, d): the covariance is given for constraint^T x = 0 (inner constraints
            when it equals the gauge on the points that define the datum).
    """

    gauge: Array
    constraint: Array


@dataclass(frozen=True)
class Covariance:
    """Covariance of all kept parameters.

    Attributes:
        solution: what it belongs to.
        kept: (K, K), marginal over everything eliminated; not scaled by the variance factor.
        variance_factor: v^T P v / redundancy.
        redundancy: observations and priors, less unknowns, plus gauge freedoms.
    """

    solution: Solution
    kept: Array
    variance_factor: float
    redundancy: int

    def columns(self, group: str, index: IntArray) -> IntArray:
        """Places (n * k,) of a group's parameters in `kept`."""
        return self.solution.normal.order.columns(group, index).reshape(-1)

    def of(self, group: str, index: IntArray | None = None) -> Array:
        """Joint covariance (n k, n k) of some parameters of a kept group (all if None)."""
        if index is None:
            offset, count, k = self.solution.normal.order.kept[group]
            whole = slice(offset, offset + count * k)
            return self.kept[whole, whole].copy()
        columns = self.columns(group, index)
        return self.kept[np.ix_(columns, columns)]

    @cached_property
    def carried(self) -> tuple[Array, Array, Array]:
        """N^-1 (E, k, k), A = N^-1 N_k (E, k, K) and A C (E, k, K).

        N are the normal matrices of what is eliminated, N_k those beside the kept parameters, whose
        covariance is C.
        """
        normal = self.solution.normal
        inverse = np.asarray(np.linalg.inv(normal.own), dtype=np.float64)
        carry = inverse @ normal.cross
        shared = carry.reshape(-1, len(self.kept)) @ self.kept
        return inverse, carry, shared.reshape(carry.shape)

    @cached_property
    def _photos(self) -> tuple[Array, Array]:
        """Of each eliminated parameter its covariance (E, k, k), and with the kept ones it touches.

        The latter (E, k, K) may be left zero where nothing is observed of both: nobody asks for it.
        """
        normal = self.solution.normal
        if normal.touches_many:
            inverse, carry, shared = self.carried
            return inverse + shared @ carry.transpose(0, 2, 1), -shared
        own = np.asarray(np.linalg.inv(normal.own), dtype=np.float64)
        cross = np.zeros_like(normal.cross)
        for e, touched in enumerate(normal.touched):
            some = np.flatnonzero(touched)
            few = own[e] @ normal.cross[e][:, some]
            beside = few @ self.kept[some[:, None], some]
            cross[e][:, some] = -beside
            own[e] += beside @ few.T
        return own, cross

    def eliminated(self, index: int) -> Array:
        """Covariance (k, k) of one eliminated parameter."""
        return np.asarray(self._photos[0][index])

    def of_observations(self, linear: Linear) -> Array:
        """Covariance J Sigma J^T (n, m, m) of a block's adjusted, whitened observations."""
        order = self.solution.normal.order
        n = len(linear.residual)
        shared = [is_common(p.index) and p.group != order.eliminated for p in linear.parts]
        some = [p for p, s in zip(linear.parts, shared, strict=True) if not s]
        common = [p for p, s in zip(linear.parts, shared, strict=True) if s]
        jacobian = linear.side_by_side([*some, *common])[..., :-1]
        places = [order.columns(p.group, p.index[:1])[0] for p in common]
        at = np.concatenate(places) if places else np.zeros(0, dtype=np.intp)
        ends = np.cumsum([0, *(p.jacobian.shape[2] for p in some)]).tolist()
        columns = [slice(a, b) for a, b in pairwise(ends)]
        own = ends[-1]
        # Above the diagonal all of it, on the diagonal a half, below nothing: X + X^T is the whole.
        joint = np.zeros((n, own, jacobian.shape[2]))
        for i, (p, mine) in enumerate(zip(some, columns, strict=True)):
            joint[:, mine, own:] = self._rows(p.group)[..., at][p.index]
            joint[:, mine, mine] = 0.5 * self._between(p, p)
            for q, other in zip(some[i + 1 :], columns[i + 1 :], strict=True):
                joint[:, mine, other] = self._between(p, q)
        along = jacobian[:, :, :own] @ joint
        along[:, :, own:] += jacobian[:, :, own:] @ (0.5 * self.kept[at[:, None], at])
        half = along @ jacobian.transpose(0, 2, 1)
        return np.asarray(half + half.transpose(0, 2, 1))

    def _rows(self, group: str) -> Array:
        """Covariance (count, k, K) of a group's parameters with the kept ones; a view."""
        order = self.solution.normal.order
        if group == order.eliminated:
            return self._photos[1]
        offset, count, k = order.kept[group]
        return self.kept[offset : offset + count * k].reshape(count, k, -1)

    def _between(self, p: Part, q: Part) -> Array:
        """Covariance (n, k, l) of the parameters that each observation has of two parts."""
        order = self.solution.normal.order
        if p.group == q.group == order.eliminated:
            return self._photos[0][p.index]
        if q.group == order.eliminated:
            return self._between(q, p).transpose(0, 2, 1)
        rows = self._rows(p.group)
        offset, count, k = order.kept[q.group]
        blocks = rows[..., offset : offset + count * k].reshape(*rows.shape[:2], count, k)
        return blocks[p.index, :, q.index]


@dataclass(frozen=True)
class BlockTest:
    """Residuals of a block against what their covariance allows.

    Attributes:
        statistic: (n,) v^T Qvv^-1 v over the variance factor: chi squared with `rank` degrees.
        critical: (n,) its value at Baarda's false alarm rate per residual.
        redundancy: (n,) share of each observation's residuals that is controlled, 0 to rank.
        worst: (n,) largest |w| of the observation's residuals.
        smallest: (n,) smallest detectable error of the observation in standard deviations
            (Baarda's delta0 / sqrt(r), with r the mean redundancy of its residuals).
        controlled: (n, m, m) covariance of each observation's whitened residuals: of a whitened
            error e, controlled @ e shows in them.
    """

    statistic: Array
    critical: Array
    redundancy: Array
    worst: Array
    smallest: Array
    controlled: Array


def covariance_of(solution: Solution, datum: Datum | None = None) -> Covariance:
    """Invert the normal matrix, what is eliminated taken out.

    For a free network the inverse is taken with the datum's constraints:
    (N + D D^T)^-1 - G (D^T G)^-1 (G^T D)^-1 G^T (Koch, "Parameter Estimation and Hypothesis
    Testing in Linear Models", 1999, section 3.3; from memory). Where it is less work, `Apart`
    gives the same.

    Raises:
        DataError: the network is singular beyond its gauge: something is not fixed by the data.
    """
    normal = solution.normal
    nothing = np.zeros((normal.order.size, 0))
    gauge, constraint = (datum.gauge, datum.constraint) if datum else (nothing, nothing)
    kept = _inverse(normal, gauge, constraint)
    square, observed = 0.0, 0
    for block, weight, linear in zip(
        solution.blocks, solution.weights, solution.linears, strict=True
    ):
        square += float((weight[:, None] * linear.residual**2).sum())
        observed += int(block.rank.sum())
    order = normal.order
    redundancy = observed - order.size - order.count * order.tangent + gauge.shape[1]
    factor0 = square / redundancy if redundancy > 0 else float("nan")
    return Covariance(solution, kept, factor0, redundancy)


def _inverse(normal: Normal, gauge: Array, constraint: Array) -> Array:
    """Covariance (K, K) of the kept parameters."""
    if is_less_work(normal):
        try:
            return Apart.of(normal).inverse(gauge, constraint)
        except np.linalg.LinAlgError:
            pass  # What is singular is decided in one place, below.
    try:
        reduced = normal.reduced()
        matrix, scale = reduced.matrix, reduced.scale
        held, _ = np.linalg.qr(scale[:, None] * constraint)
        whole = scaled(matrix, scale)
        whole += held @ held.T
        lower = lower_of(whole)
    except np.linalg.LinAlgError:
        raise _loose() from None
    if not is_firm(lower) or not are_firm(reduced.half, normal.own):
        raise _loose()
    half = inverse_of_lower(lower)
    half *= scale
    gauge = gauge / scale[:, None]
    small = gauge @ np.linalg.inv(held.T @ gauge) * scale[:, None]
    inverse = half.T @ half
    inverse -= small @ small.T
    return np.asarray(inverse)


def _loose() -> DataError:
    return DataError(
        "The measurements leave something free", "adjustment", "add photos that tie it down"
    )


def block_test(covariance: Covariance, number: int, variance_factor: float = 1.0) -> BlockTest:
    """Test every observation of block `number` of the solution.

    Args:
        covariance: of the solution.
        number: which block.
        variance_factor: of the observations (1 when the block's weights were already scaled).
    """
    solution = covariance.solution
    linear, block = solution.linears[number], solution.blocks[number]
    n, m = linear.residual.shape
    spread = covariance.of_observations(linear)
    qvv = np.eye(m) - spread
    residual = linear.residual
    diagonal = np.clip(np.einsum("nii->ni", qvv), 1e-9, None)
    empty = np.einsum("nii->ni", spread) <= 0.0
    w = np.where(empty, 0.0, np.abs(residual) / np.sqrt(diagonal * variance_factor))
    statistic = _statistic(residual, qvv, spread)
    rank = np.maximum(block.rank, 1)
    ranks, which = np.unique(rank, return_inverse=True)
    redundancy = block.rank - np.einsum("nii->n", spread)
    alpha = 1.0 - chi2_cdf(BAARDA_W**2, 1)
    with np.errstate(divide="ignore"):
        smallest = BAARDA_DELTA / np.sqrt(np.clip(redundancy / rank, 0.0, None))
    return BlockTest(
        statistic / variance_factor,
        np.asarray(chi2_isf(alpha, ranks))[which],
        redundancy,
        w.max(axis=1) if m else np.zeros(n),
        smallest,
        qvv,
    )


def _statistic(residual: Array, qvv: Array, spread: Array) -> Array:
    """v^T Qvv^-1 v (n,) over the directions that other observations control.

    A direction that no other observation controls carries no evidence and is left out. Qvv is
    I - spread, so where spread is smaller than one by its Frobenius norm there is no such one.
    """
    out = np.zeros(len(residual))
    whole = np.einsum("nij,nij->n", spread, spread) < (1.0 - _UNCONTROLLED) ** 2
    v = residual[whole]
    out[whole] = np.sum(v * np.linalg.solve(qvv[whole], v[..., None])[..., 0], axis=1)
    values, vectors = np.linalg.eigh(qvv[~whole])
    along = np.einsum("nij,ni->nj", vectors, residual[~whole])
    use = values > _UNCONTROLLED
    out[~whole] = np.where(use, along**2 / np.where(use, values, 1.0), 0.0).sum(axis=1)
    return out
