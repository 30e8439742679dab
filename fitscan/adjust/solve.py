"""Levenberg-Marquardt with Huber weights over any problem of groups and blocks.

Knows no cameras. Taking many markers out is left to `apart`, datum, covariance and outlier tests to
`statistics`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.adjust.apart import Apart, is_less_work
from fitscan.adjust.normal import Normal, Order, Reduced, build_normal
from fitscan.adjust.problem import Block, Group, Linear, Values
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array

__all__ = ["Options", "Solution", "solve"]

_SURE = 0.25
"""Share of a promise that is believed of the matrix one step before: it is off by far less."""

_LITTLE = 1e-2
"""Damping up to which a matrix promises nearly what it would undamped."""


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


def solve(
    groups: Sequence[Group],
    blocks: Sequence[Block],
    options: Options,
    known: Mapping[str, Linear] | None = None,
) -> Solution:
    """Minimise the robust square sum of all blocks' residuals.

    Args:
        groups: the parameters.
        blocks: the observations.
        options: how to iterate.
        known: blocks, by name, that somebody has linearised at the start values already.

    Raises:
        DataError: the start values give residuals that are not finite, or no damping makes the
            normal equations solvable.
    """
    order = Order.of(groups, options.eliminate)
    values = {g.name: g.values for g in groups}
    first = dict(known or {})
    cost, weights = _cost(blocks, values, first)
    if not np.isfinite(cost):
        raise DataError("The start values make no sense", "adjustment", "check the photos and kit")
    damping, taken, converged, calm = options.damping, 0, False, 0
    factored: Reduced | Apart | None = None
    held = np.inf  # With what it was damped.
    while taken < options.steps and not converged:
        linears = [first.get(b.name) or b.linearise(values) for b in blocks]
        first = {}
        normal = build_normal(order, linears, weights)
        # Near the minimum the matrix hardly changes: the last one tells, too, that this is it.
        settled = False
        if options.promise > 0.0 and held <= _LITTLE:
            step = _step(factored, normal)
            sure = _SURE * options.promise * cost
            settled = step is not None and _promised(normal, step) <= sure
        while not settled:
            factored, held = _factored(normal, damping), damping
            step = _step(factored, normal)
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


def _cost(
    blocks: Sequence[Block], values: Values, known: Mapping[str, Linear] | None = None
) -> tuple[float, list[Array]]:
    """Huber's cost and the weights (n,) that belong to it; what is `known` is not asked again."""
    total, weights = 0.0, []
    with np.errstate(all="ignore"):
        for block in blocks:
            linear = known.get(block.name) if known else None
            residual = linear.residual if linear is not None else block.residual(values)
            square = np.sum(residual**2, axis=1)
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


def _factored(normal: Normal, damping: float) -> Reduced | Apart | None:
    """Damped normal equations, ready to be solved; None if something is free."""
    try:
        less = is_less_work(normal)
        out = Apart.of(normal, damping) if less else normal.damped(damping).reduced()
        return out if len(out.lower) else None
    except np.linalg.LinAlgError:
        return None


def _step(factored: Reduced | Apart | None, normal: Normal) -> tuple[Array, Array] | None:
    """Steps of the kept (K,) and of the eliminated parameters (E, k), if there are any."""
    if factored is None:
        return None
    kept, own = factored.step(normal)
    return (kept, own) if np.all(np.isfinite(kept)) and np.all(np.isfinite(own)) else None


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
