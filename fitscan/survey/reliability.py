"""How well the photos control each other at each marker: redundancy and smallest detectable error.

Leaving out what a test found wrong is left to `clean`.
"""

from __future__ import annotations

import numpy as np

from fitscan.adjust.problem import IntArray
from fitscan.adjust.statistics import BAARDA_DELTA, BlockTest
from fitscan.geometry.rotation import Array
from fitscan.survey.clean import Cleaned
from fitscan.survey.survey import MarkerCheck
from fitscan.survey.tag_block import TagBlock

__all__ = ["check_markers", "smallest_shift_px"]

_UNCONTROLLED = 0.01
"""Share of a square's shift that must show in its residuals before a test can be spoken of."""


def smallest_shift_px(block: TagBlock, test: BlockTest) -> Array:
    """Smallest shift (n,) px of each square as a whole that Baarda's test finds; inf if none.

    A shift s (2,) of all four corners moves the whitened observations by W C s, of which
    Qvv W C s shows in the residuals. The one-dimensional test of that alternative has
    noncentrality s^T (W C)^T Qvv (W C) s; set to delta0^2 in the worst direction (W. Baarda,
    "A testing procedure for use in geodetic networks", 1968; from memory).
    """
    together = np.zeros((9, 2))
    together[0:8:2, 0] = together[1:8:2, 1] = 1.0
    moved = block.whitening @ together
    shown = moved.transpose(0, 2, 1) @ test.controlled @ moved
    whole = moved.transpose(0, 2, 1) @ moved
    least = np.linalg.eigvalsh(shown)[:, 0]
    controlled = least > _UNCONTROLLED * np.linalg.eigvalsh(whole)[:, 0]
    safe = np.where(controlled, least, 1.0)
    return np.asarray(np.where(controlled, BAARDA_DELTA / np.sqrt(safe), np.inf))


def check_markers(cleaned: Cleaned) -> tuple[MarkerCheck, ...]:
    """One check for each marker of the adjustment, in its order."""
    rows: list[IntArray] = []
    shares, pixels, lengths = [], [], []
    blocks = [b for b in cleaned.solution.blocks if isinstance(b, TagBlock)]
    for block, test in zip(blocks, cleaned.tests, strict=True):
        shift = smallest_shift_px(block, test)
        rows.append(block.geometry.marker)
        shares.append(test.redundancy / np.maximum(block.rank, 1))
        pixels.append(shift)
        lengths.append(shift / block.px_per_mm)
    marker, share = np.concatenate(rows), np.concatenate(shares)
    px, mm = np.concatenate(pixels), np.concatenate(lengths)
    return tuple(
        MarkerCheck(
            int(np.sum(marker == row)),
            float(np.clip(share[marker == row].mean(), 0.0, 1.0)),
            _largest(px[marker == row]),
            _largest(mm[marker == row]),
        )
        for row in range(len(cleaned.network.markers))
    )


def _largest(values: Array) -> float | None:
    worst = float(values.max())
    return worst if np.isfinite(worst) else None
