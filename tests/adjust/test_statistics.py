"""Covariance, datum, redundancy and tests against plain dense algebra and published values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jacobians import dense_jacobian
from scipy.stats import ncx2, norm

from fitscan.adjust.problem import Group, LinearBlock, PriorBlock
from fitscan.adjust.solve import Options, Solution, solve
from fitscan.adjust.statistics import BAARDA_W, Datum, block_test, covariance_of
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array


def level_net(seed: int, points: int = 6, lines: int = 14) -> LinearBlock:
    """Height differences of a net without a bench mark; every point is on a ring of lines."""
    rng = np.random.default_rng(seed)
    ends = [(i, (i + 1) % points) for i in range(points)]
    while len(ends) < lines:
        a, b = rng.choice(points, 2, replace=False)
        ends.append((int(a), int(b)))
    index = np.array([[b, a] for a, b in ends])
    factors = np.tile(np.array([[1.0], [-1.0]]), (lines, 1, 1))
    sigma = rng.uniform(0.3, 3.0, lines)
    heights = rng.normal(size=points) * 100.0
    observed = heights[index[:, 0]] - heights[index[:, 1]] + sigma * rng.normal(size=lines)
    return LinearBlock("levels", observed, sigma, {"height": (index, factors)})


def solved(block: LinearBlock, points: int = 6) -> tuple[Solution, Array]:
    groups = [Group("height", np.zeros((points, 1)), 1)]
    solution = solve(groups, [block], Options())
    return solution, dense_jacobian(block, groups)["height"].reshape(len(block.observed), points)


@given(seed=st.integers(0, 2**32 - 1))
def test_a_free_nets_covariance_with_inner_constraints_is_the_pseudo_inverse(seed: int) -> None:
    solution, design = solved(level_net(seed))
    ones = np.ones((6, 1))
    covariance = covariance_of(solution, Datum(ones, ones)).of("height")
    assert np.allclose(covariance, np.linalg.pinv(design.T @ design), rtol=1e-9, atol=1e-12)


@given(seed=st.integers(0, 2**32 - 1))
def test_another_datum_is_the_s_transform_of_the_first(seed: int) -> None:
    solution, _ = solved(level_net(seed))
    ones, first = np.ones((6, 1)), np.eye(6)[:, :2].sum(axis=1, keepdims=True)
    inner = covariance_of(solution, Datum(ones, ones)).of("height")
    partial = covariance_of(solution, Datum(ones, first)).of("height")
    s = np.eye(6) - ones @ np.linalg.inv(first.T @ ones) @ first.T
    assert np.allclose(partial, s @ inner @ s.T, rtol=1e-9, atol=1e-12)
    # What can be measured, a height difference, does not care which datum was chosen.
    row = np.eye(6)[4] - np.eye(6)[2]
    assert row @ partial @ row == pytest.approx(row @ inner @ row)


@given(seed=st.integers(0, 2**32 - 1))
def test_redundancies_and_tests_are_those_of_the_dense_residual_covariance(seed: int) -> None:
    block = level_net(seed)
    solution, design = solved(block)
    ones = np.ones((6, 1))
    covariance = covariance_of(solution, Datum(ones, ones))
    test = block_test(covariance, 0)
    qvv = np.eye(14) - design @ np.linalg.pinv(design.T @ design) @ design.T
    residual = solution.linears[0].residual[:, 0]
    assert test.redundancy == pytest.approx(np.diag(qvv), abs=1e-9)
    assert test.redundancy.sum() == pytest.approx(covariance.redundancy)
    assert covariance.redundancy == 14 - 5
    w = np.abs(residual) / np.sqrt(np.diag(qvv))
    assert test.worst == pytest.approx(w, rel=1e-6)
    assert test.statistic == pytest.approx(w**2, rel=1e-6)
    assert covariance.variance_factor == pytest.approx(residual @ residual / 9.0)


def test_the_critical_value_and_smallest_error_are_baardas() -> None:
    # Baarda 1968: false alarm rate 0.001, power 80 %: 3.29, delta0 4.1321, lambda0 17.0746.
    assert norm.isf(0.0005) == pytest.approx(BAARDA_W, abs=1e-3)
    delta0 = norm.isf(0.0005) + norm.isf(0.2)
    assert delta0 == pytest.approx(4.1321, abs=5e-5)
    assert delta0**2 == pytest.approx(17.0746, abs=5e-4)
    assert ncx2.sf(BAARDA_W**2, 1, 17.0746) == pytest.approx(0.8, abs=1e-3)
    solution, _ = solved(level_net(1))
    ones = np.ones((6, 1))
    test = block_test(covariance_of(solution, Datum(ones, ones)), 0)
    assert test.critical == pytest.approx(np.full(14, BAARDA_W**2), rel=1e-6)
    assert test.smallest == pytest.approx(delta0 / np.sqrt(test.redundancy), rel=1e-4)


def test_an_error_of_the_smallest_detectable_size_is_found_four_times_in_five() -> None:
    rng = np.random.default_rng(8)
    block = level_net(2)
    solution, design = solved(block)
    ones = np.ones((6, 1))
    covariance = covariance_of(solution, Datum(ones, ones))
    test = block_test(covariance, 0)
    hat = design @ np.linalg.pinv(design.T @ design) @ design.T
    errors = rng.normal(size=(4000, 14))
    errors[:, 3] += test.smallest[3]
    w = np.abs((errors - errors @ hat.T)[:, 3]) / np.sqrt(test.redundancy[3])
    assert np.mean(w > BAARDA_W) == pytest.approx(0.8, abs=0.03)


def test_an_observation_that_nothing_controls_has_no_smallest_error() -> None:
    index = np.array([[1, 0], [2, 1], [2, 1]])
    factors = np.tile(np.array([[1.0], [-1.0]]), (3, 1, 1))
    design = {"height": (index, factors)}
    block = LinearBlock("levels", np.array([1.0, 2.0, 2.1]), np.ones(3), design)
    solution, _ = solved(block, 3)
    ones = np.ones((3, 1))
    test = block_test(covariance_of(solution, Datum(ones, ones)), 0)
    assert test.redundancy == pytest.approx([0.0, 0.5, 0.5], abs=1e-9)
    assert test.smallest[0] > 1e3
    assert test.statistic[0] == 0.0


@given(seed=st.integers(0, 2**32 - 1))
def test_a_gross_error_in_a_well_controlled_net_is_the_largest_w(seed: int) -> None:
    rng = np.random.default_rng(seed)
    block = level_net(seed, lines=24)
    bad = int(rng.integers(24))
    observed = block.observed.copy()
    observed[bad] += 60.0 * block.sigma[bad]
    spoilt = LinearBlock("levels", observed, block.sigma, block.design)
    solution, _ = solved(spoilt)
    ones = np.ones((6, 1))
    test = block_test(covariance_of(solution, Datum(ones, ones)), 0)
    if test.redundancy[bad] > 0.2:
        # Two lines in a row share one test: then both are the largest.
        assert test.worst[bad] == pytest.approx(test.worst.max())


def test_a_net_that_is_loose_beyond_its_datum_is_refused() -> None:
    # Two pairs of points without a line between the pairs: two freedoms, the datum takes one.
    index = np.array([[1, 0], [1, 0], [3, 2], [3, 2]])
    factors = np.tile(np.array([[1.0], [-1.0]]), (4, 1, 1))
    block = LinearBlock("levels", np.ones(4), np.ones(4), {"height": (index, factors)})
    solution, _ = solved(block, 4)
    ones = np.ones((4, 1))
    with pytest.raises(DataError, match="leave something free"):
        covariance_of(solution, Datum(ones, ones))


def test_what_is_taken_out_and_not_fixed_by_all_the_rest_is_refused_too() -> None:
    # Two places of two numbers; of the second one only the sum of both is ever seen.
    place = np.array([[0], [0], [0], [1], [1]])
    factors = np.array([[[1.0, 0.3]], [[0.2, 1.0]], [[1.0, 1.0]], [[1.0, 1.0]], [[1.0, 1.0]]])
    height = (np.array([[0], [1], [0], [0], [1]]), np.ones((5, 1, 1)))
    block = LinearBlock(
        "levels", np.ones(5), np.ones(5), {"place": (place, factors), "height": height}
    )
    known = LinearBlock(
        "known", np.zeros(2), np.ones(2), {"height": (np.array([[0], [1]]), np.ones((2, 1, 1)))}
    )
    groups = [Group("place", np.zeros((2, 2)), 2), Group("height", np.zeros((2, 1)), 1)]
    solution = solve(groups, [block, known], Options(eliminate="place"))
    with pytest.raises(DataError, match="leave something free"):
        covariance_of(solution)


def test_a_block_without_observations_is_tested_without_a_result() -> None:
    groups = [Group("height", np.zeros((2, 1)), 1)]
    index, factors = np.array([[0], [1]]), np.ones((2, 1, 1))
    some = LinearBlock("some", np.zeros(2), np.ones(2), {"height": (index, factors)})
    none = LinearBlock("none", np.zeros(0), np.ones(0), {"height": (index[:0], factors[:0])})
    covariance = covariance_of(solve(groups, [some, none], Options()))
    assert len(block_test(covariance, 1).statistic) == 0


def test_a_prior_that_says_nothing_changes_neither_covariance_nor_redundancy() -> None:
    block = level_net(3)
    groups = [Group("height", np.zeros((6, 1)), 1)]
    silent = PriorBlock.independent("silent", "height", np.zeros((6, 1)), np.array(np.inf))
    ones = np.ones((6, 1))
    with_it = covariance_of(solve(groups, [block, silent], Options()), Datum(ones, ones))
    without = covariance_of(solve(groups, [block], Options()), Datum(ones, ones))
    assert np.allclose(with_it.of("height"), without.of("height"))
    assert with_it.redundancy == without.redundancy
