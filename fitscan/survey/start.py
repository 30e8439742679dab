"""Start values for a survey: every photo and marker placed well enough for the adjustment.

A square seen nearly head-on has two poses that fit almost equally well. Both are kept as
candidates, and the other photos decide: a wrong one projects wrongly elsewhere. Refining is left
to `network`.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fitscan.detect.tags import Detections
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp, nearest_rotation
from fitscan.lens.model import Lens
from fitscan.markers.layout import Layout, TagPlace
from fitscan.survey.tag_block import NEAREST_MM

__all__ = ["Placement", "Sighted", "groups_of_photos", "place", "place_markers"]

_SURE_RATIO = 2.5
"""A pose is sure when the mirrored one fits this many times worse (reprojection error)."""

_ALLOWED_SHARE = 0.12
"""A placed marker may miss by this share of the square's side and still count as agreeing."""

_FAR = 0.012
"""Normalised misfit that is always allowed between photos: a guess reaches far from one square."""


@dataclass(frozen=True)
class Sight:
    """One marker in one photo.

    Attributes:
        x_in_marker: (4 t, 3) corners of its t squares seen.
        rays: (4 t, 2) normalised image points.
        allowed: normalised misfit that still counts as agreeing.
        candidates: cam_from_marker, best first.
        sure: whether the first candidate stands clear of the second.
        size: side of the largest square seen, normalised.
    """

    x_in_marker: Array
    rays: Array
    allowed: float
    candidates: tuple[Rigid, ...]
    sure: bool
    size: float


@dataclass(frozen=True)
class Placement:
    """Start values: cam_from_world per photo, world_from_marker per marker; the rest is missing."""

    photos: dict[int, Rigid]
    markers: dict[int, Rigid]


class Sighted:
    """Candidate poses of the markers in photos, each photo's worked out once.

    Asked while other photos are still looked at, it has them ready when all must be placed.
    """

    def __init__(self, lens: Lens, layout: Layout) -> None:
        self._lens, self._layout = lens, layout
        self._known: dict[tuple[bytes, bytes], dict[int, Sight]] = {}

    def of(self, found: Detections) -> dict[int, Sight]:
        """By marker; of what was found in one photo, ids of the layout only."""
        key = found.ids.tobytes(), found.corners_px.tobytes()
        if key not in self._known:
            self._known[key] = sight_markers(found, self._lens, self._layout)
        return self._known[key]


