"""The unknowns of a survey as flat arrays that the solver can step.

What is observed of them is in `tag_block` and `rule_block`; finding start values in `start`.

Rows. Photo: cam_from_world rotation (9), translation (3), log focal factor, edge shift px,
principal point shift x, y px. Marker: world_from_marker rotation (9), translation (3). Form:
skew, radius, pitch of a cuff. Lens: see `fitscan.lens.model`. Printer: scale across, along.
Ink: growth of black per edge, mm. Split: how far the photos' processing moves all
borders inwards although both sides of black say nothing of it, px. Wrap: what all cuffs have in
common, radius (mm) and spread of their columns beyond the printer's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fitscan.adjust.problem import Group
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp

__all__ = [
    "MARKER",
    "PHOTO",
    "State",
    "pack_markers",
    "pack_photos",
    "rigid_of",
    "step_markers",
    "step_photos",
]

PHOTO = 10
"""Tangent of a photo: turn 3, shift 3, log focal factor, edge shift, principal point shift 2."""

MARKER = 6
"""Tangent of a marker: turn 3, shift 3."""


def pack_markers(poses: list[Rigid]) -> Array:
    """Rows (n, 12) of transforms."""
    return np.array([np.concatenate([p.rotation.ravel(), p.translation]) for p in poses])


def pack_photos(poses: list[Rigid]) -> Array:
    """Rows (n, 16) of cam_from_world transforms with all nuisances zero."""
    return np.hstack([pack_markers(poses), np.zeros((len(poses), 4))])


def rigid_of(row: Array) -> Rigid:
    """Transform of a marker's or photo's row."""
    return Rigid(row[:9].reshape(3, 3).copy(), row[9:12].copy())


def step_markers(values: Array, step: Array) -> Array:
    """Change rows (n, 12 or more) by tangents (n, 6 or more): R' = exp(w) R, t' = t + d."""
    out = values.copy()
    turned = exp(step[:, :3]) @ values[:, :9].reshape(-1, 3, 3)
    out[:, :9] = turned.reshape(-1, 9)
    out[:, 9:] += step[:, 3:]
    return out


step_photos = step_markers


@dataclass(frozen=True)
class State:
    """All unknowns of a survey; see the module's text for the rows."""

    photo: Array
    marker: Array
    form: Array
    lens: Array
    printer: Array
    ink: Array
    split: Array = field(default_factory=lambda: np.zeros((1, 1)))
    wrap: Array = field(default_factory=lambda: np.zeros((1, 2)))

    def groups(self) -> list[Group]:
        """Parameter groups for the solver. Groups without members are left out."""
        named = [
            Group("photo", self.photo, PHOTO, step_photos),
            Group("marker", self.marker, MARKER, step_markers),
            Group("form", self.form, 3),
            Group("lens", self.lens, 9),
            Group("printer", self.printer, 2),
            Group("ink", self.ink, 1),
            Group("split", self.split, 1),
            Group("wrap", self.wrap, 2),
        ]
        return [g for g in named if len(g.values)]

    @staticmethod
    def of(values: Mapping[str, Array]) -> State:
        """Read back from the solver."""
        return State(
            values["photo"],
            values["marker"],
            values.get("form", np.zeros((0, 3))),
            values["lens"],
            values["printer"],
            values["ink"],
            values["split"],
            values["wrap"],
        )
