"""Places in the fitter's words: behind, above, on the left; or by named tubes and earlier photos.

Which places to speak of is left to `advise` and `greedy`.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.plan.stage import Bar
from fitscan.shape.datum import CarAxes

__all__ = ["about_mm", "held", "side_words", "step_words", "way_words"]

_CAR = (("the front", "behind"), ("the left", "the right"), ("above", "below"))
_SHARE = 0.42
"""Share of a direction below which it is not worth a word."""


def way_words(way: Array, axes: CarAxes) -> str:
    """From where one looks: "from behind and above, on the left".

    Args:
        way: (3,) from the thing to the phone, in the survey's frame.
        axes: the car's, if known; otherwise only above and below are told.
    """
    unit = axes.car_from_survey.turn(way / np.linalg.norm(way))
    if not axes.known:
        if abs(unit[2]) > 0.5:
            return "from above" if unit[2] > 0 else "from below"
        return "level with it"
    main: list[tuple[float, str]] = []
    if abs(unit[0]) > _SHARE:
        main.append((abs(unit[0]), "ahead" if unit[0] > 0 else "behind"))
    if abs(unit[2]) > _SHARE:
        main.append((abs(unit[2]), "above" if unit[2] > 0 else "below"))
    words = [w for _, w in sorted(main, reverse=True)]
    side = "left" if unit[1] > 0 else "right"
    if abs(unit[1]) <= _SHARE:
        return f"from {' and '.join(words)}"
    if not words:
        return f"from the {side}"
    if abs(unit[1]) > max(m for m, _ in main):
        return f"from the {side} and {' and '.join(words)}"
    return f"from {' and '.join(words)}, on the {side}"


def side_words(marker: Array, eye: Array, others: Array, bars: tuple[Bar, ...]) -> str | None:
    """Say "from the other side of the main hoop", when all photos so far look from this side of it.

    A tube parts two sides of a marker where it passes near it: by the plane through its axis that
    stands square to the line of sight so far.

    Args:
        marker: (3,) what is looked at.
        eye: (3,) where the phone would be.
        others: (n, 3) where the photos were taken that show it.
        bars: tubes to go by.
    """
    if len(others) == 0:
        return None
    so_far = others.mean(axis=0) - marker
    so_far = so_far / max(float(np.linalg.norm(so_far)), 1e-9)
    way = eye - marker
    best: tuple[float, str] | None = None
    for bar in bars:
        along = (bar.end - bar.start) / np.linalg.norm(bar.end - bar.start)
        square = so_far - (so_far @ along) * along
        if np.linalg.norm(square) < 0.5:
            continue
        share = np.clip((marker - bar.start) @ along, 0.0, np.linalg.norm(bar.end - bar.start))
        foot = bar.start + share * along
        away = float(np.linalg.norm(marker - foot))
        square = square / np.linalg.norm(square)
        beyond = away < 250.0 and way @ square < -0.25 * np.linalg.norm(way)
        one_sided = bool(np.all((others - foot) @ square > 0.0))
        if beyond and one_sided and (best is None or away < best[0]):
            best = (away, bar.name)
    return None if best is None else f"from the other side of the {best[1]}"


def step_words(eye: Array, photo_eye: Array, photo_turn: Array, upright: Array) -> str:
    """How to get there from where an earlier photo was taken: "0.6 m to the right and 0.3 m up".

    Args:
        eye: (3,) where the phone would be.
        photo_eye: (3,) where it was.
        photo_turn: (3, 3) rotation of cam_from_survey of that photo.
        upright: (3,) the survey's up.
    """
    forward = photo_turn[2] - (photo_turn[2] @ upright) * upright
    if np.linalg.norm(forward) < 0.2:
        return ""
    forward = forward / np.linalg.norm(forward)
    right = np.cross(forward, upright)
    step = eye - photo_eye
    moves = [
        (float(step @ right), "to the right", "to the left"),
        (float(step @ forward), "forward", "back"),
        (float(step @ upright), "up", "down"),
    ]
    said = [
        f"{abs(m) / 1000.0:.1f} m {plus if m > 0 else minus}"
        for m, plus, minus in sorted(moves, key=lambda m: -abs(m[0]))
        if abs(m) >= 150.0
    ]
    return " and ".join(said[:2]) or "the same place"


def about_mm(distance: float) -> str:
    """A distance as people say it: "about 0.9 m away"."""
    if 950.0 <= distance < 1050.0:
        return "about a metre away"
    return f"about {distance / 1000.0:.1f} m away"


def held(upright: bool) -> str:
    """How the phone is held."""
    return "phone upright" if upright else "phone across"
