"""Where the photos see one marker when they do not agree: at one place, at two, or at none.

Photos and lens are taken from a finished adjustment, which the marker had no part in or bent
little. What is said about it is left to `left_out`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens
from fitscan.markers.layout import CORNERS, cuff_points, flat_points
from fitscan.survey.network import Network
from fitscan.survey.start import square_poses
from fitscan.survey.state import State, pack_markers, rigid_of, step_markers
from fitscan.survey.tag_block import TagBlock, TagGeometry

__all__ = ["Place", "Sights", "find_places", "sights_of"]

BoolArray = npt.NDArray[np.bool_]

_MOST_PAIRS = 24
_STEPS = 6


@dataclass(frozen=True)
class Sights:
    """Squares of one marker as photos saw them.

    Attributes:
        geometry: (n) photo rows of the network's state; the marker's row and form are 0.
        corners_px: (n, 4, 2).
        allowed_px: (n,) largest miss of a corner that still counts as agreeing.
        values: of the state, with one marker and its form.
        lens: as adjusted.
    """

    geometry: TagGeometry
    corners_px: Array
    allowed_px: Array
    values: dict[str, Array]
    lens: Lens

    def __len__(self) -> int:
        return len(self.geometry)

    def take(self, rows: BoolArray | IntArray) -> Sights:
        """Some of the squares."""
        return Sights(
            self.geometry.take(rows), self.corners_px[rows], self.allowed_px[rows], self.values,
            self.lens,
        )  # fmt: skip

    def _block(self) -> TagBlock:
        n = len(self)
        whitening = np.zeros((n, 9, 9))
        whitening[:, np.arange(8), np.arange(8)] = 1.0 / self.allowed_px[:, None]
        observed = np.concatenate([self.corners_px.reshape(n, 8), np.zeros((n, 1))], axis=1)
        rank = np.full(n, 8, dtype=np.intp)
        return TagBlock("sights", self.geometry, observed, whitening, np.zeros(n), rank)

    def _at(self, world_from_marker: Rigid) -> dict[str, Array]:
        return {**self.values, "marker": pack_markers([world_from_marker])}

    def misses(self, world_from_marker: Rigid) -> Array:
        """Largest miss (n,) of each square's corners over what is allowed; infinite behind."""
        with np.errstate(all="ignore"):
            block, values = self._block(), self._at(world_from_marker)
            left = block.misfit(values)[:, :8].reshape(-1, 4, 2)
            size = np.linalg.norm(left, axis=2).max(axis=1) / self.allowed_px
            behind = ~np.isfinite(block.residual(values)).all(axis=1)
        return np.where(behind | ~np.isfinite(size), np.inf, size)

    def refined(self, world_from_marker: Rigid) -> Rigid | None:
        """The pose of least squares over these squares (Gauss and Newton), or None."""
        row = pack_markers([world_from_marker])
        block = self._block()
        for _ in range(_STEPS):
            values = {**self.values, "marker": row}
            if not np.isfinite(block.residual(values)).all():
                return None
            linear = block.linearise(values)
            jacobian = next(p.jacobian for p in linear.parts if p.group == "marker")
            flat = jacobian.reshape(-1, 6)
            step, _, rank, _ = np.linalg.lstsq(flat, -linear.residual.reshape(-1), rcond=1e-12)
            if rank < 6:
                return None
            row = step_markers(row, np.asarray(step, dtype=np.float64)[None])
        return rigid_of(row[0])

    def single_poses(self, i: int) -> list[Rigid]:
        """Both poses world_from_marker that one square alone allows, as the flat square it is."""
        g = self.geometry
        photo = self.values["photo"][g.photo[i]]
        lens = self.lens.breathed(float(photo[12]))
        rays = lens.rays(self.corners_px[i] - photo[14:16])
        one = TagGeometry(*(getattr(g, f)[[i]] for f in g.__dataclass_fields__))
        x = _corners_on_marker(one, self.values)
        return [rigid_of(photo).inverse() @ pose for pose in square_poses(x, rays)]


