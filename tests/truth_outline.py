"""A tube's outline in a rendered photo, by OpenCV from the truth, against the one that is drawn."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from scipy.spatial.transform import Rotation
from truth import Array, Truth

from fitscan.report.outline import silhouette
from fitscan.report.view import PhotoView
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

__all__ = ["outline_error_px"]


def outline_error_px(survey: Survey, truth: Truth, photo: str, tube: str) -> Array:
    """Distances (n,) of the true outline from the drawn one, px of the full photo.

    The truth is sampled: rings of the true cylinder, their outermost points to either side.
    """
    entry = next(p for p in survey.photos if p.name == photo)
    view = PhotoView.of(survey, entry)
    out = []
    for s in straights_of(survey, tube):
        point, way = truth.straight(tube, s.number)
        centres = np.array([truth.poses[c].translation for c in s.cuffs])
        along = (centres - point) @ way
        edges = [
            view.sensor_pixels(e)[0]
            for e in silhouette(s.axis, 0.5 * s.od_mm, s.span, view.eye)
        ]  # fmt: skip
        # Inside of the drawn span, so that each outermost point has a drawn line beside it.
        for at in np.linspace(along.min(), along.max(), 5):
            ring = _projected(truth, photo, _ring(point + at * way, way, 0.5 * s.od_mm))
            ahead = _projected(truth, photo, np.stack([point + at * way, point + (at + 1.0) * way]))
            square = np.array([ahead[0, 1] - ahead[1, 1], ahead[1, 0] - ahead[0, 0]])
            height = ring @ square
            for outermost in (ring[np.argmax(height)], ring[np.argmin(height)]):
                if _in_frame(truth, photo, outermost):
                    out.append(min(_distance(outermost, edge) for edge in edges))
    return np.array(out)


def _ring(middle: Array, way: Array, radius: float) -> Array:
    first = np.cross(way, [0.3, 0.5, 0.81])
    first = radius * first / np.linalg.norm(first)
    turns = Rotation.from_rotvec(np.outer(np.linspace(0, 2 * np.pi, 1441), way))
    return np.asarray(middle + turns.apply(first), dtype=np.float64)


def _projected(truth: Truth, photo: str, points: Array) -> Array:
    """Pixels of the sensor by OpenCV and the photo's true pose and lens."""
    content = truth.content["photos"][photo]
    matrix = np.array(content["cam_from_world"])
    lens = content["lens"]
    camera = np.array([[lens["fx"], 0, lens["cx"]], [0, lens["fy"], lens["cy"]], [0, 0, 1.0]])
    distortion = np.array([lens[k] for k in ("k1", "k2", "p1", "p2", "k3")])
    turn, _ = cv2.Rodrigues(matrix[:3, :3])
    pixels, _ = cv2.projectPoints(points, turn, matrix[:3, 3], camera, distortion)
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def _in_frame(truth: Truth, photo: str, pixel: Array) -> bool:
    lens = truth.content["photos"][photo]["lens"]
    return bool(np.all(pixel > 0) and pixel[0] < 2 * lens["cx"] and pixel[1] < 2 * lens["cy"])


def _distance(pixel: Array, line: Array) -> float:
    best = np.inf
    for a, b in pairwise(line):
        share = np.clip((pixel - a) @ (b - a) / max(float((b - a) @ (b - a)), 1e-12), 0.0, 1.0)
        best = min(best, float(np.linalg.norm(pixel - a - share * (b - a))))
    return float(best)
