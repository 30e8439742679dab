"""The ready-made blocks: derivatives, ranks, and priors that say nothing."""

from __future__ import annotations

import numpy as np
import pytest
from jacobians import check_jacobians

from fitscan.adjust.problem import Group, Linear, LinearBlock, PriorBlock


def test_every_derivative_of_a_prior_is_that_of_central_differences() -> None:
    rng = np.random.default_rng(2)
    root = rng.normal(size=(4, 4)) * [1e3, 1.0, 1e-3, 1e-2]
    block = PriorBlock.correlated("lens", "lens", rng.normal(size=(1, 4)), root.T @ root)
    group = Group("lens", rng.normal(size=(1, 4)), 4)
    check_jacobians(block, [group], {"lens": np.full(4, 1e-3)})
    loose = PriorBlock.independent(
        "ink", "ink", np.zeros((3, 2)), np.array([[0.1, np.inf], [2.0, 1.0], [np.inf, np.inf]])
    )
    group = Group("ink", rng.normal(size=(3, 2)), 2)
    check_jacobians(loose, [group], {"ink": np.full(2, 1e-3)})
    assert np.array_equal(loose.rank, [1, 2, 0])


def test_every_derivative_of_linear_observations_is_that_of_central_differences() -> None:
    rng = np.random.default_rng(3)
    design = {
        "height": (rng.integers(0, 4, (6, 2)), rng.normal(size=(6, 2, 1))),
        "tilt": (rng.integers(0, 2, (6, 1)), rng.normal(size=(6, 1, 3))),
    }
    block = LinearBlock("levels", rng.normal(size=6), rng.uniform(0.5, 2.0, 6), design)
    groups = [Group("height", rng.normal(size=(4, 1)), 1), Group("tilt", np.zeros((2, 3)), 3)]
    check_jacobians(block, groups, {"height": np.full(1, 1e-2), "tilt": np.full(3, 1e-2)})


def test_a_correlated_prior_weighs_a_deviation_by_its_mahalanobis_length() -> None:
    rng = np.random.default_rng(5)
    root = rng.normal(size=(3, 3))
    covariance = root @ root.T
    mean, x = rng.normal(size=(1, 3)), rng.normal(size=(1, 3))
    block = PriorBlock.correlated("lens", "lens", mean, covariance)
    away = (x - mean)[0]
    length = away @ np.linalg.solve(covariance, away)
    assert (block.residual({"lens": x}) ** 2).sum() == pytest.approx(length)


def test_a_prior_whose_numbers_differ_by_many_powers_of_ten_keeps_its_digits() -> None:
    sigma = np.array([12.0, 1e-4, 1e-9])
    covariance = np.diag(sigma**2)
    covariance[0, 1] = covariance[1, 0] = 0.9 * sigma[0] * sigma[1]
    block = PriorBlock.correlated("lens", "lens", np.zeros((1, 3)), covariance)
    white = block.whitening[0]
    assert white @ covariance @ white.T == pytest.approx(np.eye(3), abs=1e-12)


def linear_of_one_array() -> Linear:
    rng = np.random.default_rng(6)
    parts = [("photo", rng.integers(0, 3, 5), 2), ("lens", np.zeros(5, dtype=np.intp), 3)]
    return Linear.of(rng.normal(size=(5, 4, 6)), parts)


def test_parts_of_one_array_are_its_columns_and_the_residual_its_last() -> None:
    linear = linear_of_one_array()
    assert linear.whole is not None
    photo, lens = linear.parts
    assert (photo.jacobian.shape[2], lens.jacobian.shape[2]) == (2, 3)
    whole = np.concatenate([photo.jacobian, lens.jacobian, linear.residual[..., None]], axis=2)
    assert np.array_equal(whole, linear.whole)
    assert linear.side_by_side([photo, lens]) is linear.whole
    turned = linear.side_by_side([lens, photo])
    assert np.array_equal(turned[..., :3], lens.jacobian)
    assert np.array_equal(turned[..., 3:5], photo.jacobian)
    assert np.array_equal(turned[..., -1], linear.residual)


@pytest.mark.parametrize("together", [True, False])
def test_larger_standard_deviations_shrink_residuals_and_derivatives_alike(together: bool) -> None:
    linear = linear_of_one_array()
    given = linear if together else Linear(linear.residual, linear.parts)
    less = given.over(2.0)
    assert less.residual == pytest.approx(linear.residual / 2.0)
    for part, before in zip(less.parts, linear.parts, strict=True):
        assert part.group == before.group
        assert part.jacobian == pytest.approx(before.jacobian / 2.0)
