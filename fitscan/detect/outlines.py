"""Outlines in a photo that may be tags' black squares: dark patches with four corners.

What is written in them is left to `code`, better corners to `tags`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["find_outlines"]

_DARKER = 7
"""Grey levels below the mean of its surroundings from which on a pixel counts as ink, as OpenCV's
detector has it. With 4, one tag in 150 more is found on the sample photos, for a third more time.
"""

_BOWED = 0.045
"""Of its length, by how far an outline may bow between corners: paper round a tube does."""

_LEAST_ENDS = 0.25
"""Of the least length looked for, how many rows of ink must end on an outline: two a row, and a
tag seen at a slant is half as high as it is long."""

_LEAST_SHARE = 0.5
"""Of the smallest side looked for, what an outline's shortest side may be: tags seen at a slant."""

_MARGIN_PX = 3.0
"""An outline nearer to the frame than this may go on beyond it."""


def find_outlines(
    grey: npt.NDArray[np.uint8], window_px: int, smallest_px: float
) -> npt.NDArray[np.float32]:
    """Outlines of dark four-cornered patches.

    Args:
        grey: (h, w).
        window_px: side of the square whose mean a pixel is compared with, odd.
        smallest_px: mean side of the smallest patch that is looked for.

    Returns:
        corners (n, 4, 2) px, clockwise in the picture.
    """
    import cv2

    ink = cv2.adaptiveThreshold(
        grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window_px, _DARKER
    )
    # Contours by the ends of rows of ink: two thirds of the time of following every pixel.
    contours, _ = cv2.findContoursLinkRuns(ink)
    least = 4.0 * smallest_px
    quads = []
    for contour in contours:
        if len(contour) >= _LEAST_ENDS * least:
            length = cv2.arcLength(contour, True)
            if length >= least:
                corners = cv2.approxPolyDP(contour, _BOWED * length, True)
                if len(corners) == 4 and cv2.isContourConvex(corners):
                    quads.append(corners)
    whole = _whole(np.array(quads, dtype=np.float32).reshape(-1, 4, 2), grey.shape)
    return _clockwise(whole, smallest_px)


def _whole(quads: npt.NDArray[np.float32], shape: tuple[int, ...]) -> npt.NDArray[np.float32]:
    """Those that the frame does not cut: a code can still be read where the corners are gone."""
    last = np.array([shape[1] - 1.0, shape[0] - 1.0], dtype=np.float32)
    inside = (quads >= _MARGIN_PX) & (quads <= last - _MARGIN_PX)
    return np.asarray(quads[inside.all(axis=(1, 2))])


def _clockwise(quads: npt.NDArray[np.float32], smallest_px: float) -> npt.NDArray[np.float32]:
    """Those without a side that is far too short, all of them clockwise."""
    along = np.roll(quads, -1, axis=1) - quads
    kept = np.linalg.norm(along, axis=2).min(axis=1) >= _LEAST_SHARE * smallest_px
    turn = along[:, 0, 0] * along[:, 1, 1] - along[:, 0, 1] * along[:, 1, 0]
    quads = np.where((turn < 0.0)[:, None, None], quads[:, ::-1], quads)
    return np.ascontiguousarray(quads[kept])