def groups_of_photos(seen: list[set[int]]) -> list[list[int]]:
    """Photos that hang together through common markers, largest group first."""
    parent = list(range(len(seen)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    first: dict[int, int] = {}
    for i, markers in enumerate(seen):
        for m in markers:
            parent[root(i)] = root(first.setdefault(m, i))
    groups: dict[int, list[int]] = defaultdict(list)
    for i in range(len(seen)):
        groups[root(i)].append(i)
    return sorted(groups.values(), key=lambda g: (-len(g), g))


def place(
    detections: list[Detections],
    lenses: list[Lens],
    layout: Layout,
    known: Placement | None = None,
    sighted: Sighted | None = None,
) -> Placement:
    """Place photos one after another, starting from the one that is best known.

    Args:
        detections: per photo, ids of the layout only.
        lenses: per photo.
        layout: of the kit.
        known: photos, by their number among the detections, and markers that stand already.
        sighted: candidate poses that were worked out before, of one lens; None to work them out.
    """
    if known is not None:
        placed = {t for m in known.markers for t in layout.markers[m]}
        detections = [
            d.keep(set(d.ids.tolist()) - placed) if i in known.photos else d
            for i, d in enumerate(detections)
        ]
    sights = [
        sighted.of(d) if sighted is not None else sight_markers(d, lens, layout)
        for d, lens in zip(detections, lenses, strict=True)
    ]
    if known is None and not any(sights):
        return Placement({}, {})
    begun = known if known is not None else _best_known(sights)
    photos, markers = dict(begun.photos), dict(begun.markers)
    strict = True
    while True:
        grown = _place_next_photo(sights, photos, markers, strict=strict)
        grown |= _place_markers(sights, photos, markers, strict=strict)
        if grown:
            strict = True
        elif strict:
            strict = False
        else:
            return Placement(photos, markers)


def _best_known(sights: list[dict[int, Sight]]) -> Placement:
    """The photo with most markers whose pose is sure, and these."""
    seed = max(range(len(sights)), key=lambda i: sum(s.sure for s in sights[i].values()))
    markers = {m: s.candidates[0] for m, s in sights[seed].items() if s.sure}
    if not markers and sights[seed]:
        best = max(sights[seed], key=lambda m: sights[seed][m].size)
        markers[best] = sights[seed][best].candidates[0]
    return Placement({seed: Rigid.identity()}, markers)


def place_markers(
    detections: list[Detections], lens: Lens, layout: Layout, photos: dict[int, Rigid]
) -> dict[int, Rigid]:
    """Place markers against photos that are already placed, even from a single sight.

    Args:
        detections: per photo, of the wanted markers only.
        lens: of the photos.
        layout: of the kit.
        photos: cam_from_world by photo number.
    """
    sights = [sight_markers(d, lens, layout) for d in detections]
    markers: dict[int, Rigid] = {}
    while _place_markers(sights, photos, markers, strict=False):
        pass
    return markers


def sight_markers(found: Detections, lens: Lens, layout: Layout) -> dict[int, Sight]:
    """Candidate poses of every marker in one photo."""
    if not len(found.ids):
        return {}
    rows: dict[int, list[int]] = defaultdict(list)
    for row, tag_id in enumerate(found.ids.tolist()):
        rows[layout.tags[tag_id].marker_id].append(row)
    rays = lens.rays(found.corners_px.reshape(-1, 2)).reshape(-1, 4, 2)
    squares = [_square_of(layout.tags[t]) for t in found.ids.tolist()]
    seen = _Seen(np.stack([q.x_in_marker for q in squares]), rays, list(rows.values()))
    number = {row: i for i, own in enumerate(seen.rows) for row in own}
    single = _poses_of(squares, rays)
    best = seen.best([(number[row], pose) for row, pose in single])
    # A pose of one square alone is put right by the others of its marker.
    several = [i for i, own in enumerate(seen.rows) if len(own) > 1]
    starts = [(i, pose) for i in several for _, pose in best[i][:3]]
    refined = seen.best([(i, _refined(p, *seen.points(i))) for i, p in starts])
    sides = np.linalg.norm(rays - np.roll(rays, -1, axis=1), axis=2).max(axis=1)
    out: dict[int, Sight] = {}
    for i, (marker, own) in enumerate(rows.items()):
        poses = refined[i] or best[i]
        if poses:
            size = float(sides[own].max())
            allowed = max(_ALLOWED_SHARE * size, 4.0 / float(lens.values[0]))
            candidates, sure = _apart(poses)
            out[marker] = Sight(*seen.points(i), allowed, candidates, sure, size)
    return out


_Rated = list[tuple[float, Rigid]]
"""Poses cam_from_marker with their misfit, best first."""


@dataclass(frozen=True)
class _Seen:
    """Squares in one photo: corners (n, 4, 3) in their markers, rays (n, 4, 2), rows by marker."""

    x_in_marker: Array
    rays: Array
    rows: list[list[int]]

    def points(self, marker: int) -> tuple[Array, Array]:
        """Corners (4 t, 3) and rays (4 t, 2) of one marker's squares."""
        own = self.rows[marker]
        return self.x_in_marker[own].reshape(-1, 3), self.rays[own].reshape(-1, 2)

    def best(self, guesses: list[tuple[int, Rigid]]) -> list[_Rated]:
        """Per marker its guesses, those left out that see it from behind.

        Each guess is held against all squares of its marker, all guesses at once.
        """
        out: list[_Rated] = [[] for _ in self.rows]
        if not guesses:
            return out
        count = [len(self.rows[marker]) for marker, _ in guesses]
        square = np.concatenate([self.rows[marker] for marker, _ in guesses])
        turns = np.repeat(np.stack([p.rotation for _, p in guesses]), count, axis=0)
        shifts = np.repeat(np.stack([p.translation for _, p in guesses]), count, axis=0)
        x = self.x_in_marker[square] @ turns.transpose(0, 2, 1) + shifts[:, None]
        starts = [4 * i for i in np.cumsum([0, *count[:-1]]).tolist()]
        flat = self.rays[square].reshape(-1, 2)
        errors = _misfits(x.reshape(1, -1, 3), flat, starts)[0].tolist()
        for (marker, pose), error in zip(guesses, errors, strict=True):
            if np.isfinite(error):
                out[marker].append((error, pose))
        for rated in out:
            rated.sort(key=lambda q: q[0])
        return out


def _apart(poses: _Rated) -> tuple[tuple[Rigid, ...], bool]:
    """The best pose and the best that differs from it; whether the first stands clear."""
    first = poses[0]
    # The trace of what turns one into the other.
    other = (q for q in poses[1:] if np.vdot(q[1].rotation, first[1].rotation) < 2.97)
    second = next(other, None)
    if second is None:
        return (first[1],), True
    return (first[1], second[1]), second[0] > _SURE_RATIO * max(first[0], 1e-5)


@dataclass(frozen=True)
class _Square:
    """A printed square, once for all its sights: corners (4, 3) in its marker and in its plane."""

    x_in_marker: Array
    flat: Array
    square_from_marker: Rigid

    @staticmethod
    def of(x_in_marker: Array) -> _Square:
        right = x_in_marker[1] - x_in_marker[0]
        up = x_in_marker[0] - x_in_marker[3]
        right = right / np.linalg.norm(right)
        up = up / np.linalg.norm(up)
        turn = nearest_rotation(np.stack([right, up, np.cross(right, up)], axis=1))
        square_from_marker = Rigid(turn, x_in_marker.mean(axis=0)).inverse()
        flat = square_from_marker.apply(x_in_marker)
        flat[:, 2] = 0.0
        return _Square(x_in_marker, flat, square_from_marker)


def _poses_of(squares: list[_Square], quads: Array) -> list[tuple[int, Rigid]]:
    """Both poses cam_from_marker of each square seen at rays (n, 4, 2), with its number."""
    import cv2

    number: list[int] = []
    turned: list[object] = []
    shifted: list[object] = []
    eye, straight = np.eye(3), np.zeros(5)
    for i, (square, quad) in enumerate(zip(squares, quads, strict=True)):
        try:
            _, turns, shifts, _ = cv2.solvePnPGeneric(
                square.flat, quad.reshape(-1, 1, 2), eye, straight, flags=cv2.SOLVEPNP_IPPE
            )
        except cv2.error:
            continue
        number += [i] * len(turns)
        turned += turns
        shifted += shifts
    if not number:
        return []
    rotations = exp(np.asarray(turned, dtype=np.float64).reshape(-1, 3))
    places = np.asarray(shifted, dtype=np.float64).reshape(-1, 3)
    good = np.isfinite(rotations).all(axis=(1, 2)) & (places[:, 2] > 0)
    return [
        (number[c], Rigid(rotations[c], places[c]) @ squares[number[c]].square_from_marker)
        for c in np.flatnonzero(good).tolist()
    ]


@lru_cache(maxsize=4096)
def _square_of(place: TagPlace) -> _Square:
    return _Square.of(place.corners())


def square_poses(x_in_marker: Array, rays: Array) -> list[Rigid]:
    """Both poses cam_from_marker of a planar square (4, 3) seen at (4, 2) (IPPE, via OpenCV).

    The square may lie anywhere in its marker's frame (a cuff's corners are coplanar too).
    """
    return [pose for _, pose in _poses_of([_Square.of(x_in_marker)], rays[None])]


def _refined(pose: Rigid, x: Array, rays: Array) -> Rigid:
    import cv2

    turn = cv2.Rodrigues(pose.rotation)[0]
    turn, shift = cv2.solvePnPRefineLM(
        x, rays.reshape(-1, 1, 2), np.eye(3), np.zeros(5), turn, pose.translation.reshape(3, 1)
    )
    out = Rigid(np.asarray(cv2.Rodrigues(turn)[0]), np.asarray(shift, dtype=np.float64).reshape(3))
    return out if np.all(np.isfinite(out.translation)) else pose


def _applied(poses: list[Rigid], x: Array) -> Array:
    """Points (n, 3) by each of c poses, (c, n, 3)."""
    turns = np.stack([p.rotation for p in poses])
    shifts = np.stack([p.translation for p in poses])
    return np.asarray(x @ turns.transpose(0, 2, 1) + shifts[:, None])


def _misfits(x_in_cam: Array, rays: Array, starts: list[int]) -> Array:
    """Root mean square of the misfit in normalised image units; infinite behind the camera.

    Args:
        x_in_cam: (c, n, 3) points by each of c guesses.
        rays: (n, 2).
        starts: (m,) where each run of points begins that is judged by itself.

    Returns:
        (c, m).
    """
    depth = x_in_cam[..., 2:]
    behind = depth[..., 0] <= NEAREST_MM
    off = x_in_cam[..., :2] / np.maximum(depth, NEAREST_MM) - rays
    square = np.where(behind, np.inf, np.sum(off**2, axis=-1))
    counts = np.diff([*starts, len(rays)])
    return np.asarray(np.sqrt(np.add.reduceat(square, starts, axis=1) / counts))


def _starts(sights: list[Sight]) -> list[int]:
    """Where each sight's points begin when all are put one behind the other."""
    return [int(i) for i in np.cumsum([0, *(len(s.rays) for s in sights[:-1])])]


def _place_next_photo(
    sights: list[dict[int, Sight]],
    photos: dict[int, Rigid],
    markers: dict[int, Rigid],
    *,
    strict: bool,
) -> bool:
    """Place the photo that sees most placed markers. Strict asks for agreement or certainty."""
    waiting = [i for i in range(len(sights)) if i not in photos]
    waiting.sort(key=lambda i: -sum(m in markers for m in sights[i]))
    for i in waiting:
        known = [m for m in sights[i] if m in markers]
        if not known:
            return False
        best, agreeing = _best_photo_pose(sights[i], known, markers)
        if best is None:
            continue
        sure = len(agreeing) >= 2 or any(sights[i][m].sure for m in agreeing)
        if strict and (not sure or len(agreeing) < 0.5 * len(known)):
            continue
        x = np.concatenate([markers[m].apply(sights[i][m].x_in_marker) for m in agreeing])
        rays = np.concatenate([sights[i][m].rays for m in agreeing])
        photos[i] = _refined(best, x, rays)
        return True
    return False


def _best_photo_pose(
    sights: dict[int, Sight], known: list[int], markers: dict[int, Rigid]
) -> tuple[Rigid | None, list[int]]:
    largest = sorted(known, key=lambda m: -sights[m].size)[:12]
    guesses = [c @ markers[m].inverse() for m in largest for c in sights[m].candidates]
    x = np.concatenate([markers[m].apply(sights[m].x_in_marker) for m in known])
    own = [sights[m] for m in known]
    errors = _misfits(_applied(guesses, x), np.concatenate([s.rays for s in own]), _starts(own))
    # A far extrapolation from one square misses more than the square itself allows.
    agree = errors < np.maximum([s.allowed for s in own], _FAR)
    best = _best_supported(errors, agree)
    if not agree[best].any():
        return None, []
    return guesses[best], [m for m, a in zip(known, agree[best], strict=True) if a]


def _best_supported(errors: Array, agree: npt.NDArray[np.bool_]) -> int:
    """The guess, of (c, m), with which most agree; of such, the one they miss by least."""
    count = agree.sum(axis=1)
    total = np.where(agree, errors, 0.0).sum(axis=1)
    return int(np.lexsort((total, -count))[0])


def _place_markers(
    sights: list[dict[int, Sight]],
    photos: dict[int, Rigid],
    markers: dict[int, Rigid],
    *,
    strict: bool,
) -> bool:
    """Place markers that placed photos see. Strict asks for two photos or a sure pose."""
    waiting: dict[int, list[int]] = defaultdict(list)
    for i in photos:
        for m in sights[i]:
            if m not in markers:
                waiting[m].append(i)
    grown = False
    for m, seen_in in waiting.items():
        own = [sights[i][m] for i in seen_in]
        guesses, certain = [], []
        for i, sight in zip(seen_in, own, strict=True):
            for rank, cam_from_marker in enumerate(sight.candidates):
                guesses.append(photos[i].inverse() @ cam_from_marker)
                certain.append(sight.sure and rank == 0)
        errors = _misfits_in_photos(guesses, [photos[i] for i in seen_in], own)
        fine = errors < np.maximum([s.allowed for s in own], _FAR)
        best = _best_supported(errors, fine)
        votes = int(fine[best].sum())
        if votes >= 1 and (votes >= 2 or certain[best] or not strict):
            markers[m] = guesses[best]
            grown = True
            if not strict:
                return True
    return grown


def _misfits_in_photos(guesses: list[Rigid], photos: list[Rigid], sights: list[Sight]) -> Array:
    """Misfits (c, m) of c guesses of world_from_marker in m placed photos that see the marker."""
    world = _applied(guesses, np.concatenate([s.x_in_marker for s in sights]))
    counts = [len(s.rays) for s in sights]
    view = np.repeat(np.stack([p.rotation for p in photos]), counts, axis=0)
    origin = np.repeat(np.stack([p.translation for p in photos]), counts, axis=0)
    seen = (view @ world[..., None])[..., 0] + origin
    return _misfits(seen, np.concatenate([s.rays for s in sights]), _starts(sights))
