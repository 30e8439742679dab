"""Where the photos see one marker when they do not agree: at one place, at two, or at none.

Photos and lens are taken from a finished adjustment, which the marker had no part in or bent
little. What is said about it is left to `left_out`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
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
from fitscan.survey.tag_block import (
    NEAREST_MM,
    TagGeometry,
    inward,
    marker_motion,
    pixels_and_depth,
    predict,
)

__all__ = ["Place", "Sights", "find_places", "sights_of"]

BoolArray = npt.NDArray[np.bool_]

_MOST_PAIRS = 24
_STEPS = 6
_STILL = np.array([1e-8, 1e-8, 1e-8, 1e-5, 1e-5, 1e-5])
"""Turn (rad) and shift (mm) of a last step."""

_LOOSE = 1e-12
"""Smallest eigenvalue, beside ones on the diagonal, from which on squares fix a pose."""


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

    @cached_property
    def _target(self) -> Array:
        """Corners (n, 4, 2) where they would lie if the photos' processing had not moved them."""
        return np.asarray(self.corners_px - self.values["split"][0, 0] * inward(self.corners_px))

    def _of(self, owner: IntArray, rows: IntArray) -> tuple[TagGeometry, Array]:
        """Squares `rows` as those of many markers, and their corners' places on the paper."""
        geometry = replace(self.geometry.take(rows), marker=owner)
        return geometry, CORNERS * geometry.side_mm[:, None, None]

    def misses(self, world_from_marker: Rigid) -> Array:
        """Largest miss (n,) of each square's corners over what is allowed; infinite behind."""
        n = len(self)
        return self.misses_of(
            pack_markers([world_from_marker]), np.zeros(n, dtype=np.intp), np.arange(n)
        )

    def misses_of(self, guesses: Array, owner: IntArray, rows: IntArray) -> Array:
        """The same (m,) of squares `rows` (m,), each by the guess `owner` (m,) of (c, 12)."""
        geometry, corners = self._of(owner, rows)
        with np.errstate(all="ignore"):
            pixels, depth = pixels_and_depth(geometry, corners, {**self.values, "marker": guesses})
            left = pixels - self._target[rows]
            size = np.linalg.norm(left, axis=2).max(axis=1) / self.allowed_px[rows]
            seen = (depth > NEAREST_MM).all(axis=1) & np.isfinite(size)
        return np.where(seen, size, np.inf)

    def refined(
        self, guesses: Array, owner: IntArray, rows: IntArray
    ) -> tuple[Array, npt.NDArray[np.bool_]]:
        """Poses of least squares (Gauss and Newton), each over squares of its own.

        Args:
            guesses: (c, 12) world_from_marker, see `state`.
            owner: (m,) which guess each square belongs to.
            rows: (m,) the squares.

        Returns:
            the poses (c, 12); which of them (c,) could be found.
        """
        guesses, good = guesses.copy(), np.ones(len(guesses), dtype=np.bool_)
        geometry, corners = self._of(owner, rows)
        weight = 1.0 / self.allowed_px[rows, None]
        for _ in range(_STEPS):
            with np.errstate(all="ignore"):
                values = {**self.values, "marker": guesses}
                p = predict(geometry, corners, values)
                seen = (p.x_in_cam[..., 2] > NEAREST_MM).all(axis=1)
                seen &= np.isfinite(p.pixels).all(axis=(1, 2))
                jacobian = marker_motion(p, geometry, values).reshape(-1, 8, 6) * weight[..., None]
                left = (p.pixels - self._target[rows]).reshape(-1, 8) * weight
            good[owner[~seen]] = False
            some = good[owner]
            normal, right = np.zeros((len(guesses), 6, 6)), np.zeros((len(guesses), 6))
            turned = jacobian[some].transpose(0, 2, 1)
            np.add.at(normal, owner[some], turned @ jacobian[some])
            np.add.at(right, owner[some], -(turned @ left[some][..., None])[..., 0])
            size = np.sqrt(np.maximum(np.einsum("cii->ci", normal), 1e-300))
            normal = normal / (size[:, :, None] * size[:, None, :])
            good &= np.linalg.eigvalsh(normal)[:, 0] > _LOOSE
            normal[~good] = np.eye(6)
            step = np.linalg.solve(normal, (right / size)[..., None])[..., 0] / size
            step[~good] = 0.0
            guesses = step_markers(guesses, step)
            if (np.abs(step) < _STILL).all():
                break
        return guesses, good

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
    photo = sights.geometry.photo
    pairs = sorted(combinations(np.unique(photo[rows]).tolist(), 2), key=lambda p: p[1] - p[0])
    starts: list[Rigid] = []
    members: list[IntArray] = []
    single: dict[int, list[Rigid]] = {}
    for pair in pairs[:_MOST_PAIRS]:
        own = rows[np.isin(photo[rows], pair)]
        first = int(own[0])
        if first not in single:
            single[first] = sights.single_poses(first)
        starts += single[first]
        members += [own] * len(single[first])
    if not starts:
        return None
    owner = np.repeat(np.arange(len(starts)), [len(m) for m in members])
    squares = np.concatenate(members)
    guesses, good = sights.refined(pack_markers(starts), owner, squares)
    good[owner[sights.misses_of(guesses, owner, squares) >= 1.0]] = False
    guesses = guesses[good]
    if not len(guesses):
        return None
    agree = (_misses_of_all(sights, guesses) < 1.0) & among
    whole, found = sights.refined(guesses, *np.nonzero(agree))
    guesses = np.where(found[:, None], whole, guesses)
    miss = _misses_of_all(sights, guesses)
    agree = (miss < 1.0) & among
    best: tuple[tuple[int, float], Array] | None = None
    for guess, own_miss, own_agree in zip(guesses, miss, agree, strict=True):
        score = (len(np.unique(photo[own_agree])), -float(own_miss[own_agree].sum()))
        if score[0] >= 2 and (best is None or score > best[0]):
            best = (score, guess)
    return rigid_of(best[1]) if best is not None else None


def _misses_of_all(sights: Sights, guesses: Array) -> Array:
    """Misses (c, n) of every square by every guess (c, 12)."""
    count, n = len(guesses), len(sights)
    owner, rows = np.repeat(np.arange(count), n), np.tile(np.arange(n), count)
    return sights.misses_of(guesses, owner, rows).reshape(count, n)


def _corners_on_marker(one: TagGeometry, values: dict[str, Array]) -> Array:
    """Corners (4, 3) of one square in its marker's frame."""
    uv = CORNERS * one.side_mm[:, None, None]
    scale = values["printer"][0]
    if one.cuff[0] >= 0:
        return np.asarray(cuff_points(uv, one.place, scale, values["form"])[0][0])
    return np.asarray(flat_points(uv, scale)[0][0])
