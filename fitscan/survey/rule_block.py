"""Measured rules as residuals: the distance of two markers' centres carries the scale.

Which rules a kit has is in `fitscan.markers.kit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.adjust.problem import IntArray, Linear, Part, Values
from fitscan.adjust.statistics import BAARDA_W
from fitscan.geometry.rotation import Array

__all__ = ["RuleBlock"]


@dataclass(frozen=True)
class RuleBlock:
    """n tape or steel rule readings.

    Attributes:
        ends: (n, 2) marker rows.
        length_mm, u_mm: (n,) reading and its standard uncertainty.
        robust: Huber bound, so that a wrong reading does not bend the survey.
    """

    ends: IntArray
    length_mm: Array
    u_mm: Array
    name: str = "rules"
    robust: float | None = BAARDA_W

    @property
    def rank(self) -> IntArray:
        """One residual each."""
        return np.ones(len(self.length_mm), dtype=np.intp)

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, 1)."""
        return self.linearise(values).residual

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians."""
        centres = values["marker"][self.ends][:, :, 9:12]
        span = centres[:, 1] - centres[:, 0]
        length = np.linalg.norm(span, axis=1)
        jacobian = np.zeros((len(length), 1, 6))
        jacobian[:, 0, 3:] = span / (length * self.u_mm)[:, None]
        return Linear(
            ((length - self.length_mm) / self.u_mm)[:, None],
            (Part("marker", self.ends[:, 0], -jacobian), Part("marker", self.ends[:, 1], jacobian)),
        )
