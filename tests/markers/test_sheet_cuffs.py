"""Cuffs: their sizes for any tube, and the printed strip wrapped on a drawn tube and read back."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from printed import Array, Grey, Printed

from fitscan.markers.family import cells
from fitscan.markers.layout import Layout
from fitscan.markers.sheet_cuffs import COLUMNS, cuff_shape
from fitscan.markers.sheets import SheetRequest, TubeRequest, make_sheets

DIRECTIONS = 48


def look_at(strip: Grey, radius_px: float, direction: float) -> Grey:
    """Orthographic view of a strip (its width is one turn) on an upright tube.

    The strip's left edge lies at angle 0, its print outwards, x anticlockwise seen from above;
    the camera looks at the angle `direction` (rad) from outside, its up is the tube's +z.
    """
    fine = 4
    half = math.ceil(1.15 * radius_px) * fine
    offset = (np.arange(-half, half) + 0.5) / (radius_px * fine)
    # A camera outside sees angles grow to its right.
    angle = direction + np.arcsin(np.clip(offset, -1.0, 1.0))
    per_turn = strip.shape[1] / (2 * np.pi)
    height = round(strip.shape[0] / per_turn * radius_px) * fine
    x = np.mod(angle, 2 * np.pi) * per_turn - 0.5
    y = (np.arange(height) + 0.5) / height * strip.shape[0] - 0.5
    map_x, map_y = (m.astype(np.float32) for m in np.meshgrid(x, y))
    view = cv2.remap(strip, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    view[:, np.abs(offset) >= 1.0] = 120
    view = cv2.copyMakeBorder(view, 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=120)
    small = cv2.resize(view, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(cv2.GaussianBlur(small, (0, 0), 0.7), dtype=np.uint8)


def read(view: Grey) -> dict[int, Array]:
    """Corners (4, 2) px by id."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(view)
    quads = [np.asarray(c, float).reshape(4, 2) for c in corners]
    found = [int(i) for i in np.ravel(ids)] if quads else []
    return dict(zip(found, quads, strict=True))


def strip_with(columns: int) -> Grey:
    """A strip of two rows, 1.3 sides apart, as an image."""
    cell = 10
    pitch = round(8 * cell * 1.3)
    image = np.full((2 * pitch + 4 * cell, columns * pitch), 255, np.uint8)
    for n in range(2 * columns):
        row, column = divmod(n, columns)
        y, x = 2 * cell + row * pitch + (pitch - 8 * cell) // 2, column * pitch
        x += (pitch - 8 * cell) // 2
        tag = np.kron(cells(n), np.ones((cell, cell)))
        image[y : y + 8 * cell, x : x + 8 * cell] = (255 * tag).astype(np.uint8)
    return image


@given(od=st.floats(20.0, 76.0), paper=st.floats(0.0, 1.0))
def test_neighbours_on_a_cuff_have_at_least_one_white_cell_each(od: float, paper: float) -> None:
    shape = cuff_shape(od, paper)
    assert shape.length == pytest.approx(math.pi * (od + 2 * paper))
    assert shape.column_pitch * shape.columns == pytest.approx(shape.length)
    cell = shape.side / 8
    assert shape.column_pitch - shape.side >= 2 * cell
    assert shape.row_pitch - shape.side >= 2 * cell
    assert shape.quiet >= cell
    # And the next half millimetre would be too much.
    assert (shape.side + 0.5) * 1.3 > shape.column_pitch


@pytest.mark.parametrize(("od", "side"), [(20.0, 7.0), (38.0, 13.0), (45.0, 15.5), (76.0, 26.0)])
def test_tags_are_as_large_as_seven_round_the_tube_allow(od: float, side: float) -> None:
    assert cuff_shape(od, 0.15).side == side


def test_seven_columns_are_the_fewest_that_show_a_readable_tag_from_everywhere() -> None:
    def blind(columns: int) -> int:
        strip = strip_with(columns)
        turns = np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS
        return sum(not read(look_at(strip, 75.0, t)) for t in turns)

    assert COLUMNS == 7
    assert blind(7) == 0
    assert blind(6) > 0
    assert blind(5) > blind(6)


@pytest.mark.parametrize("od", [20.0, 45.0, 76.0])
def test_a_printed_strip_wrapped_on_its_tube_reads_where_the_kit_says(
    tmp_path: Path, od: float
) -> None:
    tubes = (TubeRequest("main hoop", od, cuffs=1),)
    result = make_sheets(SheetRequest(tubes=tubes, board=False), tmp_path)
    cuff, layout = result.kit.cuff[0], Layout.of(result.kit)
    page, _ = Printed(result.pdf, 400.0).page_of(cuff.first_id)
    once = math.pi * (od + 0.3)
    rows = np.array([page.square(page.tags[i]) for i in (cuff.ids[0], cuff.ids[-1])])
    left = rows[0, :2].mean() - once / cuff.columns / 2
    middle = (rows[0, 2] + rows[1, 3]) / 2
    tall = cuff.side_mm + cuff.row_pitch_mm + 2.2 * cuff.side_mm / 8
    paper = 1.0 - page.black(left, left + once, middle - tall / 2, middle + tall / 2)
    strip = np.round(255.0 * paper).astype(np.uint8)
    radius_px = 90.0
    seen: set[int] = set()
    for n in range(24):
        direction = n * 2 * np.pi / 24
        view = look_at(strip, radius_px, direction)
        for tag_id, corners in read(view).items():
            seen.add(tag_id)
            centre = layout.tags[tag_id].points(np.zeros((1, 2)))[0]
            right = np.array([-math.sin(direction), math.cos(direction), 0.0])
            scale = radius_px / (od / 2 + 0.15)
            want = np.array([view.shape[1] / 2, view.shape[0] / 2]) - 0.5
            want += [scale * (centre @ right), -scale * centre[2]]
            # The diagonals' crossing of a bent square: true to a tenth of its side.
            np.testing.assert_allclose(corners.mean(axis=0), want, atol=0.1 * cuff.side_mm * scale)
            assert corners[0, 1] < corners[3, 1], "the tag stands upside down"
    assert seen == set(cuff.ids)
