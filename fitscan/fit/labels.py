"""What a fitter calls a marker, a direction and a turn.

Which of them matter is left to the comparisons.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.survey.survey import Survey

__all__ = ["AXIS_WORDS", "TURN_WORDS", "WAY_WORDS", "direction_words", "label_of", "list_of"]

AXIS_WORDS = ("X (fore and aft)", "Y (across)", "Z (upright)")

WAY_WORDS = (("forward", "back"), ("left", "right"), ("up", "down"))
"""For each axis of the car: along it, and against it."""

TURN_WORDS = (
    ("its left side up and its right side down", "its left side down and its right side up"),
    ("its front down and its rear up", "its front up and its rear down"),
    ("its front to the left", "its front to the right"),
)
"""Right-handed turns: about X lifts the left side, about Y lowers the front, about Z swings the
front to the left; then each the other way round."""


def label_of(survey: Survey, marker: int) -> str:
    """A marker in the fitter's words."""
    for c in survey.kit.cuff:
        if c.first_id == marker:
            return f"{c.tube}, straight {c.straight}, cuff {marker}"
    for p in survey.kit.pointer:
        if p.id == marker:
            return f"pointer {marker} ({p.name})"
    return f"tag {marker}"


def direction_words(direction: Array, *, known: bool) -> str:
    """The line along a unit vector (3,): the axis that is near it, or its parts.

    Args:
        direction: in the told frame.
        known: whether the axes are the car's.
    """
    axis = int(np.argmax(np.abs(direction)))
    if abs(float(direction[axis])) > np.cos(np.radians(20.0)):
        return AXIS_WORDS[axis] if known else "XYZ"[axis]
    if not known:
        return "a line along ({:.2f}, {:.2f}, {:.2f})".format(*direction)
    ahead = direction if direction[axis] > 0 else -direction
    ways = [
        WAY_WORDS[k][0 if ahead[k] > 0 else 1]
        for k in np.argsort(-np.abs(ahead))
        if abs(float(ahead[k])) > 0.2
    ]
    return f"a line that runs {list_of(ways)}"


def list_of(words: list[str]) -> str:
    """Words with commas and a last "and"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
