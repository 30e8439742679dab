"""The light chi squared functions against SciPy's distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, ncx2

from fitscan.adjust.chi_squared import chi2_cdf, chi2_isf, chi2_median, chi2_sf, shifted_chi2_isf


def test_they_are_scipys() -> None:
    freedoms = np.array([0.5, 1.0, 2.0, 6.0, 9.0, 250.0])
    x = np.array([1e-3, 0.5, 3.0, 10.827566, 30.0, 400.0])
    np.testing.assert_allclose(chi2_cdf(x, freedoms), chi2.cdf(x, freedoms), rtol=1e-12)
    np.testing.assert_allclose(chi2_sf(x, freedoms), chi2.sf(x, freedoms), rtol=1e-9)
    for alpha in (1e-6, 0.001, 0.05, 0.5):
        np.testing.assert_allclose(chi2_isf(alpha, freedoms), chi2.isf(alpha, freedoms), rtol=1e-9)
    np.testing.assert_allclose(chi2_median(freedoms), chi2.median(freedoms), rtol=1e-10)


def test_far_out_and_near_the_mean_they_are_scipys_too() -> None:
    freedoms = np.array([1.0, 2.0, 9.0, 250.0, 20_000.0])
    for share in (0.1, 0.9, 1.0, 1.1, 3.0):
        x = share * freedoms
        np.testing.assert_allclose(chi2_cdf(x, freedoms), chi2.cdf(x, freedoms), rtol=1e-10)
        wanted = chi2.sf(x, freedoms)
        np.testing.assert_allclose(chi2_sf(x, freedoms), wanted, rtol=1e-10, atol=1e-290)
    for alpha in (1e-9, 0.01, 0.9, 0.99):
        np.testing.assert_allclose(chi2_isf(alpha, freedoms), chi2.isf(alpha, freedoms), rtol=1e-11)
    assert (float(chi2_cdf(0.0, 3)), float(chi2_sf(0.0, 3))) == (0.0, 1.0)


@pytest.mark.parametrize("freedom", [1, 2, 3, 9, 120])
@pytest.mark.parametrize("shift", [0.0, 1e-6, 0.1, 4.0, 400.0, 30_000.0])
def test_the_non_central_distribution_is_scipys(freedom: int, shift: float) -> None:
    for alpha in (1e-6, 0.01, 0.5):
        wanted = float(ncx2.isf(alpha, freedom, shift))
        assert shifted_chi2_isf(alpha, freedom, shift) == pytest.approx(wanted, rel=1e-9)


def test_a_value_of_the_printed_tables_comes_out() -> None:
    # Any table of chi squared: 5 per cent, 9 degrees of freedom, 16.919.
    assert abs(float(chi2_isf(0.05, 9)) - 16.919) < 5e-4
