"""The light chi squared functions against SciPy's distribution."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from fitscan.adjust.chi_squared import chi2_cdf, chi2_isf, chi2_median, chi2_sf


def test_they_are_scipys() -> None:
    freedoms = np.array([0.5, 1.0, 2.0, 6.0, 9.0, 250.0])
    x = np.array([1e-3, 0.5, 3.0, 10.827566, 30.0, 400.0])
    np.testing.assert_allclose(chi2_cdf(x, freedoms), chi2.cdf(x, freedoms), rtol=1e-12)
    np.testing.assert_allclose(chi2_sf(x, freedoms), chi2.sf(x, freedoms), rtol=1e-9)
    for alpha in (1e-6, 0.001, 0.05, 0.5):
        np.testing.assert_allclose(chi2_isf(alpha, freedoms), chi2.isf(alpha, freedoms), rtol=1e-9)
    np.testing.assert_allclose(chi2_median(freedoms), chi2.median(freedoms), rtol=1e-10)


def test_a_value_of_the_printed_tables_comes_out() -> None:
    # Any table of chi squared: 5 per cent, 9 degrees of freedom, 16.919.
    assert abs(float(chi2_isf(0.05, 9)) - 16.919) < 5e-4
