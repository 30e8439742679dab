"""Levenberg-Marquardt with Huber weights over any problem of groups and blocks.

Knows no cameras. Taking many markers out is left to `apart`, datum, covariance and outlier tests to
`statistics`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.adjust.apart import Apart, is_less_work
from fitscan.adjust.definite import lower_of, solve_factored
from fitscan.adjust.normal import Normal, Order, build_normal
from fitscan.adjust.problem import Block, Group, Linear, Values
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array

__all__ = ["Options", "Solution", "solve"]


@dataclass(frozen=True)
class Options:
    """How to iterate.

    Attributes:
        steps: most steps that lower the cost.
        damping: first Marquardt damping.
        tolerance: stop when the cost falls by less than this share,
        calm: so many times in a row.
        promise: stop where one is when even the linearised problem promises a fall of less than
            this share.
        eliminate: group to take out first, or None.
    """

    steps: int = 60
    damping: float = 1e-3
    tolerance: float = 1e-9
    calm: int = 2
    promise: float = 0.0
    eliminate: str | None = None


@dataclass(frozen=True)
class Solution:
    """Where the iteration ended.

    Attributes:
        groups, blocks: the problem.
        values: per group, the estimate.
        weights: per block (n,), the Huber weights used.
        linears: the blocks linearised at the estimate.
        normal: undamped normal equations at the estimate.
        cost: half the weighted square sum.
        steps: how many steps were taken.
        converged: whether the cost stopped falling.
    """

    groups: tuple[Group, ...]
    blocks: tuple[Block, ...]
    values: Values
    weights: tuple[Array, ...]
    linears: tuple[Linear, ...]
    normal: Normal
    cost: float
    steps: int
    converged: bool


def solve(groups: Sequence[Group], blocks: Sequence[Block], options: Options) -> Solution:
    """Minimise the robust square sum of all blocks' residuals.

    Raises:
        DataError: the start values give residuals that are not finite, or no damping makes the
            normal equations solvable.
    """
    order = Order.of(groups, options.eliminate)
    values = {g.name: g.values for g in groups}
    cost, weights = _cost(blocks, values)
    if not np.isfinite(cost):
        raise DataError("The start values make no sense", "adjustment", "check the photos and kit")
    damping, taken, converged, calm = options.damping, 0, False, 0
    while taken < options.steps and not converged:
        linears = [b.linearise(values) for b in blocks]
        normal = build_normal(order, linears, weights)
        settled = False
        while True:
            step = _step(normal, damping)
            if step is not None:
                settled = _promised(normal, step) <= options.promise * cost
                if settled:
                    break
                trial = _moved(groups, order, values, step)
                trial_cost, trial_weights = _cost(blocks, trial)
                if np.isfinite(trial_cost) and trial_cost <= cost * (1.0 + 1e-14):
                    break
            damping = max(damping, 1e-12) * 8.0
            if damping > 1e12:
                if step is None:
                    raise DataError(
                        "The measurements leave something free",
                        "adjustment",
                        "add photos that tie it down",
                    )
                # No step lowers the cost any more: this is the minimum to rounding.
                converged, trial, trial_cost, trial_weights = True, values, cost, weights
                break
        if settled:
            return Solution(
                tuple(groups), tuple(blocks), values, tuple(weights), tuple(linears), normal, cost,
                taken, True,
            )  # fmt: skip
        fall = (cost - trial_cost) / max(cost, 1e-300)
        calm = calm + 1 if fall < options.tolerance else 0
        converged = converged or calm >= options.calm or trial_cost < 1e-25
        values, cost, weights = trial, trial_cost, trial_weights
        damping = max(damping / 10.0, 1e-14)
        taken += 1
    linears = [b.linearise(values) for b in blocks]
    normal = build_normal(order, linears, weights)
    return Solution(
        tuple(groups),
        tuple(blocks),
        values,
        tuple(weights),
        tuple(linears),
        normal,
        cost,
        taken,
        converged,
    )


def _cost(blocks: Sequence[Block], values: Values) -> tuple[float, list[Array]]:
    """Huber's cost and the weights (n,) that belong to it."""
    total, weights = 0.0, []
    with np.errstate(all="ignore"):
        for block in blocks:
            square = np.sum(block.residual(values) ** 2, axis=1)
            weight = np.ones(len(square))
            if block.robust is not None:
                rank = np.maximum(block.rank, 1)
                bound = block.robust * np.sqrt(rank)
                size = np.sqrt(square)
                far = size > bound
                weight[far] = bound[far] / size[far]
                square = np.where(far, 2.0 * bound * size - bound**2, square)
            total += 0.5 * float(square.sum())
            weights.append(weight)
    return total, weights


def _step(normal: Normal, damping: float) -> tuple[Array, Array] | None:
    try:
        if is_less_work(normal):
            kept, own = Apart.of(normal, damping).step()
        else:
            kept, own = _reduced_step(normal.damped(damping))
    except np.linalg.LinAlgError:
        return None
    if not (np.all(np.isfinite(kept)) and np.all(np.isfinite(own))):
        return None
    return kept, own


def _reduced_step(normal: Normal) -> tuple[Array, Array]:
    matrix, rhs, carry = normal.reduced()
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    kept = scale * solve_factored(lower_of(matrix * scale * scale[:, None]), scale * rhs)
    return kept, normal.back(carry, kept)


def _promised(normal: Normal, step: tuple[Array, Array]) -> float:
    """By how much at most the linearised problem's cost falls on a damped step: -gradient . step.

    Huber's cost falls by more than its weighted square sum does, but not by much so near.
    """
    return float(normal.kept_rhs @ step[0] + (normal.own_rhs * step[1]).sum())


def _moved(
    groups: Sequence[Group], order: Order, values: Values, step: tuple[Array, Array]
) -> dict[str, Array]:
    out: dict[str, Array] = {}
    for g in groups:
        if g.name == order.eliminated:
            out[g.name] = g.step(values[g.name], step[1])
        else:
            offset, count, k = order.kept[g.name]
            part = step[0][offset : offset + count * k].reshape(count, k)
            out[g.name] = g.step(values[g.name], part)
    return out
