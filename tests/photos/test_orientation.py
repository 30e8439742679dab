import numpy as np
import pytest
from PIL import Image, ImageOps

from fitscan.errors import InputError
from fitscan.photos.orientation import turned_to_sensor, turned_upright, upright_pixels

EIGHT = range(1, 9)


def picture() -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    return np.arange(5 * 7, dtype=np.uint8).reshape(5, 7)


@pytest.mark.parametrize("orientation", EIGHT)
def test_upright_agrees_with_pillow(orientation: int) -> None:
    # Pillow's exif_transpose is the independent reference for all eight.
    image = Image.fromarray(picture())
    image.getexif()[0x0112] = orientation
    expected = np.asarray(ImageOps.exif_transpose(image))
    np.testing.assert_array_equal(turned_upright(picture(), orientation), expected)


def test_three_is_a_half_turn_six_a_quarter_clockwise_eight_a_quarter_anticlockwise() -> None:
    # EXIF 2.32, tag 0x0112.
    p = picture()
    np.testing.assert_array_equal(turned_upright(p, 3), p[::-1, ::-1])
    np.testing.assert_array_equal(turned_upright(p, 6), p[::-1].T)
    np.testing.assert_array_equal(turned_upright(p, 8), p.T[::-1])


@pytest.mark.parametrize("orientation", EIGHT)
def test_turning_to_the_sensor_undoes_turning_upright(orientation: int) -> None:
    colour = np.random.default_rng(4).integers(0, 255, (5, 7, 3), dtype=np.uint8)
    back = turned_to_sensor(turned_upright(colour, orientation), orientation)
    np.testing.assert_array_equal(back, colour)


@pytest.mark.parametrize("orientation", EIGHT)
def test_pixel_coordinates_follow_the_pixels(orientation: int) -> None:
    p = picture()
    upright = turned_upright(p, orientation)
    y, x = np.mgrid[:5, :7]
    xy = np.stack([x, y], axis=-1).astype(np.float64)
    moved = np.rint(upright_pixels(xy, orientation, 7, 5)).astype(int)
    np.testing.assert_array_equal(upright[moved[..., 1], moved[..., 0]], p)


@pytest.mark.parametrize("orientation", [0, 9, -1])
def test_an_orientation_that_does_not_exist_is_refused(orientation: int) -> None:
    with pytest.raises(InputError, match="does not exist"):
        turned_upright(picture(), orientation)
