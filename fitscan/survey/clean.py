"""Adjust, test, leave out what contradicts the rest, and scale the corners' spread.

What is measured comes from `measure`; who is told what was left out is `build`'s business.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fitscan.adjust.chi_squared import chi2_median
from fitscan.adjust.problem import Linear
from fitscan.adjust.solve import Solution
from fitscan.adjust.statistics import BlockTest, Covariance, block_test
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens
from fitscan.survey.broken import Break, BreakTests, outweighs
from fitscan.survey.lens_check import check_solution
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.restrict import Restricted, restrict
from fitscan.survey.rule_block import RuleBlock
from fitscan.survey.state import State
from fitscan.survey.tag_block import HUBER, TagBlock

__all__ = ["MOVED_SHARE", "Cleaned", "clean", "completed"]

_ROUNDS = 14
_GROSS = 2.5
_KNOWN, _NEAR, _SETTLED = 0.25, 0.1, 0.03
"""How far the scale of the standard deviations may be off for a square to be judged; for all to be
judged; and in the end."""

_FACTOR_FLOOR = 0.05

MOVED_SHARE = 0.4
"""Share of a marker's squares that contradict the others from which on it counts as moved."""

_MOVED_SQUARES = 3

_FAR_OFF = 0.05
"""Huber weight of a square that is off by forty times as much as it may be."""

_DOUBTFUL = 1.25
"""A marker whose squares scatter by no more than chance times this did not break."""


@dataclass(frozen=True)
class Cleaned:
    """An adjustment without contradictions.

    Attributes:
        network: the part of the network that hangs together, see `restrict`.
        state: the estimate.
        seen: squares kept, with their scaled standard deviations.
        bad: (n,) of the squares given, which contradicted the others.
        solution, covariance: of the last adjustment.
        tests: of its blocks of squares.
        factors: by how much the standard deviations of flat and cuff squares were scaled.
        moved: ids of markers that were left out whole, because they contradict themselves.
    """

    network: Network
    state: State
    seen: SquareObservations
    bad: npt.NDArray[np.bool_]
    solution: Solution
    covariance: Covariance
    tests: tuple[BlockTest, ...]
    factors: tuple[float, float]
    moved: tuple[int, ...] = ()


