"""What one process does with one photo: the first look, and measuring on the model.

It imports little, because every process has to; who calls it, and with what, is `look`'s business.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections, find_tags
from fitscan.errors import FitscanError
from fitscan.photos.read import Photo, read_photo
from fitscan.survey.expected import Asked, expected_in
from fitscan.survey.found_before import keep, recall
from fitscan.survey.measure import measure_expected
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.shelf import decoded, lay_down

__all__ = ["look", "measure", "tags_in"]


def look(
    path: Path, shelf: Path | None, cache: Path | None = None
) -> tuple[str, int, Detections] | str:
    """Read a photo and find tags: hash, orientation and tags, or why it cannot be read.

    Args:
        path: of the photo.
        shelf: folder for decoded photos, which all processes read from later.
        cache: folder of what was found before, see `found_before`.
    """
    _one_thread()
    try:
        photo = read_photo(path)
    except FitscanError as error:
        return error.what[:1].lower() + error.what[1:]
    if shelf is not None:
        lay_down(photo.grey, path, shelf)
    return photo.sha256, photo.orientation, tags_in(photo, cache)


def tags_in(photo: Photo, cache: Path | None) -> Detections:
    """Find tags in a photo that is decoded already, or say again what was found in it."""
    known = recall(cache, photo.sha256) if cache is not None else None
    if known is not None:
        return known[2]
    found = find_tags(photo.grey)
    if cache is not None:
        keep(cache, (photo.sha256, photo.orientation, found))
    return found


def measure(
    path: Path,
    shelf: Path | None,
    asked: Asked,
    values: Values,
    found: Detections,
) -> PhotoMeasurement:
    """Measure the expected squares of one photo, see `expected_in` and `measure_expected`."""
    _one_thread()
    size = asked.before.size_px if asked.before is not None else (0, 0)
    # A photo that needs no look is not even decoded.
    grey = decoded(path, shelf) if 0 in size else None
    if grey is not None:
        size = (grey.shape[1], grey.shape[0])
    expected = expected_in(replace(asked, size_px=size), values)
    if len(expected.part) == 0:
        return expected.joined()
    grey = decoded(path, shelf) if grey is None else grey
    return measure_expected(grey, expected, values, found)


def _one_thread() -> None:
    """OpenCV's own threads only get in the way of one process per core."""
    import cv2

    cv2.setNumThreads(1)
