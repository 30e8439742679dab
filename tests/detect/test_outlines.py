"""Outlines of dark patches; reading them finds no fewer tags than OpenCV's own detector."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
from plain_corners import find_with_opencv
from tag_pictures import Develop, flat_square, picture, sheet_of

from fitscan.detect.outlines import find_outlines
from fitscan.detect.tags import find_tags

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


def test_outlines_run_clockwise_whichever_way_a_patch_was_traced() -> None:
    rng = np.random.default_rng(1)
    ids = rng.permutation(587)[:12].tolist()
    sheet = sheet_of(ids, [flat_square(rng, 60.0, 110) for _ in ids], 110, 4)
    quads = find_outlines(picture(sheet.light, Develop(), rng), 11, 16.0)
    assert len(quads) >= len(ids)
    ahead = np.roll(quads, -1, axis=1)
    area = np.sum(quads[..., 0] * ahead[..., 1] - quads[..., 1] * ahead[..., 0], axis=1)
    assert (area > 0.0).all()
    # Each black square is among them, to a pixel or two: ink has width, pixels are whole.
    for corners in sheet.corners:
        off = np.linalg.norm(quads[:, :, None] - corners, axis=-1).min(axis=2).max(axis=1)
        assert off.min() < 3.0


def test_a_tag_that_the_frame_cuts_is_left_out_although_its_code_can_be_read() -> None:
    square = cv2.aruco.generateImageMarker(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), 42, 80
    )
    grey = np.full((200, 200), 230, dtype=np.uint8)
    grey[60:140, 100:180] = square
    assert find_tags(grey).ids.tolist() == [42]
    # Half of the outer black column is beyond the frame.
    assert len(find_tags(np.ascontiguousarray(grey[:, :175]))) == 0


def test_a_sample_photo_shows_no_fewer_tags_than_to_opencvs_own_detector() -> None:
    truth = json.loads((SAMPLES / "truth" / "cage_tacked.json").read_bytes())
    photos = sorted((SAMPLES / "cage_tacked").glob("*.jpg"))[:3]
    ours, theirs = 0, 0
    for path in photos:
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        assert grey is not None
        found = find_tags(np.asarray(grey, dtype=np.uint8))
        ours += len(found)
        theirs += len(find_with_opencv(np.asarray(grey, dtype=np.uint8)))
        assert set(found.ids.tolist()) <= {v["id"] for v in truth["photos"][path.name]["visible"]}
    assert ours >= theirs
