"""The solver: SciPy's minima, robust weights, and problems that cannot be solved."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares

from fitscan.adjust.problem import Group, IntArray, Linear, LinearBlock, Part, Values
from fitscan.adjust.solve import Options, solve
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array


def line_block(seed: int, outliers: int, robust: float | None) -> LinearBlock:
    rng = np.random.default_rng(seed)
    x = np.linspace(-1.0, 1.0, 40)
    y = 2.0 + 3.0 * x + 0.1 * rng.normal(size=40)
    y[rng.permutation(40)[:outliers]] += 8.0
    design = np.stack([np.ones(40), x], axis=1)[:, None, :]
    index = np.zeros((40, 1), dtype=np.intp)
    return LinearBlock("line", y, np.full(40, 0.1), {"line": (index, design)}, robust)


@given(seed=st.integers(0, 2**32 - 1), outliers=st.integers(0, 8))
def test_the_robust_minimum_is_scipys_huber_minimum(seed: int, outliers: int) -> None:
    block = line_block(seed, outliers, robust=1.5)
    group = Group("line", np.zeros((1, 2)), 2)
    found = solve([group], [block], Options(steps=200, tolerance=1e-13))

    def residual(b: Array) -> Array:
        return np.asarray(block.residual({"line": b[None]})[:, 0])

    reference = least_squares(residual, np.zeros(2), loss="huber", f_scale=1.5, xtol=1e-14,
                              ftol=1e-14, gtol=1e-14)  # fmt: skip
    assert found.cost == pytest.approx(reference.cost, rel=1e-8)
    assert found.values["line"][0] == pytest.approx(reference.x, abs=1e-5)


def test_outliers_pull_a_robust_line_far_less_than_a_plain_one() -> None:
    group = Group("line", np.zeros((1, 2)), 2)
    plain, robust = (
        solve([group], [line_block(1, 6, bound)], Options()).values["line"][0]
        for bound in (None, 1.5)
    )
    assert abs(plain[0] - 2.0) > 0.8
    assert abs(robust[0] - 2.0) < 0.08


def test_a_robust_block_weighs_down_exactly_the_outliers() -> None:
    group = Group("line", np.zeros((1, 2)), 2)
    solution = solve([group], [line_block(1, 6, 3.0)], Options())
    assert np.sum(solution.weights[0] < 0.2) == 6


@dataclass(frozen=True)
class Valley:
    """Rosenbrock's function as two residuals, 10 (y - x^2) and 1 - x."""

    name: str = "valley"
    robust: None = None

    @property
    def rank(self) -> IntArray:
        return np.array([2])

    def residual(self, values: Values) -> Array:
        x, y = values["x"][0]
        return np.array([[10.0 * (y - x * x), 1.0 - x]])

    def linearise(self, values: Values) -> Linear:
        x, _ = values["x"][0]
        jacobian = np.array([[[-20.0 * x, 10.0], [-1.0, 0.0]]])
        return Linear(self.residual(values), (Part("x", np.zeros(1, dtype=np.intp), jacobian),))


def test_the_curved_valley_of_rosenbrock_is_followed_to_its_end() -> None:
    solution = solve([Group("x", np.array([[-1.2, 1.0]]), 2)], [Valley()], Options(steps=200))
    assert solution.values["x"][0] == pytest.approx([1.0, 1.0], abs=1e-8)
    assert solution.converged


def test_too_few_steps_are_told_and_not_called_converged() -> None:
    solution = solve([Group("x", np.array([[-1.2, 1.0]]), 2)], [Valley()], Options(steps=3))
    assert solution.steps == 3
    assert not solution.converged


def test_the_cost_never_rises() -> None:
    costs = [
        solve([Group("x", np.array([[-1.2, 1.0]]), 2)], [Valley()], Options(steps=n)).cost
        for n in range(25)
    ]
    assert all(b <= a for a, b in pairwise(costs))


def test_start_values_without_a_finite_residual_are_refused() -> None:
    with pytest.raises(DataError, match="start values make no sense"):
        solve([Group("x", np.array([[np.nan, 1.0]]), 2)], [Valley()], Options())


def test_an_unknown_that_nothing_observes_is_refused_instead_of_called_solved() -> None:
    index = np.zeros((3, 1), dtype=np.intp)
    block = LinearBlock(
        "levels", np.array([1.0, 2.0, 3.0]), np.ones(3), {"height": (index, np.ones((3, 1, 1)))}
    )
    with pytest.raises(DataError, match="leave something free"):
        solve([Group("height", np.zeros((2, 1)), 1)], [block], Options())
    with pytest.raises(DataError, match="leave something free"):
        solve([Group("height", np.zeros((2, 1)), 1)], [block], Options(eliminate="height"))


@dataclass(frozen=True)
class Counted(Valley):
    """The valley, which notes where it is asked."""

    asked: list[tuple[float, float]] = field(default_factory=list)

    def linearise(self, values: Values) -> Linear:
        x, y = values["x"][0].tolist()
        self.asked.append((x, y))
        return super().linearise(values)


def test_what_is_linearised_already_is_not_asked_again_and_gives_the_same() -> None:
    group = Group("x", np.array([[-1.2, 1.0]]), 2)
    options = Options(promise=1e-13, damping=1e-6)
    plain = solve([group], [Counted()], options)
    block = Counted()
    known = {block.name: Valley().linearise({"x": group.values})}
    helped = solve([group], [block], options, known)
    assert (-1.2, 1.0) not in block.asked
    assert helped.steps == plain.steps
    assert np.array_equal(helped.values["x"], plain.values["x"])
