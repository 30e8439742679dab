"""A first look for tags in a photo, with corners good to a third of a pixel.

Pixel (0, 0) is the centre of the first pixel, as in OpenCV. Better edges, and tags that this
look missed, are left to `edges`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.detect.code import read_bent, read_flat
from fitscan.detect.outlines import find_outlines
from fitscan.geometry.rotation import Array

__all__ = ["Detections", "find_tags"]

_WINDOW_PX, _OTHER_WINDOWS_PX = 11, (5, 29)
"""Windows of the threshold. On the sample photos one finds as many tags as three of OpenCV's
detector do; very small tags show in a smaller one, blurred ones in a larger one."""

_ENOUGH = 8
"""With fewer tags in a photo than this the other windows are looked through too; with more it can
be placed, and what was missed is found where it must be."""


@dataclass(frozen=True)
class Detections:
    """Tags found in one photo.

    Attributes:
        ids: (n,) each id once.
        corners_px: (n, 4, 2) top-left, top-right, bottom-right, bottom-left of the black square
            as printed.
        doubles: ids that were found at more than one place of the photo, and so left out.
    """

    ids: npt.NDArray[np.intp]
    corners_px: Array
    doubles: tuple[int, ...] = ()

    def __len__(self) -> int:
        return len(self.ids)

    def keep(self, wanted: set[int]) -> Detections:
        """Only the wanted ids."""
        rows = np.array([int(i) in wanted for i in self.ids], dtype=bool)
        doubles = tuple(i for i in self.doubles if i in wanted)
        return Detections(self.ids[rows], self.corners_px[rows], doubles)


def find_tags(grey: npt.NDArray[np.uint8], smallest_px: float = 16.0) -> Detections:
    """Find tags of the family 36h11.

    Args:
        grey: (h, w) in the sensor's orientation.
        smallest_px: side of the smallest square that is looked for.
    """
    flat, quads = _read(grey, _WINDOW_PX, smallest_px)
    if len(set(flat.tolist())) < _ENOUGH:
        more = [_read(grey, window, smallest_px) for window in _OTHER_WINDOWS_PX]
        flat = np.concatenate([flat, *(m[0] for m in more)])
        quads = np.concatenate([quads, *(m[1] for m in more)])
    if len(flat) == 0:
        return Detections(flat, np.zeros((0, 4, 2)))
    once = _each_place_once(flat, quads)
    flat, quads = flat[once], quads[once]
    counted = Counter(flat.tolist())
    doubles = tuple(sorted(i for i, n in counted.items() if n > 1))
    single = np.array([counted[i] == 1 for i in flat.tolist()], dtype=bool)
    refined = np.stack([_refine(grey, q) for q in quads[single]]) if single.any() else quads[:0]
    return Detections(flat[single], refined.astype(np.float64), doubles)


def _read(
    grey: npt.NDArray[np.uint8], window_px: int, smallest_px: float
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float32]]:
    """Ids and outlines, places that were outlined twice among them."""
    quads = find_outlines(grey, window_px, smallest_px)
    flat_ids, flat, read = read_flat(grey, quads)
    bent_ids, bent, _ = read_bent(grey, quads[~read])
    return np.concatenate([flat_ids, bent_ids]), np.concatenate([flat, bent])


def _each_place_once(
    ids: npt.NDArray[np.intp], quads: npt.NDArray[np.float32]
) -> npt.NDArray[np.intp]:
    """Rows without repeats: OpenCV may outline one printed tag twice, a few pixels apart.

    Of two outlines the larger one stays. Tags with one id that lie apart are not touched.
    """
    ahead = np.roll(quads, -1, axis=1)
    area = 0.5 * np.abs(
        np.sum(quads[..., 0] * ahead[..., 1] - quads[..., 1] * ahead[..., 0], axis=1)
    )
    centres = quads.mean(axis=1)
    keep: list[int] = []
    for row in np.argsort(-area):
        near = 0.5 * np.sqrt(area[row])
        repeats = (
            ids[other] == ids[row] and np.linalg.norm(centres[other] - centres[row]) < near
            for other in keep
        )
        if not any(repeats):
            keep.append(int(row))
    return np.array(sorted(keep), dtype=np.intp)


def _refine(grey: npt.NDArray[np.uint8], quad: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Sub-pixel corners; the window stays inside the outer cell so that no code bit joins in."""
    import cv2

    sides = np.linalg.norm(quad - np.roll(quad, -1, axis=0), axis=1)
    half = int(np.clip(0.7 * sides.min() / 8.0, 1, 5))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.01)
    corners = np.ascontiguousarray(quad.reshape(-1, 1, 2))
    out = cv2.cornerSubPix(grey, corners, (half, half), (-1, -1), criteria)
    moved = np.asarray(out, dtype=np.float32).reshape(4, 2)
    far = np.linalg.norm(moved - quad, axis=1) > half + 1.0
    moved[far] = quad[far]
    return moved
