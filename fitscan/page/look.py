"""What can be said of one photo the moment it is here: tags, sharpness, lens.

Said before any survey, so that a bad photo is taken again while the phone is still at the car.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from fitscan.errors import FitscanError
from fitscan.geometry.rotation import Array
from fitscan.lens.camera_file import CameraFile
from fitscan.lens.match import lens_for
from fitscan.markers.kit import Kit
from fitscan.photos.identity import CameraIdentity, same_camera
from fitscan.photos.read import GreyPixels, read_header, read_photo

__all__ = ["Glance", "Glances", "glance", "softness_px"]

_FEW_TAGS = 4
_SOFT_PX = 3.0
"""A border that takes more than this from black to white is blurred; sharp ones take a third."""


@dataclass(frozen=True)
class Glance:
    """What one photo shows.

    Attributes:
        name: of the photo.
        tags: of the kit that the first look found.
        unknown: ids that are not in the kit.
        softness_px: how far a border takes from black to white, median; None without tags.
        mark: "good", "weak" (used, but of little help) or "bad" (of no use).
        sentence: in the fitter's words.
    """

    name: str
    tags: int
    unknown: tuple[int, ...]
    softness_px: float | None
    mark: Literal["good", "weak", "bad"]
    sentence: str


def softness_px(grey: GreyPixels, corners_px: Array) -> float | None:
    """How many pixels the outer borders of tags take from white to black, median.

    The distance is contrast over steepest slope, taken across the middle of each border.

    Args:
        grey: (h, w).
        corners_px: (n, 4, 2).
    """
    widths = []
    height, width = grey.shape
    for quad in np.asarray(corners_px, dtype=np.float64):
        middle = quad.mean(axis=0)
        for i in range(4):
            on = 0.5 * (quad[i] + quad[(i + 1) % 4])
            out = on - middle
            reach = float(np.linalg.norm(out))
            if reach < 6.0:
                continue
            steps = np.linspace(-0.22 * reach, 0.22 * reach, 25)
            at = on + steps[:, None] * out / reach
            x, y = np.rint(at).astype(int).T
            if x.min() < 0 or y.min() < 0 or x.max() >= width or y.max() >= height:
                continue
            profile = _bilinear(grey, at)
            contrast = float(np.ptp(profile))
            if contrast > 25.0:
                slope = float(np.max(np.abs(np.diff(profile)))) / float(steps[1] - steps[0])
                widths.append(contrast / slope)
    return float(np.median(widths)) if widths else None


def _bilinear(grey: GreyPixels, at: Array) -> Array:
    x0 = np.clip(np.floor(at[:, 0]).astype(int), 0, grey.shape[1] - 2)
    y0 = np.clip(np.floor(at[:, 1]).astype(int), 0, grey.shape[0] - 2)
    fx, fy = at[:, 0] - x0, at[:, 1] - y0
    block = grey[y0.min() : y0.max() + 2, x0.min() : x0.max() + 2].astype(np.float64)
    x0, y0 = x0 - x0.min(), y0 - y0.min()
    top = block[y0, x0] * (1 - fx) + block[y0, x0 + 1] * fx
    low = block[y0 + 1, x0] * (1 - fx) + block[y0 + 1, x0 + 1] * fx
    return np.asarray(top * (1 - fy) + low * fy)


def glance(
    path: Path, kit: Kit, camera: CameraFile | None, others: CameraIdentity | None
) -> Glance:
    """Look at one photo.

    Args:
        path: the photo.
        kit: what is printed.
        camera: of the job, if calibrated.
        others: the camera of the photos that the shoot already has.
    """
    from fitscan.survey.found_before import cache_of_job
    from fitscan.survey.photo_work import tags_in

    try:
        header = read_header(path)
        foreign = _foreign(header.identity, camera, others)
        if foreign is not None:
            return Glance(path.name, 0, (), None, "bad", f"Not used: {foreign}.")
        photo = read_photo(path)
    except FitscanError as error:
        return Glance(path.name, 0, (), None, "bad", f"{error.what}: {error.todo}.")
    # The survey that follows finds it there, and looks at none of these photos again.
    found = tags_in(photo, cache_of_job(path.parent))
    ids = set(found.ids.tolist())
    ours = ids & set(kit.tag_ids)
    kept = found.keep(ours)
    soft = softness_px(photo.grey, kept.corners_px)
    unknown = tuple(sorted(ids - ours))
    mark, sentence = _judged(len(ours), soft, unknown, kept.doubles, photo.edited)
    return Glance(path.name, len(ours), unknown, soft, mark, sentence)


def _foreign(
    identity: CameraIdentity, camera: CameraFile | None, others: CameraIdentity | None
) -> str | None:
    if others is not None:
        return same_camera(others, identity)
    if camera is not None:
        try:
            return lens_for([identity], camera).refused.get(0)
        except FitscanError as error:
            return error.what
    return None


def _judged(
    tags: int,
    soft: float | None,
    unknown: tuple[int, ...],
    doubles: tuple[int, ...],
    edited: str | None,
) -> tuple[Literal["good", "weak", "bad"], str]:
    seen = f"{tags} tag{'' if tags == 1 else 's'} seen"
    if tags == 0:
        return "bad", "No tag of the kit is seen: nearer, more light, or a steadier hand."
    if soft is not None and soft > _SOFT_PX:
        return "weak", f"{seen}, but blurred by {soft:.0f} px: hold still and take it again."
    if doubles:
        named = ", ".join(map(str, doubles[:4]))
        return "weak", f"{seen}; tag {named} is there twice: printed twice, or a reflection."
    if edited is not None:
        return "weak", f"{seen}, but {edited}: send the photo as the phone took it."
    if tags < _FEW_TAGS:
        return "weak", f"Only {seen}: step back or turn, so that four or more are in it."
    if unknown:
        named = ", ".join(map(str, unknown[:4]))
        return "good", f"{seen}, sharp; tag {named} is not in the kit."
    return "good", f"{seen}, sharp."


class Glances:
    """Every photo's glance, worked out once, one photo at a time."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, int, int], Glance] = {}
        self._one = threading.Lock()

    def known(self, path: Path) -> Glance | None:
        """The glance of a photo that was looked at."""
        return self._known.get(_key(path))

    def of(
        self, path: Path, kit: Kit, camera: CameraFile | None, others: CameraIdentity | None
    ) -> Glance:
        """Look at a photo, or say again what was seen."""
        with self._one:
            key = _key(path)
            if key not in self._known:
                self._known[key] = glance(path, kit, camera, others)
            return self._known[key]


def _key(path: Path) -> tuple[str, int, int]:
    state = path.stat()
    return str(path), state.st_size, state.st_mtime_ns
