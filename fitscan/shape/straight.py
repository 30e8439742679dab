"""A straight of a tube: its axis through the centres of its cuffs.

Bends and whole tubes are left to later modules; comparing axes to `fitscan.fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.line import Line, two_normals
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import CuffSpec
from fitscan.survey.survey import Survey

__all__ = ["CUFF_REACH_MM", "Straight", "axis_through", "straights_named", "straights_of"]

CUFF_REACH_MM = 25.0
"""How far beyond its outermost cuff's middle a straight is taken as straight: a cuff's half."""


@dataclass(frozen=True)
class Straight:
    """One straight of a tube as a survey sees it.

    Attributes:
        tube: name; number: which straight of it.
        od_mm: outside diameter.
        cuffs: first ids, in order along the axis.
        centres: (n, 3) mm, in the survey's frame, in that order.
        axis: from the first towards the last cuff; the kit's order of cuffs gives the sense.
    """

    tube: str
    number: int
    od_mm: float
    cuffs: tuple[int, ...]
    centres: Array
    axis: Line

    @property
    def span(self) -> tuple[float, float]:
        """From where to where along the axis it is taken as straight, mm from the axis's point."""
        along = self.axis.along(self.centres)
        return float(along.min() - CUFF_REACH_MM), float(along.max() + CUFF_REACH_MM)


def axis_through(centres: Array, weights: Array, fallback: Array) -> Line:
    """Weighted straight line through points; one point takes the direction `fallback`.

    Args:
        centres: (n, 3) mm.
        weights: (n,) inverse variances across the line, only their ratios matter.
        fallback: (3,) direction of the first cuff's own axis; also gives the sense.
    """
    if len(centres) == 1:
        return Line.through(centres[0], fallback)
    w = weights / weights.sum()
    middle = w @ centres
    away = (centres - middle) * np.sqrt(w)[:, None]
    direction = np.linalg.svd(away, full_matrices=False)[2][0]
    ahead = centres[-1] - centres[0]
    return Line.through(middle, direction if direction @ ahead >= 0 else -direction)


def straights_of(survey: Survey, tube: str) -> list[Straight]:
    """Straights of a tube, by number; each from the cuffs that the survey has.

    Raises:
        InputError: no such tube, or none of its cuffs was measured.
    """
    by_number: dict[int, list[CuffSpec]] = {}
    for cuff in survey.cuffs_of(tube):
        by_number.setdefault(cuff.straight, []).append(cuff)
    out = []
    for number in sorted(by_number):
        cuffs = by_number[number]
        centres = np.array([survey.poses[survey.row(c.first_id)].translation for c in cuffs])
        spread = centres - centres.mean(axis=0)
        direction = survey.axis_at(cuffs[0].first_id).direction
        if len(cuffs) > 1:
            direction = np.linalg.svd(spread)[2][0]
            # The kit's order gives the sense: a line found in points has none of its own.
            if direction @ (centres[-1] - centres[0]) < 0:
                direction = -direction
        order = np.argsort(spread @ direction)
        cuffs = [cuffs[i] for i in order]
        centres = centres[order]
        weights = np.array([_weight(survey, c.first_id, direction) for c in cuffs])
        axis = axis_through(centres, weights, direction)
        ids = tuple(c.first_id for c in cuffs)
        out.append(Straight(tube, number, cuffs[0].od_mm, ids, centres, axis))
    return out


def straights_named(survey: Survey, text: str, option: str) -> list[Straight]:
    """The straights that a user means by TUBE, or the one by TUBE:STRAIGHT.

    Raises:
        InputError: no such tube or straight, or none of its cuffs was found.
    """
    head, colon, tail = text.rpartition(":")
    # A tube may have a colon in its own name.
    if not colon or not tail.isdigit() or text in {c.tube for c in survey.kit.cuff}:
        return straights_of(survey, text)
    straights = straights_of(survey, head)
    found = [s for s in straights if s.number == int(tail)]
    if not found:
        numbers = ", ".join(str(s.number) for s in straights)
        raise InputError(
            f"No cuff of straight {tail} of the tube {head!r} was found in the photos",
            option,
            f"use one of the straights that were: {numbers}",
        )
    return found


def _weight(survey: Survey, cuff_id: int, direction: Array) -> float:
    normals = two_normals(direction)
    covariance = survey.pose(cuff_id).covariance[3:, 3:]
    return 2.0 / max(float(np.trace(normals @ covariance @ normals.T)), 1e-12)
