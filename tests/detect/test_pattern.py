"""Border points of a tag against the printed picture itself."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fitscan.detect.pattern import edge_points
from fitscan.geometry.rotation import Array

IDS = (0, 1, 17, 250, 586)


def drawn_by_opencv(tag_id: int, cell: int = 20) -> Array:
    """The tag with a quiet zone of three cells as OpenCV draws it, 1 where paper shows."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    image = cv2.aruco.generateImageMarker(dictionary, tag_id, 8 * cell, borderBits=1)
    return np.pad(np.asarray(image) > 127, 3 * cell, constant_values=True).astype(float)


def paper_at(image: Array, uv: Array, cell: int = 20) -> Array:
    """What the picture shows at places (k, 2) in cells."""
    column = ((uv[:, 0] + 7.0) * cell).astype(int)
    row = ((7.0 - uv[:, 1]) * cell).astype(int)
    return np.asarray(image[row, column])


@pytest.mark.parametrize("tag_id", IDS)
def test_white_lies_ahead_of_a_border_where_its_polarity_says_so(tag_id: int) -> None:
    image, points = drawn_by_opencv(tag_id), edge_points(tag_id)
    normal = np.eye(2)[points.axis]
    step = 0.2 * normal
    change = paper_at(image, points.uv + step) - paper_at(image, points.uv - step)
    assert np.array_equal(change, points.polarity)
    assert set(np.unique(points.polarity)) == {-1.0, 1.0}


@pytest.mark.parametrize("tag_id", IDS)
def test_every_border_of_the_picture_is_measured_three_times(tag_id: int) -> None:
    cells = drawn_by_opencv(tag_id)[10::20, 10::20]
    borders = np.sum(cells[:, 1:] != cells[:, :-1]) + np.sum(cells[1:] != cells[:-1])
    assert len(edge_points(tag_id)) == 3 * borders


@pytest.mark.parametrize("tag_id", IDS)
def test_the_patch_round_a_border_is_what_the_picture_shows_there(tag_id: int) -> None:
    image, points = drawn_by_opencv(tag_id), edge_points(tag_id)
    along = np.eye(2)[points.axis]
    # Across is the other axis, growing.
    across = np.eye(2)[1 - points.axis]
    middle = points.uv - points.across[:, None] * across
    for i in range(4):
        for j in range(3):
            place = middle + (i - 1.5) * along + (j - 1) * across
            assert np.array_equal(paper_at(image, place), points.patch[:, i, j])
