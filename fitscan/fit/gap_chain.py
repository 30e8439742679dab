"""Carrying a target to the bar through a chain of shoots, each step on a part that both show.

Every survey of the chain enters the uncertainty once and whole, so that markers that two steps
share are counted as what they are. Comparing what was carried is left to `gap` and its siblings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.adjust.chi_squared import chi2_isf
from fitscan.adjust.definite import solve_definite
from fitscan.errors import DataError, InputError
from fitscan.fit.align import (
    ALPHA,
    Alignment,
    MovedMarker,
    align,
    difference_covariance,
    motion_rows,
)
from fitscan.fit.propagate import MarkerInput, propagate
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, log
from fitscan.shape.propagate import Poses
from fitscan.survey.survey import Survey

__all__ = [
    "Carrier",
    "Chain",
    "Loop",
    "Step",
    "find_loops",
    "loop_sentences",
    "make_chain",
    "told_loops",
]

_FEWEST = 3
_FLOOR_MM = 0.01
_FLOOR_RAD = 1e-5
"""What a workshop cannot see: steps over the same markers agree to this up to second order, where
their covariance says nothing."""


_ON_PURPOSE_MM, _ON_PURPOSE_DEG = 50.0, 5.0
"""A part that is farther off than this was moved by hand (common practice, no source)."""


@dataclass(frozen=True)
class Carrier:
    """An alignment as a function of poses: the same weights, evaluated for changed poses.

    Attributes:
        used: markers that carry.
        start: a_from_b for the surveyed poses.
        gain: (6, 3 n) tangent of a_from_b for a change of the centres' differences.
    """

    used: tuple[int, ...]
    start: Rigid
    gain: Array

    @staticmethod
    def of(a: Survey, b: Survey, alignment: Alignment) -> Carrier:
        """Weights of an alignment of b to a."""
        used = list(alignment.used)
        places = np.array([b.poses[b.row(m)].translation for m in used])
        seen = alignment.a_from_b.apply(places)
        rows = motion_rows(seen - alignment.a_from_b.translation)
        covariance = difference_covariance(a, b, used, alignment.a_from_b, rows)
        weighted = solve_definite(covariance, rows)
        gain = np.asarray(np.linalg.solve(rows.T @ weighted, weighted.T), dtype=np.float64)
        return Carrier(alignment.used, alignment.a_from_b, gain)

    def a_from_b(self, a: Poses, b: Poses) -> Rigid:
        """The transform for given poses."""
        there = np.array([a[m].translation for m in self.used])
        here = self.start.apply(np.array([b[m].translation for m in self.used]))
        return self.start.step(self.gain @ (there - here).reshape(-1))


@dataclass(frozen=True)
class Step:
    """One step of a chain.

    Attributes:
        part: that both surveys show and that carries.
        a, b: names of the surveys, the target's side first.
        alignment: b seen from a.
        carrier: the same as a function of poses.
        rows: places of a and b in the chain's surveys.
    """

    part: str
    a: str
    b: str
    alignment: Alignment
    carrier: Carrier
    rows: tuple[int, int]

    def a_from_b(self, poses: Sequence[Poses]) -> Rigid:
        """The step for poses of all surveys of the chain."""
        return self.carrier.a_from_b(poses[self.rows[0]], poses[self.rows[1]])


@dataclass(frozen=True)
class Chain:
    """The way from the bar's survey to the target's.

    Attributes:
        surveys: each once, the target's first.
        order: places in `surveys` along the way, from the target's to the bar's.
        steps: between them; none when one survey shows both.
    """

    surveys: tuple[Survey, ...]
    order: tuple[int, ...]
    steps: tuple[Step, ...]

    @property
    def target(self) -> Survey:
        """The survey of the target."""
        return self.surveys[self.order[0]]

    @property
    def bar(self) -> Survey:
        """The survey of the bar."""
        return self.surveys[self.order[-1]]

    @property
    def bar_row(self) -> int:
        """Place of the bar's survey in `surveys`."""
        return self.order[-1]

    @property
    def start(self) -> Rigid:
        """target_from_bar as surveyed."""
        return _product([s.alignment.a_from_b for s in self.steps])

    @property
    def alignment(self) -> Alignment:
        """The whole way as one alignment: markers of the first step, the worst step's statistic."""
        if not self.steps:
            return Alignment(Rigid.identity(), (), (), 0.0, 0.0)
        worst = max(
            (s.alignment for s in self.steps), key=lambda a: a.statistic / max(a.critical, 1e-12)
        )
        moved = tuple(m for s in self.steps for m in s.alignment.moved)
        used = self.steps[0].alignment.used
        return Alignment(self.start, used, moved, worst.statistic, worst.critical)

    @property
    def moved(self) -> list[tuple[str, MovedMarker]]:
        """Markers that moved, with their part."""
        return [(s.part, m) for s in self.steps for m in s.alignment.moved]

    @property
    def warnings(self) -> tuple[str, ...]:
        """Warnings of all surveys, each once."""
        return tuple(dict.fromkeys(w for s in self.surveys for w in s.quality.warnings))

    def target_from_bar(self, poses: Sequence[Poses]) -> Rigid:
        """The way for poses of all surveys of the chain."""
        return _product([s.a_from_b(poses) for s in self.steps])

    def inputs(self, target: Iterable[int], bar: Iterable[int]) -> list[MarkerInput]:
        """Every survey once, with the markers that carry and those of target and bar."""
        wanted: list[dict[int, None]] = [{} for _ in self.surveys]
        for step in self.steps:
            for row in step.rows:
                wanted[row].update(dict.fromkeys(step.carrier.used))
        wanted[self.order[0]].update(dict.fromkeys(target))
        wanted[self.order[-1]].update(dict.fromkeys(bar))
        return [MarkerInput(s, tuple(w)) for s, w in zip(self.surveys, wanted, strict=True)]


