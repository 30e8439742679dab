"""What is left over in one part of the photos: kept with a survey, so that reports can show it.

Working it out, and what to do about it, is left to `lens_check`.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LensBin"]

_LEAST_SQUARES = 12
"""A bin of fewer squares is not judged."""

_SIGNIFICANT = 4.0
_LARGEST_PX = 0.15


@dataclass(frozen=True)
class LensBin:
    """What is left over in one ring or sector: observed less model, px.

    Attributes:
        low, high: of a ring, shares of the half diagonal; of a sector, angles in rad from the
            photo's x axis towards its y axis (down).
        squares: how many printed squares were seen there.
        radial, tangential: means, outwards and from x towards y.
        radial_u, tangential_u: their standard errors, every square counted as one observation.
    """

    low: float
    high: float
    squares: int
    radial: float
    radial_u: float
    tangential: float
    tangential_u: float

    @property
    def proven(self) -> float:
        """The larger of the two means that is significant and large, px; 0 if none is."""
        if self.squares < _LEAST_SQUARES:
            return 0.0
        size = self.significant
        return size if size > _LARGEST_PX else 0.0

    @property
    def significant(self) -> float:
        """The larger of the two means that is significant, however small, px; 0 if none is."""
        if self.squares < _LEAST_SQUARES:
            return 0.0
        pairs = ((self.radial, self.radial_u), (self.tangential, self.tangential_u))
        sizes = [abs(m) for m, u in pairs if abs(m) > _SIGNIFICANT * u]
        return max(sizes, default=0.0)
