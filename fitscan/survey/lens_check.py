"""Whether the lens model can follow the lens: what is left over, by place in the photo.

A good model leaves chance. A mean that is left along a ring (by radius) or in a sector (by angle)
about the principal point is the lens's own, and no adjustment of poses can take it up; what to do
about it is said in one sentence, the rest is left to `quality`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray
from fitscan.adjust.solve import Solution
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens
from fitscan.survey.lens_bin import LensBin
from fitscan.survey.tag_block import TagBlock

__all__ = ["LensBin", "LensCheck", "check_lens", "check_solution"]

_RINGS = np.array([0.0, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 1.1])
"""Edges of the rings, as shares of the photo's half diagonal."""

_SIDES = (
    "right", "lower right corner", "bottom", "lower left corner",
    "left", "upper left corner", "top", "upper right corner",
)  # fmt: skip
"""Names of the sectors' middles, by angle from the x axis towards the y axis (down)."""

_SECTORS = len(_SIDES)
_SECTOR = 2.0 * np.pi / _SECTORS
_NOTHING_PX = 0.03
_MIDDLE = 0.2
"""Inside of this share of the half diagonal an angle says nothing about a lens."""


@dataclass(frozen=True)
class LensCheck:
    """What is left over by place in the photo; `sentence` when the lens model is too poor."""

    rings: tuple[LensBin, ...]
    sectors: tuple[LensBin, ...]

    @property
    def follows(self) -> bool:
        """Whether nothing shows of the lens: what is not worth a sentence yet still moves a marker
        between two places of the frame.
        """
        return all(b.significant < _NOTHING_PX for b in (*self.rings, *self.sectors))

    @property
    def sentence(self) -> str | None:
        """One sentence in the fitter's words, or None where the model follows the lens."""
        ring = max(self.rings, key=lambda b: b.proven)
        sector = max(self.sectors, key=lambda b: b.proven)
        worst = max(ring.proven, sector.proven)
        if worst == 0.0:
            return None
        where = _ring_words(ring) if ring.proven == worst else _sector_words(sector)
        return (
            f"The lens model does not follow this lens: {where} the photos miss it by "
            f"{worst:.1f} px on average. Calibrate this phone with the board, or keep markers away "
            "from there"
        )


def check_solution(solution: Solution, lens: Lens) -> LensCheck:
    """What the corners of an adjustment say of its lens model; `lens` for the photos' size."""
    observed, left, photos, markers = [], [], [], []
    for block in solution.blocks:
        if isinstance(block, TagBlock):
            observed.append(block.observed[:, :8].reshape(-1, 4, 2))
            left.append(-block.misfit(solution.values)[:, :8].reshape(-1, 4, 2))
            photos.append(block.geometry.photo)
            markers.append(block.geometry.marker)
    return check_lens(
        np.concatenate(observed),
        np.concatenate(left),
        np.concatenate(photos),
        solution.values["lens"][0, 2:4],
        (lens.width_px, lens.height_px),
        np.concatenate(markers),
    )


def check_lens(
    corners_px: Array,
    left_px: Array,
    photo: IntArray,
    centre_px: Array,
    size: tuple[int, int],
    marker: IntArray | None = None,
) -> LensCheck:
    """Gather residuals by radius and by angle.

    Args:
        corners_px: (n, 4, 2) observed corners.
        left_px: (n, 4, 2) observed less model.
        photo: (n,) that each square is in. Squares of one photo share its pose, so a bin's
            standard error counts photos where they scatter more than squares do.
        marker: (n,) that each square belongs to, counted in the same way: a marker that moved
            is one mistake, however many squares it shows in a bin. None if each is its own.
        centre_px: (2,) principal point.
        size: (width, height) of the photos.
    """
    away = corners_px - centre_px
    radius = np.linalg.norm(away, axis=-1, keepdims=True)
    out = away / np.maximum(radius, 1e-9)
    round_ = np.stack([-out[..., 1], out[..., 0]], axis=-1)
    radial = np.sum(left_px * out, axis=-1).mean(axis=1)
    tangential = np.sum(left_px * round_, axis=-1).mean(axis=1)
    owners = (photo,) if marker is None else (photo, marker)
    middle = away.mean(axis=1)
    share = np.linalg.norm(middle, axis=1) / (0.5 * np.hypot(*size))
    turn = np.arctan2(middle[:, 1], middle[:, 0]) / _SECTOR
    number = np.round(turn).astype(np.intp) % _SECTORS
    rings = tuple(
        _bin(low, high, (share >= low) & (share < high), radial, tangential, owners)
        for low, high in pairwise(_RINGS)
    )
    sectors = tuple(
        _bin((k - 0.5) * _SECTOR, (k + 0.5) * _SECTOR, (number == k) & (share > _MIDDLE),
             radial, tangential, owners)
        for k in range(_SECTORS)
    )  # fmt: skip
    return LensCheck(rings, sectors)


def _bin(
    low: float,
    high: float,
    rows: npt.NDArray[np.bool_],
    radial: Array,
    tangential: Array,
    owners: tuple[IntArray, ...],
) -> LensBin:
    count = int(np.sum(rows))
    if count == 0:
        return LensBin(float(low), float(high), 0, 0.0, 0.0, 0.0, 0.0)
    some = tuple(o[rows] for o in owners)
    r, ru = _mean(radial[rows], some)
    t, tu = _mean(tangential[rows], some)
    return LensBin(float(low), float(high), count, r, ru, t, tu)


def _mean(values: Array, owners: tuple[IntArray, ...]) -> tuple[float, float]:
    """Mean and its standard error; squares of one owner may err together (cluster-robust)."""
    mean = float(values.mean())
    left = values - mean
    n = len(values)
    alone = float(np.sum(left**2))
    together = max(float(np.sum(np.bincount(o, left) ** 2)) for o in owners)
    return mean, float(np.sqrt(max(alone, together)) / n)


def _ring_words(ring: LensBin) -> str:
    low, high = round(100 * ring.low), round(100 * min(ring.high, 1.0))
    return f"from {low} to {high} % of the way from the middle to a corner"


def _sector_words(sector: LensBin) -> str:
    number = round(0.5 * (sector.low + sector.high) / _SECTOR) % _SECTORS
    return f"towards the {_SIDES[number]} of the frame (as the sensor sees it)"
