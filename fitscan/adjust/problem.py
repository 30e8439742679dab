"""The contract between a problem and the solver: parameter groups and residual blocks.

Solving is left to `solve`; cameras, tags and tubes to the layers above.

A problem is a list of groups (each n alike parameters with a tangent of k numbers and a step) and
a list of blocks (each n alike observations of m whitened residuals). Whitened means multiplied by
a square root of the weight, so that every residual has standard deviation 1.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise
from operator import is_
from typing import Protocol

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array

__all__ = [
    "Block",
    "Group",
    "IntArray",
    "Linear",
    "LinearBlock",
    "Part",
    "PriorBlock",
    "Values",
    "add_step",
]

IntArray = npt.NDArray[np.intp]
Values = Mapping[str, Array]


def add_step(values: Array, step: Array) -> Array:
    """The step of parameters that live in a vector space: values (n, k) plus step (n, k)."""
    return values + step


@dataclass(frozen=True)
class Group:
    """n alike parameters.

    Attributes:
        name: how blocks refer to them.
        values: (n, ...) start values.
        tangent: k, numbers in a small change of one of them.
        step: (values (n, ...), steps (n, k)) -> changed values.
    """

    name: str
    values: Array
    tangent: int
    step: Callable[[Array, Array], Array] = add_step


@dataclass(frozen=True)
class Part:
    """How a block's residuals depend on one group.

    Attributes:
        group: the group's name.
        index: (n,) which of the group's parameters each observation depends on.
        jacobian: (n, m, k) d whitened residual / d tangent.
    """

    group: str
    index: IntArray
    jacobian: Array


@dataclass(frozen=True)
class Linear:
    """A block linearised at some values.

    Attributes:
        residual: (n, m).
        parts: its dependence on each group.
        whole: (n, m, c) all parts' Jacobians side by side and the residual last, where they lie in
            one array; else None.
    """

    residual: Array
    parts: tuple[Part, ...]
    whole: Array | None = None

    @staticmethod
    def of(whole: Array, parts: Sequence[tuple[str, IntArray, int]]) -> Linear:
        """From `whole`, and of each part its group, index (n,) and number of columns."""
        ends = [0, *accumulate(k for _, _, k in parts)]
        views = (
            Part(group, index, whole[..., a:b])
            for (group, index, _), (a, b) in zip(parts, pairwise(ends), strict=True)
        )
        return Linear(whole[..., -1], tuple(views), whole)

    def side_by_side(self, parts: Sequence[Part]) -> Array:
        """The Jacobians of all parts, in any order, and the residual: (n, m, c); maybe a view."""
        same = len(parts) == len(self.parts) and all(map(is_, parts, self.parts))
        if self.whole is not None and same:
            return self.whole
        return np.concatenate([*(p.jacobian for p in parts), self.residual[..., None]], axis=2)

    def over(self, factor: float) -> Linear:
        """The same with standard deviations multiplied by a factor."""
        if self.whole is not None:
            known = [(p.group, p.index, p.jacobian.shape[2]) for p in self.parts]
            return Linear.of(self.whole / factor, known)
        parts = tuple(Part(p.group, p.index, p.jacobian / factor) for p in self.parts)
        return Linear(self.residual / factor, parts)


class Block(Protocol):
    """n alike observations of m whitened residuals each.

    Attributes:
        name: for messages.
        rank: (n,) independent residuals in each observation (m unless rows are empty).
        robust: bound of the Huber weight on sqrt(chi2 / rank), or None for plain least squares.
    """

    @property
    def name(self) -> str:
        """Name for messages."""
        ...

    @property
    def rank(self) -> IntArray:
        """Independent residuals (n,)."""
        ...

    @property
    def robust(self) -> float | None:
        """Huber bound or None."""
        ...

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, m) at `values`."""
        ...

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians at `values`."""
        ...


@dataclass(frozen=True)
class LinearBlock:
    """Observations that are linear in vector parameters: design @ x - observed, whitened.

    Attributes:
        name: for messages.
        observed: (n,).
        sigma: (n,) standard deviations.
        design: per group name, the pair (index (n, j), factors (n, j, k)): observation i is the
            sum over j of factors[i, j] @ x[index[i, j]].
        robust: see `Block`.
    """

    name: str
    observed: Array
    sigma: Array
    design: Mapping[str, tuple[IntArray, Array]]
    robust: float | None = None

    @property
    def rank(self) -> IntArray:
        """One residual each."""
        return np.ones(len(self.observed), dtype=np.intp)

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, 1)."""
        total = -self.observed
        for name, (index, factors) in self.design.items():
            total = total + np.einsum("njk,njk->n", factors, values[name][index])
        return np.asarray((total / self.sigma)[:, None])

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians."""
        parts = []
        for name, (index, factors) in self.design.items():
            for j in range(index.shape[1]):
                jacobian = factors[:, j, :] / self.sigma[:, None]
                parts.append(Part(name, index[:, j], jacobian[:, None, :]))
        return Linear(self.residual(values), tuple(parts))


@dataclass(frozen=True)
class PriorBlock:
    """Previous knowledge of a vector group: whitening @ (x - mean), all rows of the group.

    Attributes:
        name: for messages.
        group: whose parameters.
        mean: (n, k).
        whitening: (n, k, k), inverse square root of the prior covariance; a row of zeros says
            nothing.
    """

    name: str
    group: str
    mean: Array
    whitening: Array
    robust: float | None = field(default=None, init=False)

    @staticmethod
    def independent(name: str, group: str, mean: Array, sigma: Array) -> PriorBlock:
        """Prior from standard deviations broadcast to mean's shape (n, k); inf says nothing."""
        inverse = 1.0 / np.broadcast_to(np.asarray(sigma, dtype=np.float64), mean.shape)
        return PriorBlock(name, group, mean, inverse[..., None] * np.eye(mean.shape[1]))

    @staticmethod
    def correlated(name: str, group: str, mean: Array, covariance: Array) -> PriorBlock:
        """Prior of one parameter (1, k) from its covariance (k, k)."""
        scale = np.sqrt(np.diag(covariance))
        root = np.linalg.cholesky(covariance / np.outer(scale, scale))
        whitening = np.linalg.inv(root) / scale
        return PriorBlock(name, group, mean, whitening[None])

    @property
    def rank(self) -> IntArray:
        """Rows that say something."""
        return np.asarray(np.any(self.whitening != 0.0, axis=2).sum(axis=1), dtype=np.intp)

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, k)."""
        return np.asarray(np.einsum("nij,nj->ni", self.whitening, values[self.group] - self.mean))

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians."""
        index = np.arange(len(self.mean))
        return Linear(self.residual(values), (Part(self.group, index, self.whitening),))
