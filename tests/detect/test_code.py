"""Codes on paper round a tube: read where a flat grid fails, and never read into clutter."""

from __future__ import annotations

from functools import lru_cache
from unittest import mock

import cv2
import numpy as np
import numpy.typing as npt
from tag_pictures import Camera, Develop, Plane, Sheet, Tube, picture, sheet_of

from fitscan.detect import tags
from fitscan.detect.code import read_bent
from fitscan.detect.tags import Detections, find_tags
from fitscan.geometry.rotation import exp

TILE = 110


def stub_square(rng: np.random.Generator, side_px: float) -> Tube:
    """A square that spans 50 degrees of a tube, 40 degrees round the side and along it."""
    camera = Camera(1500.0, (TILE - 1) / 2.0, (TILE - 1) / 2.0)
    distance = camera.f * 15.0 / side_px
    lean = rng.choice([-0.7, 0.7])
    z = exp(np.array([0.0, 0.0, rng.uniform(0, 2 * np.pi)])) @ np.array(
        [np.cos(lean), 0.0, np.sin(lean)]
    )
    towards = np.array([0.0, 0.0, -1.0])
    x = towards - (towards @ z) * z
    x = x / np.linalg.norm(x)
    angle = rng.choice([-0.7, 0.7])
    x = np.cos(angle) * x + np.sin(angle) * np.cross(z, x)
    frame = np.stack([x, np.cross(z, x), z], axis=1)
    radius = 15.0 / np.radians(50.0)
    middle = np.array([0.0, 0.0, distance])
    return Tube(camera, middle - radius * x, frame, radius, 15.0 / 8.0)


@lru_cache(maxsize=1)
def bent_sheet() -> Sheet:
    rng = np.random.default_rng(4)
    ids = rng.permutation(587)[:24].tolist()
    surfaces: list[Plane | Tube] = [stub_square(rng, 60.0) for _ in ids]
    return sheet_of(ids, surfaces, TILE, 6, times=4)


def flat_only(grey: npt.NDArray[np.uint8]) -> Detections:
    """What is found when every outline is read as a flat square."""
    none = np.zeros(0, dtype=np.intp), np.zeros((0, 4, 2), dtype=np.float32), np.zeros(0, bool)
    with mock.patch.object(tags, "read_bent", return_value=none):
        return find_tags(grey)


def test_squares_round_a_thin_tube_are_read_where_a_flat_grid_reads_beside() -> None:
    sheet = bent_sheet()
    grey = picture(sheet.light, Develop(gamma=2.2), np.random.default_rng(1), times=4)
    flat, bent = flat_only(grey), find_tags(grey)
    assert set(bent.ids.tolist()) <= set(sheet.ids)
    assert len(flat) < 0.6 * len(sheet.ids)
    assert len(bent) >= 0.9 * len(sheet.ids)
    order = {t: i for i, t in enumerate(sheet.ids)}
    rows = [order[t] for t in bent.ids.tolist()]
    # Their corners begin at the printed top left, whichever way the tube lies.
    assert np.abs(bent.corners_px - sheet.corners[rows]).max() < 6.0


def test_clutter_in_an_outline_is_no_tag() -> None:
    rng = np.random.default_rng(2)
    grey = rng.integers(0, 2, (400, 400)).astype(np.uint8) * 200
    grey = np.asarray(cv2.resize(grey, (3200, 3200), interpolation=cv2.INTER_NEAREST), np.uint8)
    corner = rng.uniform(100, 3000, (3000, 1, 2))
    quads = corner + rng.uniform(55, 75, (3000, 1, 1)) * np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    framed = grey.copy()
    # Even with a black border drawn round the clutter, as a tag has it.
    for quad in quads.astype(int):
        cv2.rectangle(framed, quad[0].tolist(), quad[2].tolist(), 0, 9)
    for picture_ in (grey, framed):
        ids, outlines, read = read_bent(picture_, quads.astype(np.float32))
        assert len(ids) == 0
        assert outlines.shape == (0, 4, 2)
        assert not read.any()


def test_no_outlines_and_outlines_without_an_area_give_nothing() -> None:
    grey = np.full((100, 100), 120, dtype=np.uint8)
    flat = np.array([[[10, 10], [50, 10], [90, 10], [50, 10]]], dtype=np.float32)
    for quads in (np.zeros((0, 4, 2), dtype=np.float32), flat):
        assert len(read_bent(grey, quads)[0]) == 0
