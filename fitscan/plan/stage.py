"""What stands where when photos are taken: markers, tubes, and what one cannot see through.

Where a phone could be held is left to `spots`, what it sees to `sight`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit
from fitscan.markers.layout import Layout

__all__ = ["Bar", "Box", "Stage", "bars_of", "discs_of"]

BoolArray = npt.NDArray[np.bool_]

_BEYOND_MM = 60.0
"""How far a straight is taken to run on beyond its outermost cuff."""

_PANEL_MM = 120.0
"""How far the panel under a flat marker reaches round it, at least."""


@dataclass(frozen=True)
class Bar:
    """A straight of a tube as a solid: its name in words, both ends (3,) mm and its radius."""

    name: str
    start: Array
    end: Array
    radius_mm: float


@dataclass(frozen=True)
class Box:
    """An upright box that one can neither see through nor stand in: two corners (3,), mm."""

    low: Array
    high: Array


@dataclass(frozen=True)
class Stage:
    """What stands where, all in one frame, mm.

    Attributes:
        kit: what is printed.
        poses: frame_from_marker of every marker that has a place.
        bars: tubes, as far as their cuffs tell.
        discs: (n, 2, 3) centre and normal of the panel round each flat marker.
        disc_mm: their radius.
        boxes: told by hand.
    """

    kit: Kit
    poses: dict[int, Rigid]
    bars: tuple[Bar, ...]
    discs: Array
    boxes: tuple[Box, ...] = ()
    disc_mm: float = _PANEL_MM

    @cached_property
    def layout(self) -> Layout:
        """Of the kit."""
        return Layout.of(self.kit)

    @property
    def centres(self) -> Array:
        """Centres (n, 3) of the markers."""
        return np.array([p.translation for p in self.poses.values()])

    def free(self, eyes: Array, clearance_mm: float = 120.0) -> BoolArray:
        """Which places (n, 3) a phone fits at: not in a box, not at a tube, not in a panel."""
        out = np.ones(len(eyes), dtype=bool)
        for box in self.boxes:
            inside = (eyes > box.low - clearance_mm) & (eyes < box.high + clearance_mm)
            out &= ~inside.all(axis=1)
        for bar in self.bars:
            axis = bar.end - bar.start
            share = np.clip((eyes - bar.start) @ axis / (axis @ axis), 0.0, 1.0)
            away = np.linalg.norm(eyes - bar.start - share[:, None] * axis, axis=1)
            out &= away > bar.radius_mm + clearance_mm
        for centre, _ in self.discs:
            out &= np.linalg.norm(eyes - centre, axis=1) > clearance_mm
        return out

    def blocked(self, eyes: Array, ends: Array) -> BoolArray:
        """Which lines from eyes (n, 3) to points on markers (n, 3) something stands in.

        A tube stands in the way within its radius, a panel within its disc, a box anywhere; what
        carries the point itself touches the line's end only.
        """
        out = np.zeros(len(eyes), dtype=bool)
        way = ends - eyes
        for bar in self.bars:
            out |= _gap(eyes, way, bar) < 0.95 * bar.radius_mm
        reach = 1.0 - 30.0 / np.maximum(np.linalg.norm(way, axis=1), 60.0)
        if len(self.discs):
            out |= self._behind_panel(eyes, way, reach)
        for box in self.boxes:
            out |= _through(eyes, way * reach[:, None], box)
        return out

    def _behind_panel(self, eyes: Array, way: Array, reach: Array) -> BoolArray:
        """Which lines (n,), from eyes (n, 3) along ways up to a share of them, a panel crosses."""
        centres, normals = self.discs[:, 0], self.discs[:, 1]
        slope = way @ normals.T
        crossing = np.abs(slope) > 1e-9
        t = np.sum(centres * normals, axis=1) - eyes @ normals.T
        t /= np.where(crossing, slope, 1.0)
        crossing &= (t > 0.0) & (t < reach[:, None])
        line, disc = np.nonzero(crossing)
        at = eyes[line] + t[line, disc, None] * way[line] - centres[disc]
        out = np.zeros(len(eyes), dtype=bool)
        out[line[np.sum(at * at, axis=1) < self.disc_mm**2]] = True
        return out


def _gap(eyes: Array, way: Array, bar: Bar) -> Array:
    """Shortest distance (n,) between the lines of sight, as segments, and a bar's axis."""
    axis = bar.end - bar.start
    between = eyes - bar.start
    aa, bb, ab = np.sum(way * way, axis=1), float(axis @ axis), way @ axis
    wa, wb = np.sum(way * between, axis=1), between @ axis
    below = np.maximum(aa * bb - ab * ab, 1e-9)
    s = np.clip((ab * wb - bb * wa) / below, 0.0, 1.0)
    t = np.clip((ab * s + wb) / bb, 0.0, 1.0)
    s = np.clip((ab * t - wa) / np.maximum(aa, 1e-9), 0.0, 1.0)
    return np.asarray(np.linalg.norm(between + s[:, None] * way - t[:, None] * axis[None], axis=1))


def _through(eyes: Array, way: Array, box: Box) -> Array:
    """Which segments (n,) meet a box, slab by slab."""
    safe = np.where(np.abs(way) > 1e-9, way, 1e-9)
    first, second = (box.low - eyes) / safe, (box.high - eyes) / safe
    near = np.minimum(first, second).max(axis=1)
    far = np.maximum(first, second).min(axis=1)
    return np.asarray((near < far) & (far > 0.0) & (near < 1.0))


def bars_of(kit: Kit, poses: dict[int, Rigid]) -> tuple[Bar, ...]:
    """Solids of the straights whose cuffs have places; a lone cuff stands for itself."""
    cuffs: dict[tuple[str, int], list[tuple[float, Array, Array]]] = {}
    for c in kit.cuff:
        if c.first_id in poses:
            pose = poses[c.first_id]
            row = (c.od_mm / 2.0, pose.translation, pose.rotation[:, 2])
            cuffs.setdefault((c.tube, c.straight), []).append(row)
    out = []
    for (tube, number), rows in cuffs.items():
        centres = np.array([r[1] for r in rows])
        along = rows[0][2]
        if len(rows) > 1:
            along = np.linalg.svd(centres - centres.mean(axis=0))[2][0]
        place = (centres - centres[0]) @ along
        many = sum(1 for t, _ in cuffs if t == tube) > 1
        name = f"{tube}, straight {number}" if many else tube
        start = centres[0] + (place.min() - _BEYOND_MM) * along
        end = centres[0] + (place.max() + _BEYOND_MM) * along
        out.append(Bar(name, start, end, rows[0][0]))
    return tuple(out)


def discs_of(kit: Kit, poses: dict[int, Rigid]) -> Array:
    """Centre and normal (n, 2, 3) of the panel behind each tag of the kit that has a place.

    Pointers hang free as often as not, so nothing is taken to be behind them.
    """
    rows = [(poses[t.id].translation, poses[t.id].rotation[:, 2]) for t in kit.tag if t.id in poses]
    return np.array(rows).reshape(-1, 2, 3)
