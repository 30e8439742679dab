"""One way to prove a block's derivatives: central differences through the groups' own steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from fitscan.adjust.problem import Block, Group
from fitscan.geometry.rotation import Array

__all__ = ["check_jacobians", "dense_jacobian"]


def dense_jacobian(block: Block, groups: Sequence[Group]) -> dict[str, Array]:
    """The block's derivatives as it states them: per group (observations, m, count, k)."""
    values = {g.name: g.values for g in groups}
    linear = block.linearise(values)
    n, m = linear.residual.shape
    out = {g.name: np.zeros((n, m, len(g.values), g.tangent)) for g in groups}
    for part in linear.parts:
        for i in range(n):
            out[part.group][i, :, part.index[i]] += part.jacobian[i]
    return out


def check_jacobians(
    block: Block,
    groups: Sequence[Group],
    steps: Mapping[str, Array],
    *,
    tolerance: float = 1e-6,
) -> None:
    """Compare every derivative with central differences.

    Args:
        block: to be checked.
        groups: at whose values.
        steps: per group (k,), half the width of the difference of each number.
        tolerance: largest error, relative to the largest derivative by the same number.
    """
    values = {g.name: g.values for g in groups}
    linear = block.linearise(values)
    # Without derivatives a block may take a shorter way: thousands of pixels round to 1e-12.
    assert np.array_equal(linear.residual, block.residual(values)) or np.allclose(
        linear.residual, block.residual(values), rtol=1e-11, atol=1e-10
    )
    stated = dense_jacobian(block, groups)
    assert {p.group for p in linear.parts} <= {g.name for g in groups}
    for group in groups:
        for i in range(len(group.values)):
            for k in range(group.tangent):
                step = np.zeros((len(group.values), group.tangent))
                step[i, k] = steps[group.name][k]
                ends = [
                    block.residual({**values, group.name: group.step(group.values, sign * step)})
                    for sign in (1.0, -1.0)
                ]
                found = (ends[0] - ends[1]) / (2.0 * step[i, k])
                claim = stated[group.name][:, :, i, k]
                size = max(float(np.abs(found).max()), float(np.abs(claim).max()), 1e-12)
                error = float(np.abs(found - claim).max())
                where = f"{block.name} by {group.name}[{i}], number {k}"
                assert error <= tolerance * size, f"{where}: off by {error:.3g} of {size:.3g}"
