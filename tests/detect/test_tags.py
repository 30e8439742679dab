"""The first look: ids, the order of corners, where pixels have their zero, doubles."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from tag_pictures import Develop, Plane, Sheet, flat_square, picture, sheet_of

from fitscan.detect import tags
from fitscan.detect.tags import find_tags
from fitscan.geometry.rotation import Array


def upright(side: float, tile: int, quarter: int = 0, shift: tuple[float, float] = (0, 0)) -> Plane:
    """A square seen head-on, turned clockwise by quarter turns."""
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * side
    return Plane(np.roll(square, -quarter, axis=0) + (tile - 1) / 2.0 + np.array(shift))


def shown(sheet: Sheet, seed: int = 0, develop: Develop | None = None) -> npt.NDArray[np.uint8]:
    return picture(sheet.light, develop or Develop(), np.random.default_rng(seed))


def test_every_tag_is_found_with_its_own_id() -> None:
    rng = np.random.default_rng(1)
    ids = rng.permutation(587)[:24].tolist()
    sheet = sheet_of(ids, [flat_square(rng, 48.0, 96) for _ in ids], 96, 6)
    found = find_tags(shown(sheet))
    assert sorted(found.ids.tolist()) == sorted(ids)
    assert found.doubles == ()


@pytest.mark.parametrize("quarter", range(4))
def test_corners_come_as_printed_however_the_photo_is_turned(quarter: int) -> None:
    surface = upright(60.0, 100, quarter)
    found = find_tags(shown(sheet_of([7], [surface], 100, 1)))
    corners = surface.pixels(np.array([[-4.0, 4], [4, 4], [4, -4], [-4, -4]]))
    assert np.abs(found.corners_px[0] - corners).max() < 0.6


def errors(seeds: range, develop: Develop) -> Array:
    """Corner errors (n, 4, 2) of many squares of 30 to 80 px."""
    out = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        ids = rng.permutation(587)[:18].tolist()
        surfaces = [flat_square(rng, rng.uniform(30, 80), 120) for _ in ids]
        sheet = sheet_of(ids, list(surfaces), 120, 6)
        found = find_tags(shown(sheet, seed, develop))
        order = {t: i for i, t in enumerate(ids)}
        rows = [order[int(t)] for t in found.ids]
        assert len(rows) >= 16
        out.append(found.corners_px - sheet.corners[rows])
    return np.concatenate(out)


def test_corners_are_good_to_a_third_of_a_pixel_and_pixel_zero_is_a_pixels_centre() -> None:
    error = errors(range(3), Develop())
    # Robust: a corner whose window catches a code cell may stay where the contour had it.
    assert 1.4826 * np.median(np.abs(error - np.median(error))) < 0.33
    # Half a pixel off in the convention would show here as half a pixel.
    assert np.abs(error.mean(axis=(0, 1))).max() < 0.06


def test_an_id_at_two_places_is_named_and_neither_place_is_used() -> None:
    rng = np.random.default_rng(2)
    ids = [5, 9, 5, 31]
    sheet = sheet_of(ids, [flat_square(rng, 50.0, 100) for _ in ids], 100, 2)
    found = find_tags(shown(sheet))
    assert found.doubles == (5,)
    assert sorted(found.ids.tolist()) == [9, 31]
    kept = found.keep({31})
    assert (kept.ids.tolist(), kept.doubles) == ([31], ())
    assert found.keep({5, 9}).doubles == (5,)


def test_two_of_the_same_id_only_leave_nothing_but_the_name() -> None:
    sheet = sheet_of([5, 5], [upright(50.0, 100), upright(50.0, 100)], 100, 2)
    found = find_tags(shown(sheet))
    assert len(found) == 0
    assert found.corners_px.shape == (0, 4, 2)
    assert found.doubles == (5,)


def test_a_mirror_image_is_no_tag() -> None:
    sheet = sheet_of([3, 40], [upright(60.0, 100), upright(60.0, 100)], 100, 2)
    assert len(find_tags(np.ascontiguousarray(shown(sheet)[:, ::-1]))) == 0


def test_noise_and_emptiness_hold_no_tags() -> None:
    rng = np.random.default_rng(3)
    noise = rng.integers(0, 256, (480, 640)).astype(np.uint8)
    assert len(find_tags(noise)) == 0
    empty = find_tags(np.full((480, 640), 128, dtype=np.uint8))
    assert len(empty) == 0
    assert empty.doubles == ()


def test_a_tag_as_small_as_promised_is_found_and_a_much_smaller_one_is_not_looked_for() -> None:
    surfaces = [upright(24.0, 100), upright(60.0, 100)]
    sheet = sheet_of([11, 12], list(surfaces), 100, 2)
    assert sorted(find_tags(shown(sheet), smallest_px=18.0).ids.tolist()) == [11, 12]
    assert find_tags(shown(sheet), smallest_px=40.0).ids.tolist() == [12]


def test_a_tag_that_is_outlined_twice_is_one_tag_and_keeps_its_larger_outline() -> None:
    # Two outlines of one cuff tag as OpenCV gave them on a photo.
    ids = np.array([143, 143, 7])
    quads = np.array(
        [
            [[777, 2240], [739, 2243], [739, 2208], [776, 2204]],
            [[777, 2240], [739, 2244], [736, 2203], [776, 2204]],
            [[777, 2140], [739, 2144], [736, 2103], [776, 2104]],
        ],
        dtype=np.float32,
    )
    assert tags._each_place_once(ids, quads).tolist() == [1, 2]
    ids[2] = 143
    assert tags._each_place_once(ids, quads).tolist() == [1, 2]