def clean(
    network: Network,
    state: State,
    given: SquareObservations,
    *,
    rounds: int = _ROUNDS,
    gross: float = _GROSS,
    factors: tuple[float, float] = (1.0, 1.0),
    start_only: bool = False,
    to_the_end: bool = True,
) -> Cleaned:
    """Adjust and leave out squares until none is grossly wrong (iterated data snooping).

    Huber weights bound what a doubtful square can do: they set in where Baarda's test trips. A
    square is left out when its statistic is `gross` times the critical value. In each round
    every marker and every photo loses at most its worst square, because one wrong square makes
    its neighbours look wrong too. A marker that broke with itself (see `broken`) is left out
    whole, one in each round and before any single square. The standard deviations of flat and of
    cuff squares are scaled to their own residuals (one variance component each).

    Args:
        network: of the squares given.
        state: start values.
        given: every square.
        rounds: at most so many.
        gross: see above.
        factors: what the scaling starts from, such as an earlier round's of measuring.
        start_only: only start values are wanted: their spread need not be settled.
        to_the_end: see `completed`. Without it the rules, which move no photo, are left aside, and
            nothing is adjusted further than tests need it.
    """
    keep = np.ones(len(given), dtype=bool)
    used = np.array(factors)
    part = restrict(_without_rules(network), state, given, keep)
    near = part.state
    linears: dict[str, Linear] = {}
    settled = False
    moved = np.zeros(0, dtype=np.intp)
    for number in range(rounds):
        seen = part.seen.scaled_by(used)
        solution = part.network.solve(near, seen, robust=HUBER, nearly=True, known=linears)
        near = State.of(solution.values)
        try:
            covariance = part.network.covariance(solution)
        except DataError:
            # A marker that every sight has elsewhere may end far out, where nothing holds it.
            adrift = _adrift(solution, seen, part.network)
            if not adrift or number == rounds - 1:
                raise
            moved = np.union1d(moved, [network.marker_row[m] for m in adrift])
            keep &= ~np.isin(given.geometry.marker, moved)
            part = _without(part, part.state, ~keep[part.places])
            near, linears = part.state, {}
            continue
        tests = _tests(covariance)
        judge = _Judge(covariance, seen, tests, network.lens, gross)
        scale = _variance_ratio(solution, tests, seen, typical=not settled)
        judged = judge.by(scale)
        if not settled and not judged.wrong and np.allclose(scale, 1.0, rtol=_NEAR):
            settled = True
            scale = _variance_ratio(solution, tests, seen, typical=False)
            judged = judge.by(scale)
        # Nothing is left out before the spread is known well enough to judge by it.
        known = np.allclose(scale, 1.0, rtol=_KNOWN)
        enough = start_only and known
        steady = settled and np.allclose(scale, 1.0, rtol=_SETTLED)
        if number == rounds - 1 or ((enough or steady) and not judged.wrong):
            break
        # A scale by which squares can be judged need not be followed until they all are.
        further = settled or not np.allclose(scale, 1.0, rtol=_NEAR)
        more = scale if further else np.ones(2)
        used = used * more
        linears = _linearised(solution, more)
        if judged.wrong and known:
            linears = {}
            if judged.broken is None:
                keep[part.places[judged.worst]] = False
                moved = moved if judge.poor else np.union1d(moved, _moved(given, keep))
            else:
                marker = network.marker_row[part.network.markers[judged.broken.marker]]
                moved = np.union1d(moved, [marker])
            keep &= ~np.isin(given.geometry.marker, moved)
            part = _without(part, near, ~keep[part.places])
            near = part.state
    cleaned = Cleaned(
        replace(part.network, kit=network.kit), near, seen, ~keep, solution, covariance, tests,
        (float(used[0]), float(used[1])), tuple(network.markers[i] for i in moved),
    )  # fmt: skip
    return completed(cleaned) if to_the_end else cleaned


def completed(cleaned: Cleaned) -> Cleaned:
    """The same squares adjusted to the end, with the rules."""
    known = _linearised(cleaned.solution, np.ones(2))
    solution = cleaned.network.solve(cleaned.state, cleaned.seen, robust=HUBER, known=known)
    covariance = cleaned.network.covariance(solution)
    return replace(
        cleaned,
        state=State.of(solution.values),
        solution=solution,
        covariance=covariance,
        tests=_tests(covariance),
    )


@dataclass(frozen=True)
class _Judged:
    """What contradicts the rest: the worst squares (n,), and a marker that broke with itself."""

    worst: npt.NDArray[np.bool_]
    broken: Break | None

    @property
    def wrong(self) -> bool:
        """Whether anything does."""
        return bool(self.worst.any()) or self.broken is not None


@dataclass(frozen=True)
class _Judge:
    """An adjustment to be judged, by one scale of its standard deviations or another.

    Attributes:
        covariance: of it.
        seen: its squares.
        tests: of their blocks.
        lens: whose model it is.
        gross: see `clean`.
    """

    covariance: Covariance
    seen: SquareObservations
    tests: tuple[BlockTest, ...]
    lens: Lens
    gross: float

    @cached_property
    def poor(self) -> bool:
        """Whether the model cannot follow the lens.

        Then a marker seen at two places of the frame seems to be at two places of the car: it is
        the lens that must be named, not the markers.
        """
        return not check_solution(self.covariance.solution, self.lens).follows

    @cached_property
    def breaks(self) -> BreakTests:
        """Tests of its markers."""
        return BreakTests(self.covariance)

    def by(self, scale: Array) -> _Judged:
        """Judge squares and markers by standard deviations `scale` (2,) times what they were.

        Markers are not judged while those are not known, or where the lens model is poor.
        """
        ratio = _excess(self.seen, self.tests) / scale[self.seen.kind] ** 2
        ratio[_strained(self.covariance, self.seen, ratio)] = 0.0
        worst = _worst_of_each(self.seen, ratio / self.gross)
        judged = np.allclose(scale, 1.0, rtol=_KNOWN) and not self.poor
        return _Judged(worst, _broken(self, scale) if judged else None)