def _product(transforms: list[Rigid]) -> Rigid:
    out = Rigid.identity()
    for t in transforms:
        out = out @ t
    return out


def make_chain(way: Sequence[Survey], parts: Sequence[str]) -> Chain:
    """Chain surveys from the target's to the bar's.

    Args:
        way: target's survey, those between, bar's survey; a survey that comes twice in a row is
            no step.
        parts: one for every step, or a single one for all.

    Raises:
        InputError: the number of parts fits neither, or a kit lacks a part.
        DataError: a step's surveys have too few markers of its part in common; the parts that
            would do are named.
    """
    surveys: list[Survey] = []
    order: list[int] = []
    for survey in way:
        row = next((i for i, s in enumerate(surveys) if s is survey), len(surveys))
        if row == len(surveys):
            surveys.append(survey)
        if not order or order[-1] != row:
            order.append(row)
    count = len(order) - 1
    if len(parts) not in {1, count} and count:
        raise InputError(
            f"The way from the target to the bar has {count} steps, and {len(parts)} parts are "
            "named",
            "--on",
            "name one part for all steps, or one for each in order from the target to the bar",
        )
    named = list(parts) * count if len(parts) == 1 else list(parts)
    steps = [
        _step(surveys, (order[i], order[i + 1]), named[i], several=count > 1) for i in range(count)
    ]
    return Chain(tuple(surveys), tuple(order), tuple(steps))


def _step(surveys: list[Survey], rows: tuple[int, int], part: str, *, several: bool) -> Step:
    a, b = (surveys[r] for r in rows)
    shared = len([m for m in a.of_part(part) if b.has(m)])
    if several and part in a.kit.parts and part in b.kit.parts and shared < _FEWEST:
        able = [
            p for p in a.kit.parts if len([m for m in a.of_part(p) if b.has(m)]) >= _FEWEST
        ]  # fmt: skip
        todo = (
            f"carry this step on another part ({', '.join(able)} would do)"
            if able
            else f"photograph at least three, better six, markers of the {part} in both shoots"
        )
        raise DataError(
            f"The chain breaks between {a.name} and {b.name}: they share {shared} markers of the "
            f"part {part!r}, and 3 are needed",
            f"{a.frame} and {b.frame}",
            todo,
        )
    alignment = align(a, b, part)
    return Step(part, a.name, b.name, alignment, Carrier.of(a, b, alignment), rows)


@dataclass(frozen=True)
class Loop:
    """A second way over the same shoots, held against the chain.

    Attributes:
        way: names of the surveys along the chain's own way.
        part: that goes straight from the first to the last of them.
        shift_mm: (3,) where the straight way puts the target less where the chain puts it, in the
            last survey's frame seen from the first's.
        size_mm, expanded_mm: length of the shift with U (k = 2).
        turn_deg, turn_expanded_deg: angle between the two ways with U.
        statistic, critical: chi-squared test of shift and turn together.
    """

    way: tuple[str, ...]
    part: str
    shift_mm: Array
    size_mm: float
    expanded_mm: float
    turn_deg: float
    turn_expanded_deg: float
    statistic: float
    critical: float

    @property
    def closes(self) -> bool:
        """Whether both ways agree within what is known of them."""
        return self.statistic <= self.critical

    @property
    def elsewhere(self) -> bool:
        """Whether the part stood elsewhere on purpose: nothing is knocked that far."""
        return self.size_mm > _ON_PURPOSE_MM or self.turn_deg > _ON_PURPOSE_DEG


