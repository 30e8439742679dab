"""One number of a comparison with its U, what is wanted, and what can be said of it.

Which numbers there are is left to `lean`, `level` and `symmetry`; words to `angles`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.rotation import Array

__all__ = ["Reading", "reading", "size_of"]


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

    @property
    def proven(self) -> bool:
        """Whether the number differs from 0 by more than U."""
        return abs(self.value) > self.expanded


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
) -> Reading:
    """Judge a number; value and standard uncertainty u in the unit."""
    expanded = COVERAGE * u
    verdict = None if wanted is None else judge(abs(value - wanted), expanded, tolerance)
    return Reading(
        subject, against, name, value, expanded, unit, wanted, tolerance, verdict, cuffs
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
