"""The eight orientations of EXIF: between the sensor's pixels and the picture that people see.

Measuring is done in the sensor's orientation, where the lens stays the same whichever way the
phone was held; turning is for pictures in reports only.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from fitscan.errors import InputError

__all__ = ["turned_to_sensor", "turned_upright", "upright_pixels"]

# Orientation: (quarter turns anticlockwise, then mirror left to right) that make the picture
# upright. Source: EXIF 2.32 (CIPA DC-008), tag 0x0112.
_UPRIGHT = {
    1: (0, False),
    2: (0, True),
    3: (2, False),
    4: (2, True),
    5: (3, True),
    6: (3, False),
    7: (1, True),
    8: (1, False),
}


def _steps(orientation: int) -> tuple[int, bool]:
    if orientation not in _UPRIGHT:
        raise InputError(f"Orientation {orientation} does not exist", "EXIF", "use 1 to 8")
    return _UPRIGHT[orientation]


def turned_upright(pixels: npt.NDArray[Any], orientation: int) -> npt.NDArray[Any]:
    """Return pixels (h, w, ...) in the sensor's orientation as people see them.

    Raises:
        InputError: the orientation is not 1 to 8.
    """
    turns, mirror = _steps(orientation)
    out = np.rot90(pixels, turns)
    return np.ascontiguousarray(out[:, ::-1] if mirror else out)


def turned_to_sensor(pixels: npt.NDArray[Any], orientation: int) -> npt.NDArray[Any]:
    """Undo `turned_upright`.

    Raises:
        InputError: the orientation is not 1 to 8.
    """
    turns, mirror = _steps(orientation)
    out = pixels[:, ::-1] if mirror else pixels
    return np.ascontiguousarray(np.rot90(out, -turns))


def upright_pixels(
    pixels: npt.NDArray[np.float64], orientation: int, width_px: int, height_px: int
) -> npt.NDArray[np.float64]:
    """Where pixel coordinates (..., 2) of the sensor lie in the upright picture.

    Args:
        pixels: x right, y down, (0, 0) the centre of the first pixel.
        orientation: 1 to 8.
        width_px: width in the sensor's orientation.
        height_px: height in the sensor's orientation.

    Raises:
        InputError: the orientation is not 1 to 8.
    """
    turns, mirror = _steps(orientation)
    x, y = pixels[..., 0], pixels[..., 1]
    width, height = width_px, height_px
    for _ in range(turns):  # one quarter turn anticlockwise
        x, y, width, height = y, width - 1 - x, height, width
    return np.stack([width - 1 - x if mirror else x, y], axis=-1)
