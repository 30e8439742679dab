"""Lengths that a person can check with a tape or a steel rule, picked from a survey.

Comparing what was read is left to `fitscan.fit.verify`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fitscan.fit.verify import ReadLength, verify
from fitscan.survey.survey import Survey

__all__ = ["LengthToCheck", "lengths_to_check"]

_SHORTEST_MM = 100.0
_ANY_U_MM = 0.3


@dataclass(frozen=True)
class LengthToCheck:
    """From the middle of one tag to that of another, with U (k = 2)."""

    ids: tuple[int, int]
    part: str
    length_mm: float
    expanded_mm: float


def lengths_to_check(survey: Survey, count: int = 3) -> tuple[LengthToCheck, ...]:
    """Long lengths in different directions, between flat tags of one part, that are no rule.

    The first is the longest; each further one is the longest after taking off what it shares
    with the directions before. Empty when no part has two such tags.
    """
    rules = {frozenset(r.ids) for r in survey.kit.rule}
    by_part: dict[str, list[int]] = {}
    for tag in survey.kit.tag:
        if survey.has(tag.id):
            by_part.setdefault(tag.part, []).append(tag.id)
    pairs = [
        (part, pair)
        for part, ids in by_part.items()
        for pair in combinations(ids, 2)
        if frozenset(pair) not in rules
    ]
    at = {m: survey.poses[survey.row(m)].translation for _, pair in pairs for m in pair}
    across = np.array([at[b] - at[a] for _, (a, b) in pairs]).reshape(-1, 3)
    size = np.linalg.norm(across, axis=1)
    worth = np.where(size >= _SHORTEST_MM, size, 0.0)
    chosen: list[int] = []
    for _ in range(min(count, len(pairs))):
        best = int(np.argmax(worth))
        if worth[best] <= 0.0:
            break
        chosen.append(best)
        way = across[best] / size[best]
        shared = np.abs(across @ way) / np.maximum(size, 1e-9)
        worth = worth * np.sqrt(np.clip(1.0 - shared**2, 0.0, 1.0))
        worth[best] = 0.0
    if not chosen:
        return ()
    read = [ReadLength(pairs[i][1], float(size[i]), _ANY_U_MM) for i in chosen]
    checked = verify(survey, read).lengths
    return tuple(
        LengthToCheck(c.read.ids, pairs[i][0], c.measured_mm, c.measured_expanded_mm)
        for i, c in zip(chosen, checked, strict=True)
    )
