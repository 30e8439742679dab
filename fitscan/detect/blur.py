"""How blurred squares are: the blur with which their borders' profiles are explained best."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fitscan.detect.profile import Profiles, fit_profiles
from fitscan.detect.sight import Sight
from fitscan.detect.square_fit import median_of
from fitscan.geometry.rotation import Array

__all__ = ["OUT_OF_FOCUS_PX", "WIDE_REACH_PX", "closer_blur", "first_blur"]

_FIRST_REACH_PX, WIDE_REACH_PX = 5.5, 14.0
"""Half length of a profile before the blur is known. The longer one is for squares that the first
shows to be out of focus: it saw the middle of their edges."""

OUT_OF_FOCUS_PX = 1.5
"""Blur from which on a square is read with longer profiles."""

_FIRST_BLURS, _WIDE_BLURS = (0.72, 1.21, 2.05), (1.21, 2.05, 3.46, 5.85)
"""Tried first, px; the second where the first show that a square is out of focus."""

_BLUR_RATIO, _BLUR_LIMITS = 1.3, (0.55, 7.6)
"""Steps and limits of the closer search."""

_EVERY, _FIRST_EVERY = 2, 4
"""Of the points, every how many-th the blur is sought with, closely and at first."""

_MOST_MISFIT = 3.0
"""What one point's misfit counts for at most, in medians of its square."""


class _Misfit:
    """How badly blurs explain the profiles of n squares: the mean over some of their points.

    Hidden borders shall not choose: none counts for more than a few times the median. (The median
    alone scatters by twice as much.)
    """

    def __init__(self, profiles: Profiles, sight: Sight, every: int) -> None:
        self.every = sight.numbers[:, ::every]
        self.profiles, self.points = profiles, sight.points

    def __call__(self, blur: Array, rows: npt.NDArray[np.intp]) -> Array:
        """Of some squares (m,), each with its own blur (m,)."""
        every = self.every[rows]
        some, few = self.profiles.take(every.ravel()), self.points.take(every.ravel())
        fit = fit_profiles(some, few, np.repeat(blur, every.shape[1]))
        use = (some.inside & few.real).reshape(every.shape)
        misfit = fit.misfit.reshape(every.shape)
        most = _MOST_MISFIT * median_of(misfit, use, 0.0)
        total = np.where(use, np.minimum(misfit, most[:, None]), 0.0).sum(axis=1)
        return np.asarray(total / np.maximum(use.sum(axis=1), 1))


def first_blur(sight: Sight, grey: npt.NDArray[np.uint8], change: Array) -> tuple[Profiles, Array]:
    """The first profiles, and roughly with which blur (n,) in px they are explained best."""
    profiles = sight.read(grey, change, np.full(sight.size[0], _FIRST_REACH_PX))
    best = _best_of(_FIRST_BLURS, _Misfit(profiles, sight, _FIRST_EVERY))
    wide = np.flatnonzero(best > OUT_OF_FOCUS_PX)
    if len(wide):
        some = sight.only(wide)
        longer = some.read(grey, change[wide], np.full(len(wide), WIDE_REACH_PX))
        best[wide] = _best_of(_WIDE_BLURS, _Misfit(longer, some, _FIRST_EVERY))
        profiles.put(sight.numbers[wide].ravel(), longer)
    return profiles, best


def _best_of(blurs: tuple[float, ...], misfit: _Misfit) -> Array:
    """The best (n,) between some blurs in equal ratios."""
    rows = np.arange(len(misfit.every))
    cost = np.stack([misfit(np.full(len(rows), b), rows) for b in blurs])
    best = np.clip(np.argmin(cost, axis=0), 1, len(blurs) - 2)
    move = _lowest(np.stack([cost[best + d, np.arange(len(rows))] for d in (-1, 0, 1)]))
    return np.asarray(np.array(blurs)[best] * (blurs[1] / blurs[0]) ** move)


def _lowest(cost: Array) -> Array:
    """Where a parabola through the logarithms of three costs (3, n) is lowest, -1 to 1."""
    a, b, c = np.log(cost + 1e-9)
    bend = a - 2.0 * b + c
    move = np.where(bend > 1e-9, 0.5 * (a - c) / np.where(bend > 1e-9, bend, 1.0), np.sign(a - c))
    return np.asarray(np.clip(move, -1.0, 1.0))


def closer_blur(profiles: Profiles, sight: Sight, blur: Array) -> Array:
    """Blur (n,) in px with which each square's profiles are explained best, from a near one."""
    misfit = _Misfit(profiles, sight, _EVERY)
    rows = np.arange(len(blur))
    steps = (1.0 / _BLUR_RATIO, 1.0, _BLUR_RATIO)
    cost = np.stack([misfit(blur * s, rows) for s in steps])
    middle = blur.copy()
    # Once more where the best is not in the middle.
    for end, behind in ((0, 2), (2, 0)):
        go = np.flatnonzero(np.argmin(cost, axis=0) == end)
        if len(go):
            middle[go] *= steps[end]
            cost[behind, go], cost[1, go] = cost[1, go], cost[end, go]
            cost[end, go] = misfit(middle[go] * steps[end], go)
    return np.asarray(np.clip(middle * _BLUR_RATIO ** _lowest(cost), *_BLUR_LIMITS))
