"""True upright from hanging strings, each touched by a low and a high pointer.

What is compared with it is left to `fitscan.fit`; the car's own axes to `datum_kinds`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.geometry.rotation import Array
from fitscan.shape.marks import Marks
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.survey.survey import Survey

__all__ = ["Plumb"]

_SHORTEST_MM = 50.0


@dataclass(frozen=True)
class Plumb:
    """Upright as a function of poses.

    Attributes:
        strings: (low, high) pointers.
        marks: of these pointers.
    """

    strings: tuple[tuple[int, int], ...]
    marks: Marks

    @staticmethod
    def of(survey: Survey) -> Plumb:
        """Strings of the kit's [plumb].

        Raises:
            InputError: the kit has none, or a pointer was not measured.
            DataError: two pointers of a string are too close together.
        """
        spec = survey.kit.plumb
        if spec is None:
            raise InputError(
                "The kit has no plumb line",
                "kit",
                "hang a string, touch it with two pointers and add [plumb] strings = [[low, high]]",
            )
        used = [m for string in spec.strings for m in string]
        plumb = Plumb(spec.strings, Marks.of(survey, used, "the plumb line"))
        poses = {m: survey.poses[survey.row(m)] for m in plumb.markers}
        for (low, high), run in zip(plumb.strings, plumb.runs(poses), strict=True):
            if np.linalg.norm(run) < _SHORTEST_MM:
                raise DataError(
                    f"The pointers {low} and {high} touch their string less than "
                    f"{_SHORTEST_MM:g} mm apart",
                    survey.frame,
                    "put one near the string's top and one near its weight",
                )
        return plumb

    @property
    def markers(self) -> tuple[int, ...]:
        """Pointers that it depends on."""
        return self.marks.ids

    def runs(self, poses: Poses) -> Array:
        """From low to high tip of each string (n, 3), mm."""
        low = self.marks.points(poses, [s[0] for s in self.strings])
        return self.marks.points(poses, [s[1] for s in self.strings]) - low

    def up(self, poses: Poses) -> Array:
        """Unit vector (3,) upwards: the strings' sum, so that long strings count for more."""
        total = self.runs(poses).sum(axis=0)
        return np.asarray(total / np.linalg.norm(total))

    def disagreement(self, survey: Survey) -> tuple[float, float] | None:
        """Largest angle of a string from the mean, rad, and its expanded uncertainty (k = 2).

        None for a single string. Strings that disagree by more than U were not hanging freely.
        """
        if len(self.strings) < 2:
            return None
        source = MarkerInput(survey, self.markers)
        runs = self.runs(source.poses)
        units = runs / np.linalg.norm(runs, axis=1)[:, None]
        away = np.linalg.norm(np.cross(units, self.up(source.poses)), axis=1)
        worst = int(np.argmax(away))

        def tilt(poses: list[Poses]) -> Array:
            run = self.runs(poses[0])[worst]
            return np.asarray(np.cross(run / np.linalg.norm(run), self.up(poses[0])))

        _, covariance = propagate(tilt, [source])
        u = float(np.sqrt(max(np.linalg.eigvalsh(covariance)[-1], 0.0)))
        return float(np.arcsin(min(away[worst], 1.0))), 2.0 * u
