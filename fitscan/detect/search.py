"""Look for a group of tags as one pattern near where they should be, when none can be read alone.

Measuring them then is left to `edges`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS, cells

__all__ = ["find_pattern"]

_SCALE = 6
"""Texels per cell of the drawn pattern."""

_LEAST = 0.55
"""Smallest correlation that counts as found."""

_BLUR_PX = 1.0


def find_pattern(
    grey: npt.NDArray[np.uint8], tag_ids: list[int], corners_px: Array
) -> Array | None:
    """Find by how much predicted tags are shifted in the photo, all of them alike.

    Args:
        grey: (h, w).
        tag_ids: of the n tags.
        corners_px: (n, 4, 2) predicted corners, top-left, top-right, bottom-right, bottom-left.

    Returns:
        shift (2,) in whole pixels, or None where the pattern does not show.
    """
    import cv2

    sides = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2)
    reach = int(np.clip(0.6 * sides.mean(), 8, 40))
    low = np.floor(corners_px.min(axis=(0, 1))).astype(int) - 2
    high = np.ceil(corners_px.max(axis=(0, 1))).astype(int) + 3
    size = high - low
    height, width = grey.shape
    if np.any(low - reach < 0) or high[0] + reach > width or high[1] + reach > height:
        return None
    if np.any(size < 8) or np.any(size > 1200):
        return None
    pattern, mask = _drawn(tag_ids, corners_px - low, (int(size[0]), int(size[1])))
    window = grey[low[1] - reach : high[1] + reach, low[0] - reach : high[0] + reach]
    match = cv2.matchTemplate(window.astype(np.float32), pattern, cv2.TM_CCOEFF_NORMED, mask=mask)
    match = np.nan_to_num(np.asarray(match), nan=-1.0, posinf=-1.0, neginf=-1.0)
    row, column = np.unravel_index(int(np.argmax(match)), match.shape)
    if match[row, column] < _LEAST:
        return None
    return np.array([float(column) - reach, float(row) - reach])


def _drawn(
    tag_ids: list[int], corners_px: Array, size: tuple[int, int]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """The tags with one cell of paper round them, and where they are drawn, (h, w) each."""
    import cv2

    pattern = np.zeros((size[1], size[0]), np.float32)
    mask = np.zeros_like(pattern)
    first, last = _SCALE - 0.5, (CELLS + 1) * _SCALE - 0.5
    source = np.array([[first, first], [last, first], [last, last], [first, last]], np.float32)
    for tag_id, quad in zip(tag_ids, corners_px, strict=True):
        paper = np.ones((CELLS + 2, CELLS + 2), np.float32)
        paper[1:-1, 1:-1] = cells(tag_id)
        large = np.kron(paper, np.ones((_SCALE, _SCALE), np.float32))
        turn = cv2.getPerspectiveTransform(source, quad.astype(np.float32))
        shown = cv2.warpPerspective(large, turn, size, flags=cv2.INTER_AREA)
        where = cv2.warpPerspective(np.ones_like(large), turn, size, flags=cv2.INTER_NEAREST)
        pattern = np.where(where > 0.5, np.asarray(shown), pattern)
        mask = np.maximum(mask, np.asarray(where))
    soft = cv2.GaussianBlur(pattern, (0, 0), _BLUR_PX)
    return np.asarray(soft, dtype=np.float32), mask