def find_loops(chain: Chain, place: Array) -> tuple[Loop, ...]:
    """Hold every straight way against the chain.

    What is fixed to the part of step i is carried by that part to any later survey that shows it,
    whatever lies between: if the chain says otherwise, something moved on the way.

    Args:
        chain: of three surveys or more; shorter ones have no loops.
        place: (3,) of the target, in the target's survey.
    """
    out = []
    here = place
    for i, first in enumerate(chain.steps):
        for j in range(i + 2, len(chain.order)):
            a, b = chain.surveys[chain.order[i]], chain.surveys[chain.order[j]]
            shared = [m for m in a.of_part(first.part) if b.has(m)]
            if len(shared) >= _FEWEST and a is not b:
                out.append(_loop(chain, i, j, here))
        here = first.alignment.a_from_b.inverse().apply(here)
    return tuple(out)


def _loop(chain: Chain, i: int, j: int, place: Array) -> Loop:
    part = chain.steps[i].part
    rows = (chain.order[i], chain.order[j])
    direct = _step(list(chain.surveys), rows, part, several=False)
    between = chain.steps[i:j]
    # Told in the first survey's frame, about the target: no far lever enlarges the numbers.
    at = Rigid(np.eye(3), place)

    def values(poses: list[Poses]) -> Array:
        chained = _product([s.a_from_b(poses) for s in between])
        off = at.inverse() @ direct.a_from_b(poses) @ chained.inverse() @ at
        return np.concatenate([log(off.rotation), off.translation])

    wanted: list[dict[int, None]] = [{} for _ in chain.surveys]
    for step in [*between, direct]:
        for row in step.rows:
            wanted[row].update(dict.fromkeys(step.carrier.used))
    inputs = [MarkerInput(s, tuple(w)) for s, w in zip(chain.surveys, wanted, strict=True)]
    value, covariance = propagate(values, inputs)
    floor = np.diag([_FLOOR_RAD**2] * 3 + [_FLOOR_MM**2] * 3)
    statistic = float(value @ np.linalg.solve(covariance + floor, value))
    turn, turn_u = _size(value[:3], covariance[:3, :3] + floor[:3, :3])
    size, size_u = _size(value[3:], covariance[3:, 3:] + floor[3:, 3:])
    names = tuple(chain.surveys[r].name for r in chain.order[i : j + 1])
    return Loop(
        names, part, value[3:], size, size_u, float(np.degrees(turn)), float(np.degrees(turn_u)),
        statistic, float(chi2_isf(ALPHA, 6)),
    )  # fmt: skip


def _size(vector: Array, covariance: Array) -> tuple[float, float]:
    """Length and U; near zero, where a length has no direction, the worst one counts."""
    size = float(np.linalg.norm(vector))
    worst = COVERAGE * float(np.sqrt(max(np.linalg.eigvalsh(covariance)[-1], 0.0)))
    if size <= worst:
        return size, worst
    unit = vector / size
    return size, COVERAGE * float(np.sqrt(max(float(unit @ covariance @ unit), 0.0)))


def told_loops(loops: Iterable[Loop]) -> tuple[tuple[Loop, ...], tuple[str, ...]]:
    """Loops that hold the chain to something, and a sentence for each that cannot.

    A door that stood open in the later shoot takes its trim far away: that is no fault of the
    chain, and says nothing of it.
    """
    found = list(loops)
    kept = tuple(loop for loop in found if not loop.elsewhere)
    said = tuple(
        f"In {loop.way[-1]} the {loop.part} stood {loop.turn_deg:.0f} deg and "
        f"{loop.size_mm:.0f} mm from where the way {' - '.join(loop.way)} has it, as an open door "
        "does, so that way was held to nothing"
        for loop in found
        if loop.elsewhere
    )
    return kept, said


def loop_sentences(loops: Iterable[Loop]) -> tuple[str, ...]:
    """A warning for each loop that does not close."""
    return tuple(
        f"The way {' - '.join(loop.way)} does not close: straight from {loop.way[0]} to "
        f"{loop.way[-1]} on the {loop.part} the target comes out {loop.size_mm:.2f} mm "
        f"(U {loop.expanded_mm:.2f} mm) and {loop.turn_deg:.3f} deg "
        f"(U {loop.turn_expanded_deg:.3f} deg) elsewhere, so something moved between the shoots; "
        "find out what, or take them again"
        for loop in loops
        if not loop.closes
    )
