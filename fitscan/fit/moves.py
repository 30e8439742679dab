"""Which moves bring a part back, largest first, and what each of them leaves over.

The rigid motion comes from `rigid_part`; what else there is to say is left to `recheck`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.fit.displacement import Displacements
from fitscan.fit.labels import AXIS_WORDS, TURN_WORDS, WAY_WORDS
from fitscan.fit.rigid_part import RigidPart
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.shape.datum import CarAxes

__all__ = ["Move", "find_moves"]


@dataclass(frozen=True)
class Move:
    """One move along or about an axis that brings the part nearer to its record.

    Attributes:
        turn: whether it is a turn about the axis through the reference point.
        axis: 0, 1, 2 for X, Y, Z.
        amount: of the move itself, with its sign: mm, or deg for a turn (right-handed).
        expanded: its expanded uncertainty (k = 2), in the same unit.
        effect_mm: how far it moves the marker that it moves most.
        words: "move it 1.82 mm back (U 0.01 mm)".
        leaves_mm: largest distance of a marker from its record after this and all earlier moves.
        leaves_at: that marker's label.
    """

    turn: bool
    axis: int
    amount: float
    expanded: float
    effect_mm: float
    words: str
    leaves_mm: float
    leaves_at: str


def find_moves(d: Displacements, rigid: RigidPart, axes: CarAxes) -> tuple[Move, ...]:
    """Moves that undo the rigid motion, by the size of what they do; only what is proven.

    Args:
        d: displacements in the frame of `axes`.
        rigid: their rigid part.
        axes: the told frame.
    """
    expanded = COVERAGE * np.sqrt(np.diag(rigid.covariance))
    design = d.motion(rigid.reference)
    found: list[tuple[float, int]] = []
    for k in range(6):
        if abs(float(rigid.motion[k])) > float(expanded[k]):
            effect = max(_sizes(d, design[:, k] * rigid.motion[k]))
            found.append((effect, k))
    found.sort(reverse=True)
    out, left = [], rigid.left + design @ rigid.motion
    for effect, k in found:
        left = left - design[:, k] * rigid.motion[k]
        sizes = _sizes(d, left)
        worst = int(np.argmax(sizes))
        unit = 180.0 / np.pi if k < 3 else 1.0
        amount, u = -unit * float(rigid.motion[k]), unit * float(expanded[k])
        words = _words(axes, k, amount, u)
        out.append(
            Move(k < 3, k % 3, amount, u, effect, words, sizes[worst], d.sites[worst].label)
        )  # fmt: skip
    return tuple(out)


def _sizes(d: Displacements, values: Array) -> list[float]:
    return [float(np.linalg.norm(values[d.rows(i)])) for i in range(len(d.sites))]


def _words(axes: CarAxes, k: int, amount: float, u: float) -> str:
    axis = k % 3
    if k >= 3:
        size = f"{abs(amount):.2f} mm"
        way = WAY_WORDS[axis][0 if amount > 0 else 1]
        if not axes.known:
            way = f"along {'+' if amount > 0 else '-'}{'XYZ'[axis]}"
        return f"move it {size} {way} (U {u:.2f} mm)"
    size = f"{abs(amount):.3f} deg (U {u:.3f} deg)"
    if not axes.known:
        return f"turn it {'+' if amount > 0 else '-'}{size} about {'XYZ'[axis]}"
    return f"turn it {size} about {AXIS_WORDS[axis]}: {TURN_WORDS[axis][0 if amount > 0 else 1]}"
