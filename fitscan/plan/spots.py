"""Where a phone could be held, and where it would look from there.

What it would see is left to `sight`, whether that helps to `advise` and `greedy`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.plan.stage import BoolArray, Stage

__all__ = [
    "HIGHEST_MM",
    "LOWEST_MM",
    "UP_MM",
    "Spot",
    "looking_at",
    "photo_rows",
    "spots_about",
    "within_a_step",
]

LOWEST_MM, HIGHEST_MM = 400.0, 1800.0
"""How high above the ground a standing, bending or kneeling person holds a phone."""

UP_MM = 150.0
_HEIGHTS_OF = 3
"""How far above the highest and below the lowest of the photos nearest to there another one is
asked for: a roof is not among what a survey knows."""

_NEAREST_MM, _FARTHEST_MM = 350.0, 1800.0
_STEEPEST_COS = 0.45
_DIRECTIONS = 40


@dataclass(frozen=True)
class Spot:
    """A place for a photo, mm: the phone's lens, the picture's middle, how the phone is held."""

    eye: Array
    aim: Array
    upright: bool

    @property
    def cam_from_frame(self) -> Rigid:
        """Camera's pose; the picture's own up is the frame's z as far as it can be."""
        return looking_at(self.eye, self.aim, _roll(self.upright))


def looking_at(eye: Array, target: Array, roll: float = 0.0) -> Rigid:
    """cam_from_world of a camera at `eye` (mm) that looks at `target`, world z up."""
    rotation = _turns(eye[None], target[None], np.array([roll]))[0]
    return Rigid(rotation, -rotation @ eye)


def _turns(eyes: Array, targets: Array, rolls: Array) -> Array:
    """Rotations (n, 3, 3) of `looking_at`, of eyes (n, 3), targets (n, 3) and rolls (n,)."""
    forward = (targets - eyes) / np.linalg.norm(targets - eyes, axis=1, keepdims=True)
    right = np.stack([forward[:, 1], -forward[:, 0], np.zeros(len(eyes))], axis=1)
    size = np.linalg.norm(right, axis=1, keepdims=True)
    # Straight down or up, any side is the top: take the world's x for it.
    steep = size < 1e-6
    right = np.where(steep, np.array([0.0, -1.0, 0.0]), right / np.where(steep, 1.0, size))
    plain = np.stack([right, np.cross(forward, right), forward], axis=1)
    return np.asarray(exp(rolls[:, None] * np.array([0.0, 0.0, 1.0])) @ plain)


def photo_rows(spots: list[Spot]) -> Array:
    """Rows (n, 16) of the state; focus, edges and stabilisation as on the average photo."""
    out = np.zeros((len(spots), 16))
    if spots:
        eyes = np.array([s.eye for s in spots])
        rolls = np.array([_roll(s.upright) for s in spots])
        turns = _turns(eyes, np.array([s.aim for s in spots]), rolls)
        out[:, :9] = turns.reshape(-1, 9)
        out[:, 9:12] = -(turns @ eyes[..., None])[..., 0]
    return out


def _roll(upright: bool) -> float:
    """How far a phone is rolled when it is held upright, rad, and when not."""
    return np.pi / 2 if upright else 0.0


def sphere(count: int) -> Array:
    """Unit vectors (n, 3) spread evenly: a spiral with the golden angle (common practice)."""
    i = np.arange(count) + 0.5
    z = 1.0 - 2.0 * i / count
    way = np.pi * (3.0 - np.sqrt(5.0)) * i
    flat = np.sqrt(1.0 - z * z)
    return np.stack([flat * np.cos(way), flat * np.sin(way), z], axis=1)


def spots_about(
    stage: Stage,
    marker: int,
    known_eyes: Array,
    f_px: float,
    *,
    step_mm: float = 600.0,
) -> list[Spot]:
    """Places round a marker from which it is seen well, near places where photos were taken.

    Nobody told where one can stand; but where a phone was, it could be, and so it can within a
    step of there, if nothing known is in between.

    Args:
        stage: what is in the way.
        marker: id.
        known_eyes: (n, 3) where photos were taken.
        f_px: focal length.
        step_mm: how far from one of them.
    """
    pose = stage.poses[marker]
    on_tube = any(c.first_id == marker for c in stage.kit.cuff)
    z = pose.rotation[:, 2]
    ways = sphere(_DIRECTIONS)
    lean = ways @ z
    facing = np.sqrt(1.0 - lean**2) if on_tube else lean
    ways = ways[facing > _STEEPEST_COS]
    layout = stage.layout
    side = layout.tags[layout.markers[marker][0]].side_mm
    reach = np.clip(f_px * side / 24.0 * np.array([0.15, 0.35, 0.7]), _NEAREST_MM, _FARTHEST_MM)
    eyes = (pose.translation + np.unique(reach)[:, None, None] * ways).reshape(-1, 3)
    height = known_eyes[:, 2]
    eyes = eyes[(eyes[:, 2] > height.min() - UP_MM) & (eyes[:, 2] < height.max() + UP_MM)]
    eyes = eyes[stage.free(eyes)]
    eyes = eyes[within_a_step(stage, eyes, known_eyes, step_mm)]
    middle = stage.centres.mean(axis=0)
    aims = (pose.translation, pose.translation + 0.3 * (middle - pose.translation))
    return [Spot(e, a, upright) for e in eyes for a in aims for upright in (False, True)]


def within_a_step(stage: Stage, eyes: Array, known: Array, step_mm: float) -> BoolArray:
    """Which eyes are a step from a place where a photo was taken, with nothing in between."""
    out = np.zeros(len(eyes), dtype=bool)
    away = np.linalg.norm(eyes[:, None] - known[None], axis=2)
    for rank in range(min(2, len(known))):
        nearest = np.argsort(away, axis=1)[:, rank]
        there = known[nearest]
        close = away[np.arange(len(eyes)), nearest] < step_mm
        out |= close & ~stage.blocked(there, eyes)
    height = known[np.argsort(away, axis=1)[:, :_HEIGHTS_OF], 2]
    out &= (eyes[:, 2] > height.min(axis=1) - UP_MM) & (eyes[:, 2] < height.max(axis=1) + UP_MM)
    return out
