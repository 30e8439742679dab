"""The bar of straights and bends that a bender can make and that stays closest to a target.

Where the target comes from is left to `bar_target`, uncertainty and words to `bar_plan`.

The line is found in two steps: least squares of the distances, then the least largest distance,
with a little of the mean square so that the answer is the only one. The bender's shortest straight
between bends holds in both.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.line import two_normals
from fitscan.geometry.rotation import Array
from fitscan.make.bends import SHARPEST_DEG, Bender
from fitscan.make.bent_line import BentLine

__all__ = ["BarLine", "fit_line", "guesses", "spread"]

_SPARE_MM = 1e-6
"""By how much straights are kept longer than they must be, so that rounding refuses none."""

_EXACT_MM = 1e-4
_MEAN_SHARE = 0.01
_STIFF = 300.0
"""Weight of a missing millimetre of straight against a millimetre of distance."""


@dataclass(frozen=True)
class BarLine:
    """A fitted line.

    Attributes:
        apexes: (n, 3) mm: start, apexes, end.
        away: (m, 3) mm from the bar's axis to each target point, square to it.
        at: (m,) mm along the bar where each is.
        short_mm: by how much its shortest straight between bends misses the bender's; 0 if none.
    """

    apexes: Array
    away: Array
    at: Array
    short_mm: float

    @property
    def deviation(self) -> Array:
        """Distance (m,) of each target point, mm."""
        return np.asarray(np.linalg.norm(self.away, axis=1))

    @property
    def largest(self) -> float:
        """Largest distance, mm."""
        return float(self.deviation.max())


@dataclass(frozen=True)
class _Problem:
    """Distances and straights as functions of a few numbers: ends move sideways, apexes freely."""

    points: Array
    bender: Bender
    first: Array
    last: Array
    sideways: tuple[Array, Array]

    @staticmethod
    def of(points: Array, bender: Bender, start: Array) -> _Problem:
        ahead = (start[1] - start[0], start[-1] - start[-2])
        normals = [two_normals(a / np.linalg.norm(a)) for a in ahead]
        # The ends lie where the target ends, seen along the bar: they only move across it.
        feet = []
        for point, place, a in zip((points[0], points[-1]), (start[0], start[-1]), ahead,
                                   strict=True):  # fmt: skip
            unit = a / np.linalg.norm(a)
            feet.append(place + ((point - place) @ unit) * unit)
        return _Problem(points, bender, feet[0], feet[1], (normals[0], normals[1]))

    def apexes(self, x: Array) -> Array:
        first = self.first + x[:2] @ self.sideways[0]
        last = self.last + x[2:4] @ self.sideways[1]
        return np.asarray(np.vstack([first, x[4:].reshape(-1, 3), last]))

    def start(self, apexes: Array) -> Array:
        return np.concatenate([np.zeros(4), apexes[1:-1].ravel()])

    def line(self, x: Array) -> BentLine:
        return BentLine.through(self.apexes(x), self.bender.clr_mm)

    def both(self, x: Array) -> tuple[Array, Array]:
        """From the bar to each point (m, 3), and what is to spare (k,), mm.

        To spare is what each straight has beyond its least, and each bend below its sharpest.
        """
        line = self.line(x)
        away = np.asarray(self.points - line.nearest(self.points)[0])
        least = np.full(len(line.straights), self.bender.between_mm + _SPARE_MM)
        least[[0, -1]] = _SPARE_MM
        sharp = np.radians(SHARPEST_DEG) - line.angles
        return away, np.concatenate([line.straights - least, self.bender.clr_mm * sharp])

    def residuals(self, x: Array) -> Array:
        """Distances (3 m,) and, heavily weighted, what is missing of straights."""
        away, spare = self.both(x)
        return np.concatenate([away.ravel(), _STIFF * np.minimum(spare, 0.0)])


def fit_line(points: Array, bender: Bender, bends: int, starts: Sequence[Array]) -> BarLine:
    """Closest line with a number of bends.

    Args:
        points: (m, 3) mm of the axis that is wanted, in order along it.
        bender: whose radius and straights hold.
        bends: how many.
        starts: apexes (bends + 2, 3) to start from; the best result wins.

    Raises:
        DataError: no line with so many bends was found that the bender can make.
    """
    nearly = [_nearly(points, bender, start) for start in starts]
    nearly.sort(key=lambda pair: float(np.sum(pair[0].residuals(pair[1]) ** 2)))
    good = []
    for problem, x in nearly:
        line = _line(problem, _least_largest(problem, x))
        if line.short_mm <= 1e-3 and _follows(points, bender, line):
            good.append(line)
            break
    if not good:
        raise DataError(
            f"No bar with {bends} bends on {bender.clr_mm:g} mm radius and {bender.between_mm:g} "
            "mm between bends follows the target",
            "bar",
            "a smaller radius, a shorter straight or fewer bends would be possible",
        )
    return min(good, key=lambda line: line.largest)


def _follows(points: Array, bender: Bender, line: BarLine) -> bool:
    """Whether a line goes along its target, once: limits that cannot be met drive it far away."""
    target = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    length = BentLine.through(line.apexes, bender.clr_mm).length
    return bool(np.all(np.diff(line.at) > -1.0)) and length < 1.5 * target + 50.0


def spread(points: Array, bender: Bender, line: BarLine) -> tuple[Array, Callable[[Array], Array]]:
    """How a fitted line follows its target, to first order of the least squares.

    Args:
        points: as fitted.
        bender: as fitted.
        line: the fit.

    Returns:
        sensitivity (k, 3 m) of the line's numbers to the target's points, and the function that
        turns those numbers, changes from the fitted line, into apexes.
    """
    problem = _Problem.of(points, bender, line.apexes)
    x = problem.start(line.apexes)
    step = 1e-3
    columns = []
    for k in range(len(x)):
        change = np.zeros(len(x))
        change[k] = step
        ends = [problem.residuals(x + sign * change) for sign in (1.0, -1.0)]
        columns.append((ends[0] - ends[1]) / (2.0 * step))
    jacobian = np.column_stack(columns)
    # The residuals are target less foot, so a target that moves by d asks for -J dx = d.
    gain = -np.linalg.pinv(jacobian, rcond=1e-9)[:, : points.size]
    # Along the bar its ends go where the target's ends go.
    first, last = (_unit(line.apexes[k] - line.apexes[j]) for k, j in ((0, 1), (-1, -2)))
    along = np.zeros((2, points.size))
    along[0, :3], along[1, -3:] = first, last

    def apexes(dx: Array) -> Array:
        out: Array = problem.apexes(x + dx[:-2])
        out[0] += dx[-2] * first
        out[-1] += dx[-1] * last
        return out

    return np.asarray(np.vstack([gain, along]), np.float64), apexes


def _unit(direction: Array) -> Array:
    return np.asarray(direction / np.linalg.norm(direction))


def _nearly(points: Array, bender: Bender, start: Array) -> tuple[_Problem, Array]:
    problem = _Problem.of(points, bender, start)
    return problem, _least_squares(problem, problem.start(start))


def _line(problem: _Problem, x: Array) -> BarLine:
    line = problem.line(x)
    feet, at = line.nearest(problem.points)
    inner = line.straights[1:-1]
    short = problem.bender.between_mm - float(inner.min()) if len(inner) else 0.0
    short = max(short, -float(line.straights.min()), 0.0)
    return BarLine(problem.apexes(x), problem.points - feet, at, short)


def _least_squares(problem: _Problem, x: Array) -> Array:
    from scipy.optimize import least_squares

    if len(x) == 0:
        return x
    # Good starts need ten to twenty rounds; a target that no bar follows would go on for ever.
    found = least_squares(problem.residuals, x, x_scale="jac", xtol=1e-12, ftol=1e-12, max_nfev=60)
    return np.asarray(found.x)


def _least_largest(problem: _Problem, x: Array) -> Array:
    """Smallest largest distance, from a good start; the start if that cannot be bettered."""
    from scipy.optimize import minimize

    kept: dict[bytes, tuple[Array, Array]] = {}

    def both(x: Array) -> tuple[Array, Array]:
        # Cost and limits are asked for at the same places, one after the other.
        key = x.tobytes()
        if key not in kept:
            away, spare = problem.both(x)
            if len(kept) > 200:
                kept.clear()
            kept[key] = (np.sqrt(np.sum(away**2, axis=1) + 1e-12), spare)
        return kept[key]

    def cost(z: Array) -> float:
        mean = float(np.mean(both(z[:-1])[0] ** 2))
        return float(z[-1]) + _MEAN_SHARE * mean / largest

    def room(z: Array) -> Array:
        sizes, spare = both(z[:-1])
        return np.concatenate([z[-1] - sizes, spare])

    largest = float(both(x)[0].max())
    if largest < _EXACT_MM:
        return x
    limits: Any = [{"type": "ineq", "fun": room}]
    found: Any = minimize(
        cost, np.append(x, largest), method="SLSQP", constraints=limits,
        options={"maxiter": 100, "ftol": 1e-9},
    )  # fmt: skip
    better = np.asarray(found.x[:-1])
    sizes, spare = both(better)
    return better if spare.min() > -1e-3 and sizes.max() < largest else x


def guesses(points: Array, bends: int, crossings: Array | None) -> list[Array]:
    """Where to start from: the best polyline through target points, and axes that cross.

    Args:
        points: (m, 3) in order.
        bends: how many.
        crossings: (k, 3) where neighbouring stubs' axes meet, or None.
    """
    starts = []
    if crossings is not None and len(crossings) == bends:
        starts.append(np.vstack([points[:1], crossings, points[-1:]]))
    if len(points) >= bends + 2:
        starts.append(points[_corners(points, bends)])
        even = np.linspace(0, len(points) - 1, bends + 2).round().astype(int)
        starts.append(points[even])
    return [s for s in starts if np.linalg.norm(np.diff(s, axis=0), axis=1).min() > 1e-3]


def _corners(points: Array, bends: int) -> list[int]:
    """Corners of the polyline with so many inner corners that strays least, by dynamic programming.

    R. Bellman, "On the approximation of curves by line segments using dynamic programming",
    Communications of the ACM 4(6), 1961 (from memory).
    """
    n = len(points)
    stray = np.full((n, n), np.inf)
    for i in range(n):
        for j in range(i + 1, n):
            run = points[j] - points[i]
            inner = points[i + 1 : j] - points[i]
            size = run @ run
            if size > 0:
                off = inner - (inner @ run / size)[:, None] * run
                stray[i, j] = float(np.sum(off**2))
    best = stray[0].copy()
    back: list[Array] = []
    for _ in range(bends):
        total = best[:, None] + stray
        back.append(np.argmin(total, axis=0))
        best = total.min(axis=0)
    at = [n - 1]
    for came in reversed(back):
        at.append(int(came[at[-1]]))
    return [0, *reversed(at)] if at[-1] != 0 else list(reversed(at))
