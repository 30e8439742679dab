"""One number of a comparison with its U, what is wanted, and what can be said of it.

Which numbers there are is left to `lean`, `level` and `symmetry`; words to `angles`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fitscan.fit.deciding import Influence, influences_of, steepest, what_decides
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.rotation import Array
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.datum import CarAxes
from fitscan.shape.estimates import Estimates

__all__ = ["Basis", "Reading", "Told", "number_words", "reading", "size_of", "verdict_sentences"]


@dataclass(frozen=True)
class Reading:
    """A number as told.

    Attributes:
        subject: what was measured: "main hoop, straight 1".
        against: what it was held against: "the plumb line".
        name: which number: "lean forward".
        value, expanded: with U (k = 2), in `unit`.
        unit: "deg" or "mm".
        wanted: the value that is wanted, or None when nothing is judged.
        tolerance: how far from it is still accepted.
        verdict: or None when nothing is judged.
        cuffs: first ids of the cuffs that carry it.
        deciding: what would decide an open verdict; else empty.
    """

    subject: str
    against: str
    name: str
    value: float
    expanded: float
    unit: str
    wanted: float | None
    tolerance: float
    verdict: Verdict | None
    cuffs: tuple[int, ...]
    deciding: str = ""

    @property
    def proven(self) -> bool:
        """Whether the number differs from 0 by more than U."""
        return abs(self.value) > self.expanded


class Told(Protocol):
    """A result that is told by readings: what tables and pictures need of it."""

    @property
    def heading(self) -> str:
        """What the result is."""
        ...

    @property
    def axes(self) -> CarAxes:
        """The frame for pictures."""
        ...

    @property
    def rules(self) -> tuple[AxisRule, ...]:
        """The straights that it rests on."""
        ...

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Every number."""
        ...

    @property
    def sentences(self) -> tuple[str, ...]:
        """In the fitter's words."""
        ...

    @property
    def warnings(self) -> tuple[str, ...]:
        """That every output must carry."""
        ...


@dataclass(frozen=True)
class Basis:
    """What a number rests on.

    Attributes:
        found: the estimates that it was taken from.
        key: its name there.
        told_turn: (3, 3) rotation from the survey's frame to the car's axes, where known.
        carriers: markers of the reference.
    """

    found: Estimates
    key: str
    told_turn: Array | None = None
    carriers: tuple[int, ...] = ()

    def influences(self, factor: float) -> list[Influence]:
        """On the survey; `factor` is how many of the number's units are one of the estimate's."""
        found = self.found
        rows = found.rows[self.key]
        value = found.values[self.key]
        way = np.ones(1) if len(value) == 1 else steepest(value, found.of(self.key))
        return influences_of(
            [factor * (way @ j[rows]) for j in found.jacobians], found.inputs,
            carriers=self.carriers, carried_by="the reference's markers",
            told_turn=self.told_turn,
        )  # fmt: skip


def reading(
    subject: str,
    against: str,
    name: str,
    value: float,
    u: float,
    unit: str,
    *,
    cuffs: tuple[int, ...],
    tolerance: float,
    wanted: float | None = None,
    basis: Basis | None = None,
) -> Reading:
    """Judge a number; value and standard uncertainty u in the unit."""
    expanded = COVERAGE * u
    if wanted is None:
        return Reading(
            subject, against, name, value, expanded, unit, None, tolerance, None, cuffs
        )  # fmt: skip
    off = abs(value - wanted)
    verdict = judge(off, expanded, tolerance)
    deciding = ""
    if verdict is Verdict.OPEN and basis is not None:
        factor = 180.0 / np.pi if unit == "deg" else 1.0
        deciding = what_decides(off, expanded, tolerance, basis.influences(factor), unit).sentence
    return Reading(
        subject, against, name, value, expanded, unit, wanted, tolerance, verdict, cuffs, deciding
    )  # fmt: skip


def size_of(vector: Array, covariance: Array) -> tuple[float, float]:
    """Length of a small vector (n,) and its standard uncertainty.

    Near zero the length has no direction to project on: the worst direction is taken, which is on
    the safe side.
    """
    size = float(np.linalg.norm(vector))
    worst = float(np.sqrt(max(np.linalg.eigvalsh(covariance)[-1], 0.0)))
    if size <= COVERAGE * worst:
        return size, worst
    unit = vector / size
    return size, float(np.sqrt(max(float(unit @ covariance @ unit), 0.0)))


def number_words(r: Reading) -> str:
    """Value with U, rounded to thousandths of a degree or hundredths of a millimetre."""
    digits = 3 if r.unit == "deg" else 2
    shown = round(r.value, digits) + 0.0
    return f"{shown:.{digits}f} {r.unit} (U {r.expanded:.{digits}f} {r.unit})"


def verdict_sentences(readings: list[Reading]) -> list[str]:
    """What is out or open, with what would help; one sentence when all is proven in."""
    judged = [r for r in readings if r.verdict is not None]
    out = []
    for r in judged:
        what = f"{r.subject}, {r.name}, against {r.against}"
        wanted = f"{r.wanted:g} ± {r.tolerance:g} {r.unit}"
        if r.verdict is Verdict.OUT:
            out.append(f"Outside {wanted}, proven: {what}")
        elif r.verdict is Verdict.OPEN:
            cuffs = ", ".join(str(c) for c in r.cuffs)
            todo = f". {r.deciding}" if r.deciding else f"; add photos of the cuffs {cuffs}"
            out.append(f"Cannot be decided against {wanted}: {what}{todo}")
    if judged and not out:
        one = len(judged) == 1
        count = "The judged number is" if one else f"All {len(judged)} judged numbers are"
        out.append(f"{count} within tolerance, proven")
    return out
