"""What was measured of a photo's squares, and when a square counts as seen."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray
from fitscan.detect.field import LATTICE
from fitscan.geometry.rotation import Array

__all__ = ["Acceptance", "PhotoMeasurement"]


@dataclass(frozen=True)
class Acceptance:
    """When a square counts as seen.

    Attributes:
        smallest_px: shortest predicted side.
        steepest_cos, grazing_cos: cosine of the steepest view of a square's middle, and of its
            corners.
        seen_if_found: share of borders that must agree when the first look found the tag.
        seen_if_sought: the same when it did not: the code must read as a whole (a wrong code
            agrees in 60 % of its borders, one in twenty in 70 %, none in 80 %).
        scatter_px: largest scatter of the borders, for a blur of a pixel or less; more blur allows
            more in proportion.
        contrast: smallest difference of black and white, grey levels.
        moved_share, moved_px: largest distance from where it was found or predicted, as a share
            of the side and at least in pixels; a sought tag gets half.
        found_share: how far from the prediction, as a share of the side, a found tag may be.
    """

    smallest_px: float = 14.0
    steepest_cos: float = 0.37
    grazing_cos: float = 0.15
    seen_if_found: float = 0.5
    seen_if_sought: float = 0.8
    scatter_px: float = 0.3
    contrast: float = 14.0
    moved_share: float = 0.08
    moved_px: float = 2.0
    found_share: float = 0.5


_WHOLE, _PALE_SHARE = 0.8, 0.4
"""A code that reads like a sought one's, and a contrast below this share of its photo's median."""


@dataclass(frozen=True)
class PhotoMeasurement:
    """Accepted squares of one photo.

    Attributes:
        tag_ids: (n,).
        observed, covariance: (n, 9), (n, 9, 9), see `EdgeResult`.
        px_per_mm: (n,).
        sought: (n,) accepted although the first look had not found them.
        expected: (m,) ids that should be visible.
        tone: of the photo.
        blur_px: (n,).
        predicted: (m, 25, 2) where the expected squares' `LATTICE` was when they were measured.
        carried: (n, 8) by how much the corners in `observed` were moved since, because a later
            prediction had another shape, see `carry`.
        seen: (m,) share of their borders that agreed.
        contrast: (m,) grey levels between their black and white.
        size_px: width and height of the photo.
    """

    tag_ids: IntArray
    observed: Array
    covariance: Array
    px_per_mm: Array
    sought: npt.NDArray[np.bool_]
    expected: tuple[int, ...]
    tone: float
    blur_px: Array
    predicted: Array = field(default_factory=lambda: np.zeros((0, len(LATTICE), 2)))
    carried: Array = field(default_factory=lambda: np.zeros((0, 8)))
    seen: Array = field(default_factory=lambda: np.zeros(0))
    contrast: Array = field(default_factory=lambda: np.zeros(0))
    size_px: tuple[int, int] = (0, 0)

    @property
    def pale(self) -> tuple[int, ...]:
        """Ids whose code reads as a whole, but hardly differs in black and white.

        That is glare or deep shadow: what is hidden does not read.
        """
        whole = self.seen >= _WHOLE
        if whole.sum() < 4:
            return ()
        usual = float(np.median(self.contrast[whole]))
        pale = whole & (self.contrast < _PALE_SHARE * usual)
        return tuple(t for t, p in zip(self.expected, pale, strict=True) if p)

    def only(self, ids: IntArray) -> PhotoMeasurement:
        """What was measured, or not, of some of the expected squares."""
        rows, asked = np.isin(self.tag_ids, ids), np.isin(np.array(self.expected), ids)
        return PhotoMeasurement(
            self.tag_ids[rows], self.observed[rows], self.covariance[rows], self.px_per_mm[rows],
            self.sought[rows], tuple(np.array(self.expected)[asked].tolist()), self.tone,
            self.blur_px[rows], self.predicted[asked], self.carried[rows],
            self.seen[asked], self.contrast[asked], self.size_px,
        )  # fmt: skip

    def carried_to(self, ids: IntArray, shift: Array) -> PhotoMeasurement:
        """The same with corners of some ids (m,) moved by `shift` (m, 4, 2) since measured."""
        place = {int(t): i for i, t in enumerate(ids)}
        rows = [place[t] for t in self.tag_ids.tolist()]
        carried = shift[rows].reshape(-1, 8)
        observed = self.observed.copy()
        observed[:, :8] += carried - self.carried
        return replace(self, observed=observed, carried=carried)
