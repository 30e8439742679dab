"""Which photos of a shoot show a thing best.

What is drawn on them is left to `overlay`.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.report.view import PhotoView, in_frame
from fitscan.survey.survey import PhotoEntry, Survey

__all__ = ["choose_photos"]

_MARGIN = 0.02
_LARGE_ENOUGH = 0.5
_APART_RAD = np.radians(20.0)


def choose_photos(
    survey: Survey, points: Array, wanted: int = 2, markers: Iterable[int] = ()
) -> tuple[PhotoEntry, ...]:
    """Best used photos for points, best first, the later ones from other sides.

    A photo is good when it has many of the points in its frame, large, seen square on rather
    than along, and near the middle. A marker that was measured in a photo cannot be hidden
    there, so photos in which the thing's own markers were measured win.

    Args:
        survey: whose photos.
        points: (n, 3) in the survey's frame.
        wanted: how many photos at most.
        markers: ids of markers that sit on the thing.

    Returns:
        photos that show at least one of the points; may be fewer than wanted.
    """
    cloud = np.atleast_2d(np.asarray(points, dtype=np.float64))
    groups = [_printed_ids(survey, m) for m in markers]
    used = [p for p in survey.photos if p.cam_from_survey is not None]
    views = [PhotoView.of(survey, p) for p in used]
    scores = [_score(v, cloud, groups) for v in views]
    middle = cloud.mean(axis=0)
    sides = [_unit(v.eye - middle) for v in views]
    chosen: list[int] = []
    while len(chosen) < wanted:
        left = [i for i in range(len(used)) if i not in chosen and scores[i] > 0.0]
        if not left:
            break
        chosen.append(max(left, key=lambda i: scores[i] * _newness(sides, chosen, i)))
    return tuple(used[i] for i in chosen)


def _printed_ids(survey: Survey, marker: int) -> frozenset[int]:
    for cuff in survey.kit.cuff:
        if cuff.first_id == marker:
            return frozenset(cuff.ids)
    return frozenset([marker])


def _score(view: PhotoView, cloud: Array, groups: list[frozenset[int]]) -> float:
    sensor, seen = view.sensor_pixels(cloud)
    inside = seen & in_frame(sensor, view.lens, _MARGIN)
    if not inside.any():
        return 0.0
    share = float(np.mean(inside))
    frame = np.array([view.lens.width_px, view.lens.height_px], dtype=np.float64)
    shown = sensor[inside]
    extent = float(np.linalg.norm(shown.max(axis=0) - shown.min(axis=0)) / np.linalg.norm(frame))
    size = min(1.0, extent / _LARGE_ENOUGH) if len(cloud) > 1 else 1.0
    away = np.linalg.norm(shown.mean(axis=0) - 0.5 * (frame - 1.0)) / np.linalg.norm(frame)
    central = 1.0 - float(away)
    measured = set(view.entry.tags)
    known = np.mean([bool(g & measured) for g in groups]) if groups else 1.0
    return share**2 * size * _facing(view, cloud) * central * (0.2 + 0.8 * float(known))


def _facing(view: PhotoView, cloud: Array) -> float:
    """How square on the cloud's two longest directions are seen, 0 (along them) to 1."""
    away = cloud - cloud.mean(axis=0)
    if len(cloud) < 2 or not away.any():
        return 1.0
    _, spread, directions = np.linalg.svd(away, full_matrices=False)
    ray = _unit(cloud.mean(axis=0) - view.eye)
    across = np.sqrt(np.clip(1.0 - (directions[:2] @ ray) ** 2, 0.0, None))
    return float(spread[:2] @ across / spread[:2].sum())


def _newness(sides: list[Array], chosen: list[int], i: int) -> float:
    """How far the view is from the chosen ones, 0.2 to 1: two like photos tell no more than one."""
    if not chosen:
        return 1.0
    nearest = max(float(sides[i] @ sides[j]) for j in chosen)
    return float(np.clip(np.arccos(np.clip(nearest, -1.0, 1.0)) / _APART_RAD, 0.2, 1.0))


def _unit(v: Array) -> Array:
    return np.asarray(v / max(float(np.linalg.norm(v)), 1e-12))
