"""What a flat marker marks: a tag its centre, a pointer its tip, as functions of poses.

Which markers matter, and for what, is left to `datum_kinds` and `plumb`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array
from fitscan.shape.propagate import Poses
from fitscan.survey.survey import Survey

__all__ = ["Marks"]


@dataclass(frozen=True)
class Marks:
    """Markers and how far their marking point lies from their centre.

    Attributes:
        reach_mm: by marker id, from the centre down to the tip; 0 for a tag. The printer's scale
            is in it and is taken as exact: its effect on a tip is under a hundredth of the rest.
    """

    reach_mm: Mapping[int, float]

    @staticmethod
    def of(survey: Survey, markers: Iterable[int], purpose: str) -> Marks:
        """Marks of a survey's markers.

        Raises:
            InputError: some have no pose in the survey; they are named.
        """
        wanted = list(dict.fromkeys(markers))
        missing = [str(m) for m in wanted if not survey.has(m)]
        if missing:
            one = len(missing) == 1
            raise InputError(
                f"{'Marker' if one else 'Markers'} {', '.join(missing)} of {purpose} "
                f"{'was' if one else 'were'} not found in the photos",
                survey.frame,
                "add photos that show "
                + ("it together with its neighbours" if one else "them with their neighbours"),
            )
        reach = {p.id: p.reach_mm * survey.quality.printer[1] for p in survey.kit.pointer}
        return Marks({m: reach.get(m, 0.0) for m in wanted})

    @property
    def ids(self) -> tuple[int, ...]:
        """Markers, each once."""
        return tuple(self.reach_mm)

    def point(self, poses: Poses, marker: int) -> Array:
        """What the marker marks (3,), mm, in the frame of the poses."""
        return poses[marker].apply(np.array([0.0, -self.reach_mm[marker], 0.0]))

    def points(self, poses: Poses, markers: Iterable[int]) -> Array:
        """What several markers mark (n, 3)."""
        return np.array([self.point(poses, m) for m in markers])
