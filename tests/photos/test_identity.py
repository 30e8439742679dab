from dataclasses import replace

import pytest

from fitscan.photos.identity import CameraIdentity, same_camera

LUMEN = CameraIdentity("Lumen", "P7", "wide", 5.4, 26.0, 1.0, 4000, 3000)


def test_photos_of_one_camera_are_not_parted() -> None:
    assert same_camera(LUMEN, LUMEN) is None


@pytest.mark.parametrize(
    ("other", "reason"),
    [
        (replace(LUMEN, maker="Orso", model="K2"), "taken by Orso K2, not by Lumen P7"),
        (replace(LUMEN, model="P8"), "taken by Lumen P8, not by Lumen P7"),
        (replace(LUMEN, lens="tele"), r"another lens of the phone \(tele, not wide\)"),
        (replace(LUMEN, lens=None, focal_length_mm=2.2), "focal length 2.2 mm, not 5.4 mm"),
        (replace(LUMEN, digital_zoom=2.0), "digital zoom is 2, not 1"),
        (replace(LUMEN, focal_35mm=52.0), "zoomed .* 52 mm on film, not 26 mm"),
        (replace(LUMEN, width_px=2000, height_px=1500), "2000 x 1500 px, not 4000 x 3000 px"),
        (replace(LUMEN, width_px=3000, height_px=4000), "pixels were turned by a program"),
        (replace(LUMEN, maker=None, model=None), "does not say which phone took it"),
    ],
)
def test_what_differs_is_named(other: CameraIdentity, reason: str) -> None:
    import re

    said = same_camera(LUMEN, other)
    assert said is not None
    assert re.search(reason, said)


def test_a_named_photo_among_nameless_ones_is_foreign() -> None:
    nameless = replace(LUMEN, maker=None, model=None)
    assert "do not name their phone" in str(same_camera(nameless, LUMEN))
    assert same_camera(nameless, nameless) is None


def test_a_value_that_only_one_side_states_does_not_part_them() -> None:
    silent = replace(LUMEN, lens=None, focal_length_mm=None, focal_35mm=None, digital_zoom=None)
    assert same_camera(LUMEN, silent) is None
    assert same_camera(silent, LUMEN) is None


def test_a_zoom_not_stated_counts_as_none_used() -> None:
    assert "digital zoom is 3" in str(
        same_camera(replace(LUMEN, digital_zoom=None), replace(LUMEN, digital_zoom=3.0))
    )


def test_the_phones_name_is_said_once() -> None:
    assert replace(LUMEN, model="Lumen P7").phone == "Lumen P7"
    assert LUMEN.phone == "Lumen P7"
    assert replace(LUMEN, maker=None, model=None).phone == "an unnamed camera"
