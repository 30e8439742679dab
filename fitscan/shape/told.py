"""Points and axes in the frame in which results are told, with the frame's own uncertainty in U.

The car's axes hang on markers, so a place told in them is known as well as both together, and a
datum marker's own place may be exact by definition. Files of such places are left to others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.datum import car_axes
from fitscan.shape.datum_kinds import AxesRule
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.survey.survey import Survey

__all__ = ["ToldAxis", "ToldFrame"]


@dataclass(frozen=True)
class ToldAxis:
    """A straight's axis: weighted middle of its cuffs (3,), mm, and unit direction (3,).

    Attributes:
        middle_mm, direction: in the told frame, with covariances (3, 3) in mm^2 and rad^2.
    """

    middle_mm: Array
    middle_covariance: Array
    direction: Array
    direction_covariance: Array

    @property
    def across_u_mm(self) -> float:
        """Standard uncertainty of the middle, square to the axis, in the worst direction."""
        square = np.eye(3) - np.outer(self.direction, self.direction)
        worst = np.linalg.eigvalsh(square @ self.middle_covariance @ square)[-1]
        return float(np.sqrt(max(worst, 0.0)))

    @property
    def direction_u_rad(self) -> float:
        """Standard uncertainty of the direction in the worst direction."""
        return float(np.sqrt(max(np.linalg.eigvalsh(self.direction_covariance)[-1], 0.0)))


@dataclass(frozen=True)
class ToldFrame:
    """A survey and its told frame as a function of poses.

    Attributes:
        survey: whose.
        name: of the frame, as `CarAxes.frame`.
        rule: of the car's axes; None when the survey's own are told.
    """

    survey: Survey
    name: str
    rule: AxesRule | None

    @staticmethod
    def of(survey: Survey) -> ToldFrame:
        """The car's axes where the kit's datum was measured, else the survey's own."""
        axes = car_axes(survey)
        return ToldFrame(survey, axes.frame, AxesRule.of(survey) if axes.known else None)

    def _needed(self, markers: tuple[int, ...]) -> MarkerInput:
        datum = self.rule.markers if self.rule is not None else ()
        return MarkerInput(self.survey, tuple(dict.fromkeys([*datum, *markers])))

    def _told(self, poses: Poses) -> Rigid:
        return Rigid.identity() if self.rule is None else self.rule.car_from_survey(poses)

    def point(self, marker: int, in_marker_mm: Array) -> tuple[Array, Array]:
        """A point (3,) of a marker's own frame: its place (3,) mm and covariance (3, 3) mm^2."""

        def place(poses: list[Poses]) -> Array:
            return self._told(poses[0]).apply(poses[0][marker].apply(in_marker_mm))

        return propagate(place, [self._needed((marker,))])

    def axis(self, rule: AxisRule) -> ToldAxis:
        """A straight's axis."""

        def numbers(poses: list[Poses]) -> Array:
            told, line = self._told(poses[0]), rule.axis(poses[0])
            return np.concatenate([told.apply(line.point), told.turn(line.direction)])

        value, covariance = propagate(numbers, [self._needed(rule.cuffs)])
        return ToldAxis(value[:3], covariance[:3, :3], value[3:], covariance[3:, 3:])
