"""Equations with a positive definite matrix against SciPy's Cholesky, and a matrix not so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from fitscan.adjust.definite import inverse_of_lower, lower_of, solve_definite, solve_factored


def test_it_solves_as_scipys_cholesky_does() -> None:
    rng = np.random.default_rng(8)
    root = rng.normal(size=(40, 40))
    matrix, right = root @ root.T + np.eye(40), rng.normal(size=(40, 3))
    wanted = cho_solve(cho_factor(matrix), right)
    np.testing.assert_allclose(solve_definite(matrix, right), wanted, rtol=1e-9)


def test_a_matrix_with_a_negative_eigenvalue_is_refused() -> None:
    with pytest.raises(np.linalg.LinAlgError):
        solve_definite(np.diag([1.0, -1.0]), np.ones((2, 1)))


@pytest.mark.parametrize("size", [1, 31, 64, 65, 200])
def test_a_factor_solves_and_inverts_as_scipys_does(size: int) -> None:
    rng = np.random.default_rng(size)
    root = rng.normal(size=(size, size))
    matrix = root @ root.T + size * np.eye(size)
    lower = lower_of(matrix)
    np.testing.assert_allclose(lower @ lower.T, matrix, rtol=1e-9, atol=1e-9)
    inverse = inverse_of_lower(lower)
    wanted = solve_triangular(lower, np.eye(size), lower=True)
    np.testing.assert_allclose(inverse, wanted, rtol=1e-9, atol=1e-12)
    assert np.array_equal(inverse, np.tril(inverse))
    for right in (rng.normal(size=size), rng.normal(size=(size, 3))):
        wanted = cho_solve(cho_factor(matrix), right)
        np.testing.assert_allclose(solve_factored(lower, right), wanted, rtol=1e-8, atol=1e-12)


def test_only_the_values_asked_for_are_changed() -> None:
    lower, right = lower_of(np.diag([4.0, 9.0])), np.ones(2)
    assert solve_factored(lower, right) == pytest.approx([0.25, 1.0 / 9.0])
    assert right == pytest.approx([1.0, 1.0])


def test_a_matrix_that_is_not_definite_has_no_factor() -> None:
    with pytest.raises(np.linalg.LinAlgError):
        lower_of(np.diag([1.0, -1.0]))
