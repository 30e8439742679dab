"""A bent tube laid out by walking along it, apart from the project's own bend arithmetic.

Every millimetre or so the walker steps ahead and turns a little, as a bender's table says.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

Array = npt.NDArray[np.float64]


def walked(
    rows: list[tuple[float, float, float]], last_mm: float, clr_mm: float, step_mm: float = 0.5
) -> tuple[Array, Array]:
    """Points (n, 3) along the axis and how far along each is (n,), from feed, turn, angle (deg).

    Starts at the origin along x; the first bend turns towards +y.
    """
    frame, at, far = Rotation.identity(), np.zeros(3), 0.0
    points, along = [at], [far]

    def ahead(length: float, bend_rad: float) -> None:
        nonlocal frame, at, far
        count = max(math.ceil(length / step_mm), 1)
        for _ in range(count):
            half = Rotation.from_rotvec([0.0, 0.0, bend_rad / count / 2.0])
            # Half the turn, a chord, the other half: exact for an arc of that many chords.
            frame = frame * half
            chord = length / count
            if bend_rad:
                chord = 2.0 * clr_mm * math.sin(bend_rad / count / 2.0)
            at = at + chord * frame.apply([1.0, 0.0, 0.0])
            frame = frame * half
            far += length / count
            points.append(at)
            along.append(far)

    for feed, turn, angle in rows:
        ahead(feed, 0.0)
        frame = frame * Rotation.from_rotvec([math.radians(turn), 0.0, 0.0])
        ahead(clr_mm * math.radians(angle), math.radians(angle))
    ahead(last_mm, 0.0)
    return np.array(points), np.array(along)
