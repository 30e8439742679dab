"""Points as a person types them, for templates without a survey.

What the points mean is left to the plans.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array

__all__ = ["check_u", "face_corners", "named_point", "points_from_text", "vector_from_text"]


def vector_from_text(text: str, option: str) -> Array:
    """Read X,Y,Z.

    Raises:
        InputError: it cannot be read.
    """
    try:
        numbers = [float(field) for field in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != 3 or not np.all(np.isfinite(numbers)):
        raise InputError(f"{text!r} cannot be read", option, "write X,Y,Z in mm, like 0,0,700")
    return np.array(numbers)


def points_from_text(texts: Sequence[str], option: str) -> Array:
    """Read several X,Y,Z as (n, 3)."""
    return np.array([vector_from_text(t, option) for t in texts]).reshape(-1, 3)


def named_point(text: str, option: str) -> tuple[str, Array]:
    """Read NAME:X,Y,Z.

    Raises:
        InputError: it cannot be read.
    """
    name, colon, numbers = text.rpartition(":")
    if not colon or not name.strip():
        raise InputError(f"{text!r} cannot be read", option, "write NAME:X,Y,Z, like 'lip:0,0,700'")
    return name.strip(), vector_from_text(numbers, option)


def face_corners(texts: Sequence[str], option: str) -> list[Array]:
    """Read FACE:X,Y,Z, faces counted from 1, into the corners (k, 3) of each face.

    Raises:
        InputError: one cannot be read, or a face between others has no corner.
    """
    found: dict[int, list[Array]] = {}
    for text in texts:
        name, place = named_point(text, option)
        if not name.isdigit() or int(name) < 1:
            raise InputError(
                f"{text!r} does not name its face", option, "write FACE:X,Y,Z, like 1:0,0,0"
            )
        found.setdefault(int(name), []).append(place)
    if sorted(found) != list(range(1, len(found) + 1)):
        told = ", ".join(str(n) for n in sorted(found))
        raise InputError(
            f"The faces are numbered {told}", option, "count them from 1, in the order they meet"
        )
    return [np.array(found[n]) for n in sorted(found)]


def check_u(u_mm: float | None) -> None:
    """Refuse a standard uncertainty that is none.

    Raises:
        InputError: it is not above 0 and below 100 mm.
    """
    if u_mm is not None and not 0.0 < u_mm < 100.0:
        raise InputError(
            f"A standard uncertainty of {u_mm:g} mm is none", "--u-mm", "give above 0 and below 100"
        )
