"""The frame in which results are told: the car's axes (ISO 8855), or the survey's own.

How the axes follow from markers is left to `datum_kinds`. A shift of a few millimetres hardly
feels the axes' own uncertainty; an angle against the axes does, so they carry it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.shape.datum_kinds import AxesRule
from fitscan.shape.propagate import MarkerInput, propagate
from fitscan.survey.survey import Survey

__all__ = ["CarAxes", "car_axes"]


@dataclass(frozen=True)
class CarAxes:
    """The frame in which results are told.

    Attributes:
        car_from_survey: transform.
        known: whether the axes are the car's, from the kit's [datum]; otherwise they are the
            survey's own (z roughly up, as the phone was held).
        misfit_mm: how far the datum's markers are at worst from the plane or the symmetry that
            they stand for; None when there is no surplus.
        by: how they follow from markers, and which; None where they are the survey's own.
    """

    car_from_survey: Rigid
    known: bool
    misfit_mm: float | None = None
    by: tuple[AxesRule, MarkerInput] | None = None

    @cached_property
    def covariance(self) -> Array:
        """(6, 6) of the tangent of car_from_survey (turn rad 3, shift mm 3), in the car's frame.

        As the survey's free network knows it; zero for the survey's own axes. For a quantity that
        depends on the same markers as the axes, propagate through `datum_kinds.AxesRule` instead:
        the two are correlated.
        """
        if self.by is None:
            return np.zeros((6, 6))
        rule, source = self.by
        base = rule.car_from_survey(source.poses)
        _, covariance = propagate(lambda p: base.tangent_to(rule.car_from_survey(p[0])), [source])
        return covariance

    @property
    def frame(self) -> str:
        """Name of the frame in words."""
        return "car (X forward, Y left, Z up)" if self.known else "survey (Z roughly up)"

    @property
    def turn_u(self) -> Array:
        """Standard uncertainty (3,) of the axes' turn about X, Y and Z, rad."""
        return np.asarray(np.sqrt(np.clip(np.diag(self.covariance)[:3], 0.0, None)))


def car_axes(survey: Survey) -> CarAxes:
    """Axes by the kit's [datum], of any kind.

    Without a [datum], or when one of its markers was not measured, the survey's own axes.

    Raises:
        DataError: the datum's markers do not span what they should.
    """
    datum = survey.kit.datum
    plumb = survey.kit.plumb
    needed = list(datum.markers) if datum is not None else []
    if datum is not None and datum.kind == "plumb" and plumb is not None:
        needed += [m for string in plumb.strings for m in string]
    if datum is None or not all(survey.has(m) for m in needed):
        return CarAxes(Rigid.identity(), known=False)
    rule = AxesRule.of(survey)
    source = MarkerInput(survey, rule.markers)
    misfit = rule.misfit_mm(source.poses)
    worst = float(misfit.max()) if len(misfit) else None
    return CarAxes(rule.car_from_survey(source.poses), True, worst, (rule, source))