@dataclass(frozen=True)
class Place:
    """A pose of the marker, and which of its sights agree with it (n,)."""

    world_from_marker: Rigid
    agree: BoolArray


def sights_of(
    network: Network,
    state: State,
    marker: int,
    tag_ids: list[int],
    photos: list[int],
    corners_px: Array,
    allowed_px: Array,
) -> Sights:
    """Gather a marker's squares.

    Args:
        network: of the finished adjustment.
        state: of it.
        marker: id, whether or not the network has it.
        tag_ids: (n,) printed ids.
        photos: (n,) rows of the state's photos.
        corners_px: (n, 4, 2).
        allowed_px: (n,) see `Sights`.
    """
    layout = network.layout
    geometry = TagGeometry.of(layout, tag_ids, photos, {marker: 0}, {marker: 0})
    flat = layout.tags[layout.markers[marker][0]].cuff is None
    if flat:
        geometry = TagGeometry(
            geometry.tag_id, geometry.photo, geometry.marker,
            np.full(len(tag_ids), -1, dtype=np.intp), geometry.side_mm, geometry.place,
        )  # fmt: skip
    row = network.cuff_row.get(marker)
    form = np.zeros((1, 3)) if row is None else state.form[[row]]
    values = {g.name: g.values for g in state.groups()} | {"form": form}
    lens = Lens(state.lens[0], network.lens.width_px, network.lens.height_px)
    return Sights(geometry, corners_px, allowed_px, values, lens)


def find_places(sights: Sights, known: Rigid | None = None) -> list[Place]:
    """At most two places, the better supported first; each rests on two photos or more.

    Args:
        sights: of one marker.
        known: a pose that is certain; it is the first place.
    """
    first = known if known is not None else _consensus(sights, np.ones(len(sights), dtype=bool))
    if first is None:
        return []
    places = [_place(sights, first)]
    second = _consensus(sights, ~places[0].agree)
    if second is not None:
        found = _place(sights, second)
        alone = found.agree & ~places[0].agree
        if len(np.unique(sights.geometry.photo[alone])) >= 2:
            places.append(Place(second, alone))
    return places


def _place(sights: Sights, pose: Rigid) -> Place:
    return Place(pose, sights.misses(pose) < 1.0)


def _consensus(sights: Sights, among: BoolArray) -> Rigid | None:
    """The pose with which most photos agree, from pairs of photos; None if no two do."""
    rows = np.flatnonzero(among)
    photos = np.unique(sights.geometry.photo[rows])
    pairs = sorted(combinations(photos.tolist(), 2), key=lambda p: p[1] - p[0])[:_MOST_PAIRS]
    best: tuple[tuple[int, float], Rigid] | None = None
    for pair in pairs:
        own = sights.take(rows[np.isin(sights.geometry.photo[rows], pair)])
        for start in own.single_poses(0):
            pose = own.refined(start)
            if pose is None or own.misses(pose).max() >= 1.0:
                continue
            agree = sights.misses(pose) < 1.0
            agree &= among
            whole = sights.take(agree).refined(pose)
            pose = pose if whole is None else whole
            miss = sights.misses(pose)
            agree = (miss < 1.0) & among
            score = (len(np.unique(sights.geometry.photo[agree])), -float(miss[agree].sum()))
            if score[0] >= 2 and (best is None or score > best[0]):
                best = (score, pose)
    return best[1] if best is not None else None


def _corners_on_marker(one: TagGeometry, values: dict[str, Array]) -> Array:
    """Corners (4, 3) of one square in its marker's frame."""
    uv = CORNERS * one.side_mm[:, None, None]
    scale = values["printer"][0]
    if one.cuff[0] >= 0:
        return np.asarray(cuff_points(uv, one.place, scale, values["form"])[0][0])
    return np.asarray(flat_points(uv, scale)[0][0])
