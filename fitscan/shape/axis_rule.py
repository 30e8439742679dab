"""A straight's axis as a function of poses, so that its uncertainty reaches whatever uses it.

Which straights a survey has is left to `straight`; bends to `tube`, crossings to `node`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.line import Line, two_normals
from fitscan.geometry.rotation import Array
from fitscan.shape.propagate import Poses
from fitscan.shape.straight import Straight, axis_through, straights_named
from fitscan.survey.survey import Survey

__all__ = ["AxisRule", "axis_named"]


@dataclass(frozen=True)
class AxisRule:
    """How a straight's axis follows from its cuffs' poses.

    Attributes:
        straight: with the axis as surveyed.
        weights: (n,) of its cuffs, fixed.
        sense: 1 when it runs as `straight.axis` does, -1 when the other way.
    """

    straight: Straight
    weights: Array
    sense: float = 1.0

    @staticmethod
    def of(survey: Survey, straight: Straight) -> AxisRule:
        """Rule with the survey's weights; runs from the cuff that the kit lists first."""
        normals = two_normals(straight.axis.direction)
        weights = []
        for cuff in straight.cuffs:
            covariance = survey.pose(cuff).covariance[3:, 3:]
            across = float(np.trace(normals @ covariance @ normals.T))
            weights.append(1.0 / max(across, 1e-12))
        listed = [c.first_id for c in survey.kit.cuff if c.first_id in straight.cuffs]
        sense = 1.0 if straight.cuffs[0] == listed[0] else -1.0
        return AxisRule(straight, np.array(weights), sense)

    @property
    def name(self) -> str:
        """The straight in words."""
        return f"{self.straight.tube}, straight {self.straight.number}"

    @property
    def cuffs(self) -> tuple[int, ...]:
        """First ids of its cuffs."""
        return self.straight.cuffs

    @property
    def lone(self) -> bool:
        """Whether a single cuff carries it: then its direction is known badly."""
        return len(self.cuffs) == 1

    def axis(self, poses: Poses) -> Line:
        """Axis for given poses; its point is the weighted middle of the cuffs."""
        centres = np.array([poses[c].translation for c in self.cuffs])
        own = poses[self.cuffs[0]].rotation[:, 2]
        if own @ self.straight.axis.direction < 0:
            own = -own
        line = axis_through(centres, self.weights, own)
        return Line(line.point, self.sense * line.direction)

    def facing(self, direction: Array) -> AxisRule:
        """The same axis, running the way that a direction (3,) points."""
        ahead = self.sense * self.straight.axis.direction @ direction
        return self if ahead >= 0 else AxisRule(self.straight, self.weights, -self.sense)


def axis_named(survey: Survey, text: str, option: str) -> AxisRule:
    """The straight that a user names as TUBE or TUBE:STRAIGHT.

    Raises:
        InputError: no such tube or straight, none of its cuffs was found, or the tube has several
            straights and none is named.
    """
    found = straights_named(survey, text, option)
    if len(found) > 1:
        numbers = ", ".join(str(s.number) for s in found)
        raise InputError(
            f"The tube {text!r} has several straights",
            option,
            f"name one of them like '{text}:{found[0].number}' (found: {numbers})",
        )
    return AxisRule.of(survey, found[0])
