"""The public tag family 36h11 as cell patterns, read from OpenCV.

Finding tags in photos is left to `fitscan.detect`, drawing them on paper to `sheets`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fitscan.errors import InputError

__all__ = ["CELLS", "FAMILY_SIZE", "cells"]

CELLS = 8
"""Cells along one side of the black square: six of code and a black one on each side."""

FAMILY_SIZE = 587
"""Number of tags in the family 36h11."""


@lru_cache(maxsize=FAMILY_SIZE)
def cells(tag_id: int) -> npt.NDArray[np.bool_]:
    """White cells of a tag's black square, (8, 8), row 0 at the top, True where paper shows.

    Raises:
        InputError: the family has no such id.
    """
    if not 0 <= tag_id < FAMILY_SIZE:
        raise InputError(
            f"Tag id {tag_id} does not exist", "family 36h11", f"use ids 0 to {FAMILY_SIZE - 1}"
        )
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    image = cv2.aruco.generateImageMarker(dictionary, tag_id, CELLS, borderBits=1)
    out = np.asarray(image) > 127
    out.setflags(write=False)
    return out
