"""What angles are told against: the car's axes (ISO 8855) and true upright by a plumb line.

Both are functions of poses, so that what they share with a tube's cuffs is not counted twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.line import two_normals
from fitscan.geometry.rotation import Array
from fitscan.shape.datum_kinds import AxesRule
from fitscan.shape.plumb import Plumb
from fitscan.shape.propagate import Poses
from fitscan.survey.survey import Survey

__all__ = ["CAR", "PLUMB", "Reference", "references"]

CAR = "the car's axes"
PLUMB = "the plumb line"


@dataclass(frozen=True)
class Reference:
    """Axes as a function of poses.

    Attributes:
        name: in words.
        axes: of the car, or None without a [datum].
        plumb: strings that tell upright, or None to take the car's own Z.
        free: (2, 3) level directions to use when forward and left are not known.
    """

    name: str
    axes: AxesRule | None
    plumb: Plumb | None
    free: Array

    @property
    def markers(self) -> tuple[int, ...]:
        """Markers that it depends on."""
        own = self.axes.markers if self.axes is not None else ()
        strings = self.plumb.markers if self.plumb is not None else ()
        return tuple(dict.fromkeys([*own, *strings]))

    @property
    def directed(self) -> bool:
        """Whether forward and left are known, not only up."""
        return self.axes is not None

    def rotation(self, poses: Poses) -> Array:
        """Rows (3, 3): forward, left and up in the survey's frame."""
        car = self.axes.car_from_survey(poses).rotation if self.axes is not None else None
        if self.plumb is None:
            assert car is not None  # A reference has axes, strings, or both.
            return car
        up = self.plumb.up(poses)
        ahead = car[0] if car is not None else self.free[0]
        ahead = ahead - (ahead @ up) * up
        ahead = ahead / np.linalg.norm(ahead)
        return np.stack([ahead, np.cross(up, ahead), up])


def references(survey: Survey) -> list[Reference]:
    """What the kit offers: the car's axes, the plumb line, or both.

    A datum of the kind "plumb" is upright itself and comes once.

    Raises:
        InputError: the kit names neither, or a marker of them was not measured.
        DataError: the markers do not span what they should.
    """
    kit = survey.kit
    if kit.datum is None and kit.plumb is None:
        raise InputError(
            "The kit says nothing of the car's axes or of upright",
            "kit",
            "add a [datum] with markers on the shell, or a [plumb] with pointers at a string",
        )
    axes = AxesRule.of(survey) if kit.datum is not None else None
    out = []
    if axes is not None:
        name = f"{CAR} (upright by {PLUMB})" if axes.plumb is not None else CAR
        out.append(Reference(name, axes, None, np.eye(3)[:2]))
    if kit.plumb is not None and (axes is None or axes.plumb is None):
        plumb = Plumb.of(survey)
        poses = {m: survey.poses[survey.row(m)] for m in plumb.markers}
        out.append(Reference(PLUMB, axes, plumb, two_normals(plumb.up(poses))))
    return out
