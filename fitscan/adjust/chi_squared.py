"""The chi squared distribution, central and not, for tests on few numbers.

SciPy has it too, but takes longer to load than a whole comparison of two surveys takes; what is
tested with it is left to others.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt

__all__ = ["chi2_cdf", "chi2_isf", "chi2_median", "chi2_sf", "shifted_chi2_isf"]

_EPS = 1e-16
_ALIKE = 1e-14
_NEAR = 1e-8
_ROUNDS = 100
_POISSON_SIGMAS = 14.0
"""Beyond so many standard deviations, and as many terms more, a Poisson weight is rounding."""


def chi2_cdf(x: npt.ArrayLike, freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Probability of at most x."""
    return _each(lambda v, f: _shares(f / 2.0, v / 2.0)[0], x, freedoms)


def chi2_sf(x: npt.ArrayLike, freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Probability of more than x."""
    return _each(lambda v, f: _shares(f / 2.0, v / 2.0)[1], x, freedoms)


def chi2_isf(alpha: npt.ArrayLike, freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Value that is exceeded with probability alpha."""
    return _each(_isf, alpha, freedoms)


def chi2_median(freedoms: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Value that is exceeded in half of all cases; for many different freedoms at once.

    Newton's rounds on the logarithms of value and share, in which few freedoms are nearly straight.
    """
    a = np.asarray(freedoms, dtype=np.float64) / 2.0
    log_gamma = _log_gamma(a.reshape(-1) + 1.0).reshape(a.shape)
    # Few freedoms: the share's first term. Many: E. B. Wilson, M. M. Hilferty, PNAS 17 (1931) 684.
    few = (log_gamma - math.log(2.0)) / a
    many = np.log(a) + 3.0 * np.log(np.maximum(1.0 - 1.0 / (9.0 * a), 0.5))
    log_x = np.where(a < 0.4, few, many)
    for _ in range(_ROUNDS):
        x = np.exp(log_x)
        terms = _series(a, x)
        # Of both the factor x^a exp(-x) / Gamma(a + 1) is taken out: density * x is it times a.
        share = a * log_x - x - log_gamma + np.log(terms)
        step = (math.log(0.5) - share) * terms / a
        log_x += step
        # What is left after a step is as its square.
        if np.abs(step).max(initial=0.0) < _NEAR:
            break
    return np.asarray(2.0 * np.exp(log_x))


def _series(a: npt.NDArray[np.float64], x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The sum over x^n / ((a + 1) ... (a + n)) of DLMF 8.11.4, for x up to about a."""
    total, term, n = np.ones_like(x), np.ones_like(x), 0.0
    while np.any(term > _EPS * total):
        for _ in range(8):
            n += 1.0
            term = term * (x / (a + n))
            total += term
    return total


def shifted_chi2_isf(alpha: float, freedom: float, shift: float) -> float:
    """Value that the non-central distribution exceeds with probability alpha.

    Its upper share is the central ones' at freedom + 2 j, weighted by Poisson's distribution of
    mean shift / 2 (Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 26.4.25).

    Args:
        alpha: probability.
        freedom: degrees of freedom.
        shift: non-centrality, the square sum of the means; 0 gives the central distribution.
    """
    if shift <= 0.0:
        return _isf(alpha, freedom)
    mean = shift / 2.0
    reach = _POISSON_SIGMAS * (math.sqrt(mean) + 1.0)
    begin, end = max(0, math.floor(mean - reach)), math.ceil(mean + reach) + 1
    terms: npt.NDArray[np.float64] = np.arange(begin, end, dtype=np.float64)
    weights = np.exp(terms * math.log(mean) - mean - _log_gamma(terms + 1.0))
    half = freedom / 2.0 + terms
    log_gamma = _log_gamma(half + 1.0)

    def upper(x: float) -> tuple[float, float]:
        # From one freedom to the next but one the upper share grows by twice the density there.
        steps = np.exp(half * math.log(x / 2.0) - x / 2.0 - log_gamma)
        first = _shares(float(half[0]), x / 2.0)[1]
        shares = first + np.concatenate([[0.0], np.cumsum(steps[:-1])])
        return float(weights @ shares), float(weights @ (steps * half)) / x

    scale = (freedom + 2.0 * shift) / (freedom + shift)
    return _exceeded(upper, alpha, scale * _isf(alpha, (freedom + shift) / scale))


def _each(
    function: Callable[[float, float], float], a: npt.ArrayLike, b: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    return np.asarray(np.frompyfunc(function, 2, 1)(a, b), dtype=np.float64)


def _log_gamma(x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.array([math.lgamma(v) for v in x.tolist()])


@lru_cache(maxsize=1024)
def _isf(alpha: float, freedom: float) -> float:
    a = freedom / 2.0

    def upper(x: float) -> tuple[float, float]:
        density = 0.5 * math.exp((a - 1.0) * math.log(x / 2.0) - x / 2.0 - math.lgamma(a))
        return _shares(a, x / 2.0)[1], density

    # Far out the share falls as an exponential does; near the middle this is beyond it.
    return _exceeded(upper, alpha, freedom - 2.0 * math.log(alpha))


def _exceeded(upper: Callable[[float], tuple[float, float]], alpha: float, start: float) -> float:
    """Where an upper share falls to alpha: Newton's rounds on its logarithm, kept above zero.

    Args:
        upper: gives the upper share and the density at a value.
        alpha: the share wanted.
        start: a positive value near it.
    """
    x = start
    for _ in range(_ROUNDS):
        share, density = upper(x)
        step = math.log(share / alpha) * share / density
        new = min(max(x + step, x / 4.0), 4.0 * x)
        if abs(new - x) <= _ALIKE * x:
            return new
        x = new
    return x


def _shares(a: float, x: float) -> tuple[float, float]:
    """Lower and upper share of the gamma distribution with shape a: P(a, x) and Q(a, x).

    The series of DLMF 8.11.4 below the mean; above it the continued fraction of DLMF 8.9.2, by
    Lentz's method (W. Lentz, Applied Optics 15 (1976) 668). So the smaller one is never a
    difference.
    """
    if x <= 0.0:
        return 0.0, 1.0
    scale = math.exp(a * math.log(x) - x - math.lgamma(a + 1.0))
    if x < a + 1.0:
        total = term = 1.0
        n = a
        while term > _EPS * total:
            n += 1.0
            term *= x / n
            total += term
        return scale * total, 1.0 - scale * total
    b = x + 1.0 - a
    c, d = 1e300, 1.0 / b
    fraction, change, n = d, 0.0, 0.0
    while abs(change - 1.0) > 2.0 * _EPS and n < 1e5:
        n += 1.0
        an = n * (a - n)
        b += 2.0
        d = 1.0 / (an * d + b)
        c = b + an / c
        change = c * d
        fraction *= change
    share = scale * a * fraction
    return 1.0 - share, share