def _linearised(solution: Solution, scale: Array) -> dict[str, Linear]:
    """Blocks of squares as they are with standard deviations `scale` (2,) times what they were."""
    out = {}
    for block, linear in zip(solution.blocks, solution.linears, strict=True):
        if isinstance(block, TagBlock):
            factor = float(scale[int(block.geometry.cuff[0] >= 0)])
            out[block.name] = linear if factor == 1.0 else linear.over(factor)
    return out


def _without_rules(network: Network) -> Network:
    """The network as the photos alone see it.

    A wrong rule pulls at its two tags until their squares look wrong; judged by the photos alone,
    the squares stay, and it is the rule that contradicts them in the end.
    """
    return replace(network, kit=network.kit.model_copy(update={"rule": ()}))


def _broken(judge: _Judge, ratio: Array) -> Break | None:
    """The marker that broke with itself, if nothing else explains more than its break does."""
    covariance, seen, tests = judge.covariance, judge.seen, judge.tests
    variance = (float(ratio[0]) ** 2, float(ratio[1]) ** 2)
    # A break is tested with the robust weights, so squares must be compared with theirs.
    light = _weights(covariance.solution, seen) / ratio[seen.kind] ** 2
    size = _spread(seen, [t.statistic for t in tests]) * light
    excess = _excess(seen, tests) * light
    freedom = _spread(seen, [t.redundancy for t in tests])
    found: list[Break] = []
    marker_of = seen.geometry.marker
    doubtful = np.bincount(marker_of, size) > _DOUBTFUL * np.bincount(marker_of, freedom)
    for marker in np.flatnonzero(doubtful).tolist():
        own = judge.breaks.best(marker, variance)
        worst = float(size[marker_of == marker].max())
        if own is not None and own.excess > judge.gross and outweighs(own, worst):
            found.append(own)
    best = max(found, key=lambda b: b.excess, default=None)
    # Squares of other markers that are worse still bend the photos that this one was seen in.
    if best is None:
        return None
    others = excess[seen.geometry.marker != best.marker].max(initial=0.0)
    rule = max((e.max() for _, e in _rules(covariance)), default=0.0)
    return best if best.excess > max(others, float(rule)) else None


def _rules(covariance: Covariance) -> list[tuple[RuleBlock, Array]]:
    """Rules with their test statistics over the critical value."""
    out = []
    for number, block in enumerate(covariance.solution.blocks):
        if isinstance(block, RuleBlock):
            test = block_test(covariance, number)
            out.append((block, test.statistic / test.critical))
    return out


def _adrift(solution: Solution, seen: SquareObservations, network: Network) -> list[int]:
    """Markers with which none of their squares agrees by far."""
    most = np.zeros(len(network.markers))
    np.maximum.at(most, seen.geometry.marker, _weights(solution, seen))
    return [m for m, w in zip(network.markers, most, strict=True) if w < _FAR_OFF]


def _strained(
    covariance: Covariance, seen: SquareObservations, excess: Array
) -> npt.NDArray[np.bool_]:
    """Squares at the ends of a rule that is more doubtful than they are: the reading is wrong."""
    out = np.zeros(len(seen), dtype=bool)
    for block, doubt in _rules(covariance):
        for ends, own in zip(block.ends, doubt, strict=True):
            out |= np.isin(seen.geometry.marker, ends) & (own > 1.0) & (own > excess)
    return out


