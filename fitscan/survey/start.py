"""Start values for a survey: every photo and marker placed well enough for the adjustment.

A square seen nearly head-on has two poses that fit almost equally well. Both are kept as
candidates, and the other photos decide: a wrong one projects wrongly elsewhere. Refining is left
to `network`.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from fitscan.detect.tags import Detections
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, nearest_rotation
from fitscan.lens.model import Lens
from fitscan.markers.layout import Layout

__all__ = ["Placement", "groups_of_photos", "place", "place_markers"]

_SURE_RATIO = 2.5
"""A pose is sure when the mirrored one fits this many times worse (reprojection error)."""

_ALLOWED_SHARE = 0.12
"""A placed marker may miss by this share of the square's side and still count as agreeing."""


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


def place(detections: list[Detections], lenses: list[Lens], layout: Layout) -> Placement:
    """Place photos one after another, starting from the one that is best known.

    Args:
        detections: per photo, ids of the layout only.
        lenses: per photo.
        layout: of the kit.
    """
    sights = [sight_markers(d, lens, layout) for d, lens in zip(detections, lenses, strict=True)]
    if not any(sights):
        return Placement({}, {})
    seed = max(range(len(sights)), key=lambda i: sum(s.sure for s in sights[i].values()))
    photos = {seed: Rigid.identity()}
    markers: dict[int, Rigid] = {m: s.candidates[0] for m, s in sights[seed].items() if s.sure}
    if not markers and sights[seed]:
        best = max(sights[seed], key=lambda m: sights[seed][m].size)
        markers[best] = sights[seed][best].candidates[0]
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
    by_marker: dict[int, list[int]] = defaultdict(list)
    for row, tag_id in enumerate(found.ids.tolist()):
        by_marker[layout.tags[tag_id].marker_id].append(row)
    out: dict[int, Sight] = {}
    for marker, rows in by_marker.items():
        sight = _sight(found, rows, lens, layout)
        if sight is not None:
            out[marker] = sight
    return out


def _sight(found: Detections, rows: list[int], lens: Lens, layout: Layout) -> Sight | None:
    places = [layout.tags[int(found.ids[r])] for r in rows]
    x = np.concatenate([p.corners() for p in places])
    rays = lens.rays(found.corners_px[rows].reshape(-1, 2))
    quads = rays.reshape(-1, 4, 2)
    size = float(np.linalg.norm(quads - np.roll(quads, -1, axis=1), axis=2).max())
    poses: list[tuple[float, Rigid]] = []
    for p, quad in zip(places, quads, strict=True):
        for cam_from_marker in square_poses(p.corners(), quad):
            poses.append((_misfit(cam_from_marker, x, rays), cam_from_marker))
    poses = [(e, p) for e, p in poses if np.isfinite(e)]
    if not poses:
        return None
    if len(places) > 1:
        refined = [_refined(p, x, rays) for _, p in sorted(poses, key=lambda q: q[0])[:3]]
        poses = [(_misfit(p, x, rays), p) for p in refined]
    poses.sort(key=lambda q: q[0])
    kept = [poses[0]]
    for error, pose in poses[1:]:
        apart = all(np.trace(pose.rotation.T @ q.rotation) < 2.97 for _, q in kept)
        if apart and len(kept) < 2:
            kept.append((error, pose))
    sure = len(kept) < 2 or kept[1][0] > _SURE_RATIO * max(kept[0][0], 1e-5)
    allowed = max(_ALLOWED_SHARE * size, 4.0 / float(lens.values[0]))
    return Sight(x, rays, allowed, tuple(p for _, p in kept), sure, size)


def square_poses(x_in_marker: Array, rays: Array) -> list[Rigid]:
    """Both poses cam_from_marker of a planar square (4, 3) seen at (4, 2) (IPPE, via OpenCV).

    The square may lie anywhere in its marker's frame (a cuff's corners are coplanar too).
    """
    import cv2

    centre = x_in_marker.mean(axis=0)
    right = x_in_marker[1] - x_in_marker[0]
    up = x_in_marker[0] - x_in_marker[3]
    right = right / np.linalg.norm(right)
    up = up / np.linalg.norm(up)
    marker_from_square = Rigid(
        nearest_rotation(np.stack([right, up, np.cross(right, up)], axis=1)), centre
    )
    flat = marker_from_square.inverse().apply(x_in_marker)
    flat[:, 2] = 0.0
    try:
        _, turns, shifts, _ = cv2.solvePnPGeneric(
            flat, rays.reshape(-1, 1, 2), np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return []
    out = []
    for turn, shift in zip(turns, shifts, strict=True):
        rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
        t = np.asarray(shift, dtype=np.float64).reshape(3)
        if np.all(np.isfinite(rotation)) and t[2] > 0:
            out.append(Rigid(rotation, t) @ marker_from_square.inverse())
    return out


def _refined(pose: Rigid, x: Array, rays: Array) -> Rigid:
    import cv2

    turn = cv2.Rodrigues(pose.rotation)[0]
    turn, shift = cv2.solvePnPRefineLM(
        x, rays.reshape(-1, 1, 2), np.eye(3), np.zeros(5), turn, pose.translation.reshape(3, 1)
    )
    out = Rigid(np.asarray(cv2.Rodrigues(turn)[0]), np.asarray(shift, dtype=np.float64).reshape(3))
    return out if np.all(np.isfinite(out.translation)) else pose


def _misfit(cam_from_marker: Rigid, x: Array, rays: Array) -> float:
    """Root mean square of the misfit in normalised image units; infinite behind the camera."""
    seen = cam_from_marker.apply(x)
    if np.any(seen[:, 2] <= 1.0):
        return float("inf")
    return float(np.sqrt(np.mean(np.sum((seen[:, :2] / seen[:, 2:] - rays) ** 2, axis=1))))


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
    best: Rigid | None = None
    best_score, best_agreeing = (-1, 0.0), []
    for m in sorted(known, key=lambda m: -sights[m].size)[:12]:
        for cam_from_marker in sights[m].candidates:
            cam_from_world = cam_from_marker @ markers[m].inverse()
            errors = {
                k: _misfit(cam_from_world @ markers[k], sights[k].x_in_marker, sights[k].rays)
                for k in known
            }
            # A far extrapolation from one square misses more than the square itself allows.
            agreeing = [k for k in known if errors[k] < max(sights[k].allowed, 0.012)]
            score = (len(agreeing), -sum(errors[k] for k in agreeing))
            if score > best_score and agreeing:
                best, best_score, best_agreeing = cam_from_world, score, agreeing
    return best, best_agreeing


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
        best: Rigid | None = None
        best_score, best_votes, best_sure = (-1, 0.0), 0, False
        for i in seen_in:
            for rank, cam_from_marker in enumerate(sights[i][m].candidates):
                world_from_marker = photos[i].inverse() @ cam_from_marker
                errors = [
                    _misfit(
                        photos[j] @ world_from_marker, sights[j][m].x_in_marker, sights[j][m].rays
                    )
                    for j in seen_in
                ]
                fine = [
                    e for e, j in zip(errors, seen_in, strict=True)
                    if e < max(sights[j][m].allowed, 0.012)
                ]  # fmt: skip
                score = (len(fine), -sum(fine))
                if score > best_score:
                    best, best_score, best_votes = world_from_marker, score, len(fine)
                    best_sure = sights[i][m].sure and rank == 0
        sure = best_votes >= 2 or best_sure
        if best is not None and best_votes >= 1 and (sure or not strict):
            markers[m] = best
            grown = True
            if not strict:
                return True
    return grown
