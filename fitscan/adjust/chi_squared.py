"""The chi squared distribution, from the incomplete gamma function.

`scipy.stats` has it too, but takes half a second to load; what is tested with it is left to others.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import gammainc, gammaincc, gammainccinv, gammaincinv

__all__ = ["chi2_cdf", "chi2_isf", "chi2_median", "chi2_sf"]


def chi2_cdf(x: npt.ArrayLike, freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Probability of at most x."""
    return np.asarray(gammainc(np.asarray(freedoms) / 2.0, np.asarray(x) / 2.0))


def chi2_isf(alpha: npt.ArrayLike, freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Value that is exceeded with probability alpha."""
    return np.asarray(2.0 * gammainccinv(np.asarray(freedoms) / 2.0, np.asarray(alpha)))


def chi2_median(freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Value that is exceeded in half of all cases."""
    return np.asarray(2.0 * gammaincinv(np.asarray(freedoms) / 2.0, 0.5))


def chi2_sf(x: npt.ArrayLike, freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Probability of more than x."""
    return np.asarray(gammaincc(np.asarray(freedoms) / 2.0, np.asarray(x) / 2.0))
