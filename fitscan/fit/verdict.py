"""Verdicts after ISO 14253-1 and JCGM 106: the uncertainty is taken off the tolerance.

The numbers come from `recheck` and `gap`.
"""

from __future__ import annotations

from enum import Enum

__all__ = ["COVERAGE", "Verdict", "judge"]

COVERAGE = 2.0
"""Coverage factor k of every expanded uncertainty U that fitscan states (about 95 %)."""


class Verdict(str, Enum):
    """What can be said of a value against a tolerance."""

    IN = "in tolerance"
    OUT = "out of tolerance"
    OPEN = "cannot be decided"

    @property
    def words(self) -> str:
        """A sentence for the workshop."""
        return {
            Verdict.IN: "within the tolerance, proven: it is in by more than U",
            Verdict.OUT: "outside the tolerance, proven: it is out by more than U",
            Verdict.OPEN: "cannot be decided: closer to the limit than U",
        }[self]


def judge(value: float, expanded: float, limit: float) -> Verdict:
    """Judge a size (0 or more) against an upper limit.

    Args:
        value: the size.
        expanded: its expanded uncertainty U (k = 2), in the same unit.
        limit: the largest size that is still wanted.
    """
    if value + expanded <= limit:
        return Verdict.IN
    if value - expanded > limit:
        return Verdict.OUT
    return Verdict.OPEN