def _moved(given: SquareObservations, keep: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Rows of markers that contradict themselves so often that they must have moved.

    Such a marker has two places, and which of its photos are right cannot be told from them: what
    is left of it would bend the survey.
    """
    marker = given.geometry.marker
    total = np.bincount(marker)
    lost = np.bincount(marker[~keep], minlength=len(total))
    return np.flatnonzero((lost >= _MOVED_SQUARES) & (lost > MOVED_SHARE * total))


def _without(part: Restricted, near: State, worst: npt.NDArray[np.bool_]) -> Restricted:
    """The part, at its estimate, without some squares and without what they alone held."""
    less = restrict(part.network, near, part.seen, ~worst)
    return replace(less, places=part.places[less.places])


def _tests(covariance: Covariance) -> tuple[BlockTest, ...]:
    blocks = covariance.solution.blocks
    return tuple(block_test(covariance, i) for i, b in enumerate(blocks) if isinstance(b, TagBlock))


def _rows_by_block(seen: SquareObservations) -> list[npt.NDArray[np.intp]]:
    """Rows of the squares in the order of the network's blocks."""
    kind = seen.kind
    rows = [np.flatnonzero(kind == k) for k in (0, 1)]
    return [r for r in rows if len(r)]


def _excess(seen: SquareObservations, tests: tuple[BlockTest, ...]) -> Array:
    """Test statistic over its critical value, in the order of `seen`."""
    return _spread(seen, [t.statistic / t.critical for t in tests])


def _weights(solution: Solution, seen: SquareObservations) -> Array:
    """Huber weights (n,), in the order of `seen`."""
    pairs = zip(solution.blocks, solution.weights, strict=True)
    return _spread(seen, [w for b, w in pairs if isinstance(b, TagBlock)])


def _spread(seen: SquareObservations, values: list[Array]) -> Array:
    """Values by block, put in the order of `seen`."""
    out = np.zeros(len(seen))
    for rows, own in zip(_rows_by_block(seen), values, strict=True):
        out[rows] = own
    return out


def _variance_ratio(
    solution: Solution, tests: tuple[BlockTest, ...], seen: SquareObservations, *, typical: bool
) -> Array:
    """Factor (2,) by which the standard deviations of flat and cuff squares are off.

    By the weighted square sum; or, while wrong squares may be among them, by the median square
    (`typical`), on which fewer than half of the squares have no hold.
    """
    out = np.ones(2)
    kind = seen.kind
    numbers = [i for i, b in enumerate(solution.blocks) if isinstance(b, TagBlock)]
    for rows, number, test in zip(_rows_by_block(seen), numbers, tests, strict=True):
        linear, weight = solution.linears[number], solution.weights[number]
        redundancy = float((weight * test.redundancy).sum())
        if redundancy <= 20.0:
            continue
        if typical:
            ratio = float(np.median(test.statistic / chi2_median(np.maximum(test.redundancy, 0.5))))
        else:
            ratio = float((weight[:, None] * linear.residual**2).sum()) / redundancy
        out[kind[rows[0]]] = max(np.sqrt(ratio), _FACTOR_FLOOR)
    return out


def _worst_of_each(seen: SquareObservations, ratio: Array) -> npt.NDArray[np.bool_]:
    """Squares over the bound that are the worst of their photo and of their marker."""
    out = np.zeros(len(seen), dtype=bool)
    taken_photos: set[int] = set()
    taken_markers: set[int] = set()
    for i in np.argsort(-ratio):
        if ratio[i] <= 1.0:
            break
        photo, marker = int(seen.geometry.photo[i]), int(seen.geometry.marker[i])
        shadow = photo in taken_photos or marker in taken_markers
        # A gross error may be dropped beside another one: it cannot be its shadow.
        if shadow and ratio[i] < 25.0:
            continue
        out[i] = True
        taken_photos.add(photo)
        taken_markers.add(marker)
    return out
