"""Equations with a positive definite matrix against SciPy's Cholesky, and a matrix not so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve

from fitscan.adjust.definite import solve_definite


def test_it_solves_as_scipys_cholesky_does() -> None:
    rng = np.random.default_rng(8)
    root = rng.normal(size=(40, 40))
    matrix, right = root @ root.T + np.eye(40), rng.normal(size=(40, 3))
    wanted = cho_solve(cho_factor(matrix), right)
    np.testing.assert_allclose(solve_definite(matrix, right), wanted, rtol=1e-9)


def test_a_matrix_with_a_negative_eigenvalue_is_refused() -> None:
    with pytest.raises(np.linalg.LinAlgError):
        solve_definite(np.diag([1.0, -1.0]), np.ones((2, 1)))
