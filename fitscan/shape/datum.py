"""The car's axes from four markers: ISO 8855, X forward, Y left, Z up.

The axes only say in which directions a result is told; their own uncertainty changes a shift of a
few millimetres by far less than a hundredth, so they are taken as exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.rigid import Rigid
from fitscan.survey.survey import Survey

__all__ = ["CarAxes", "car_axes"]


@dataclass(frozen=True)
class CarAxes:
    """The frame in which results are told.

    Attributes:
        car_from_survey: transform.
        known: whether the axes are the car's, from the kit's [datum]; otherwise they are the
            survey's own (z roughly up, as the phone was held).
    """

    car_from_survey: Rigid
    known: bool

    @property
    def frame(self) -> str:
        """Name of the frame in words."""
        return "car (X forward, Y left, Z up)" if self.known else "survey (Z roughly up)"


def car_axes(survey: Survey) -> CarAxes:
    """Axes by the kit's [datum]: X from rear to front, Z = X x (right to left), origin between.

    Without a [datum], or when one of its markers was not measured, the survey's own axes.

    Raises:
        DataError: the four markers do not span two directions.
    """
    datum = survey.kit.datum
    if datum is None or not all(
        survey.has(m) for m in (datum.rear, datum.front, datum.right, datum.left)
    ):
        return CarAxes(Rigid.identity(), known=False)
    rear, front, right, left = (
        survey.poses[survey.row(m)].translation
        for m in (datum.rear, datum.front, datum.right, datum.left)
    )
    x = front - rear
    z = np.cross(x, left - right)
    if np.linalg.norm(z) < 0.05 * np.linalg.norm(x) * np.linalg.norm(left - right) or not x.any():
        raise DataError(
            "The datum's markers lie almost on one line",
            "kit, [datum]",
            "name a rear and front marker on the centre line and one on each side",
        )
    x = x / np.linalg.norm(x)
    z = z / np.linalg.norm(z)
    rotation = np.stack([x, np.cross(z, x), z])
    return CarAxes(Rigid(rotation, -rotation @ (0.5 * (rear + front))), known=True)
