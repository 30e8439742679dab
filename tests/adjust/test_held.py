"""Some parameters adjusted and all others held: NumPy's least squares, and nothing else moves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares

from fitscan.adjust.held import solve_free
from fitscan.adjust.problem import Group, IntArray, LinearBlock
from fitscan.adjust.solve import Options
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array

HEIGHTS, SLOPES = 7, 3


def levels(
    seed: int, robust: float | None, outliers: int = 0
) -> tuple[list[Group], LinearBlock, Array]:
    """Readings of two heights and a slope each, their start, and the design over all of both."""
    rng = np.random.default_rng(seed)
    n = 60
    height, slope = rng.integers(0, HEIGHTS, (n, 2)), rng.integers(0, SLOPES, (n, 1))
    by_height = rng.normal(1.0, 0.3, (n, 2, 1))
    by_slope = rng.normal(0.0, 1.0, (n, 1, 2))
    sigma = rng.uniform(0.5, 2.0, n)
    observed = rng.normal(0.0, 3.0, n)
    observed[:outliers] += 60.0
    design = {"height": (height, by_height), "slope": (slope, by_slope)}
    groups = [
        Group("height", rng.normal(size=(HEIGHTS, 1)), 1),
        Group("slope", rng.normal(size=(SLOPES, 2)), 2),
    ]
    whole = np.zeros((n, HEIGHTS + 2 * SLOPES))
    for i in range(n):
        for j in range(2):
            whole[i, height[i, j]] += by_height[i, j, 0]
        at = HEIGHTS + 2 * slope[i, 0]
        whole[i, at : at + 2] += by_slope[i, 0]
    return groups, LinearBlock("levels", observed, sigma, design, robust), whole


def free_of(seed: int) -> dict[str, IntArray]:
    rng = np.random.default_rng(seed)
    return {
        "height": np.sort(rng.permutation(HEIGHTS)[: rng.integers(1, HEIGHTS)]),
        "slope": np.sort(rng.permutation(SLOPES)[: rng.integers(0, SLOPES)]),
    }


def columns(free: dict[str, IntArray]) -> IntArray:
    slopes = HEIGHTS + 2 * free["slope"][:, None] + np.arange(2)
    return np.concatenate([free["height"], slopes.ravel()])


def flat(values: dict[str, Array]) -> Array:
    return np.concatenate([values["height"].ravel(), values["slope"].ravel()])


@given(seed=st.integers(0, 2**32 - 1))
def test_what_is_free_takes_numpys_least_squares_and_the_rest_stays(seed: int) -> None:
    groups, block, whole = levels(seed, None)
    free = free_of(seed)
    mine = columns(free)
    start = flat({g.name: g.values for g in groups})
    found = flat(solve_free(groups, [block], free, Options()))
    held = np.setdiff1d(np.arange(len(start)), mine)
    assert np.array_equal(found[held], start[held])
    rest = (block.observed - whole[:, held] @ start[held]) / block.sigma
    design = whole[:, mine] / block.sigma[:, None]
    best, _, rank, _ = np.linalg.lstsq(design, rest, rcond=None)
    if rank == len(mine):
        assert found[mine] == pytest.approx(best, abs=1e-6 * np.linalg.cond(design))


@given(seed=st.integers(0, 2**32 - 1))
def test_its_robust_minimum_is_scipys_huber_minimum(seed: int) -> None:
    groups, block, whole = levels(seed, 1.5, outliers=4)
    free = {"height": np.array([1, 4]), "slope": np.array([2])}
    mine, start = columns(free), flat({g.name: g.values for g in groups})
    held = np.setdiff1d(np.arange(len(start)), mine)

    def residual(x: Array) -> Array:
        rest = block.observed - whole[:, held] @ start[held]
        return np.asarray((whole[:, mine] @ x - rest) / block.sigma)

    # Reweighting comes near slowly where half of the readings lie far out.
    options = Options(steps=5000, tolerance=1e-13)
    found = flat(solve_free(groups, [block], free, options))[mine]
    reference = least_squares(residual, start[mine], loss="huber", f_scale=1.5, xtol=1e-14,
                              ftol=1e-14, gtol=1e-14)  # fmt: skip

    def cost(x: Array) -> float:
        size = np.abs(residual(x))
        return float(np.where(size > 1.5, 2.0 * 1.5 * size - 1.5**2, size**2).sum() / 2.0)

    assert cost(found) == pytest.approx(reference.cost, rel=1e-8)


def test_with_nothing_free_all_stays_as_it_was() -> None:
    groups, block, _ = levels(3, None)
    none = np.zeros(0, dtype=np.intp)
    found = solve_free(groups, [block], {"height": none, "slope": none}, Options())
    assert all(found[g.name] is g.values for g in groups)


def test_what_no_block_speaks_of_is_refused() -> None:
    """A reading of other heights alone says nothing of the one that is free."""
    groups, block, _ = levels(3, None)
    with pytest.raises(DataError, match="leave something free"):
        solve_free(
            [groups[0], groups[1], Group("scale", np.ones((1, 1)), 1)],
            [block],
            {"scale": np.array([0])},
            Options(),
        )
