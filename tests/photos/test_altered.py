"""Photos that are no longer as the phone took them, each named with its reason."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fitscan.photos.altered import altered_among
from fitscan.photos.identity import CameraIdentity
from fitscan.photos.read import PhotoHeader, read_header

NOON = datetime(2026, 3, 1, 12, 0, 0)
CAMERA = CameraIdentity("Lumen", "P7", "wide", 5.4, 26.0, 1.0, 4032, 3024)
NAMELESS = CameraIdentity(None, None, None, None, None, None, 1080, 2400)


def header(
    name: str, later: timedelta | None = timedelta(0), camera: CameraIdentity = CAMERA
) -> PhotoHeader:
    changed = NOON + later if later is not None else None
    return PhotoHeader(Path(name), name, camera, 1, NOON, None, changed)


def reasons(*headers: PhotoHeader) -> dict[str, str]:
    return {path.name: words for path, words in altered_among(headers).items()}


def test_photos_as_the_phone_took_them_are_left_alone() -> None:
    burst = [header(f"20260301_120000_BURST{i:03d}.jpg") for i in range(6)]
    night = header("night.jpg", timedelta(seconds=35))
    silent = header("silent.jpg", None)
    assert reasons(*burst, night, silent) == {}


@pytest.mark.parametrize(
    ("later", "words"),
    [
        (timedelta(minutes=2), "2 minutes"),
        (timedelta(hours=1, minutes=59), "1 hour"),
        (timedelta(days=3), "3 days"),
    ],
)
def test_one_photo_that_a_program_wrote_again_is_refused(later: timedelta, words: str) -> None:
    plain = [header(f"P{i}.jpg") for i in range(3)]
    assert reasons(*plain, header("IMG_E0004.jpg", later)) == {
        "IMG_E0004.jpg": f"a program changed it {words} after it was taken, and may have bent or "
        "moved its lines"
    }


def test_where_all_photos_were_written_again_that_was_their_way_here() -> None:
    assert reasons(*(header(f"P{i}.jpg", timedelta(hours=5)) for i in range(4))) == {}


@pytest.mark.parametrize(
    "name", ["Screenshot_20260301-120000.png", "Bildschirmfoto 1.png", "screen shot.PNG"]
)
def test_a_screenshot_is_known_by_its_name_where_it_names_no_lens(name: str) -> None:
    said = {name: "it is a picture of a screen, not a photo"}
    assert reasons(header(name, None, NAMELESS), header("P1.jpg")) == said
    assert reasons(header(name), header("P1.jpg")) == {}


def written(path: Path, size: tuple[int, int], detail: dict[int, Any]) -> PhotoHeader:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Lumen", "P7"
    exif.get_ifd(0x8769).update({0x920A: 5.4, 0xA405: 26, **detail})
    Image.fromarray(np.zeros(size[::-1], np.uint8)).save(path, exif=exif)
    return read_header(path)


def test_a_phones_own_word_for_a_screenshot_is_read(tmp_path: Path) -> None:
    """EXIF 2.32: eight bytes of character code, then the comment."""
    comment = {0x9286: b"ASCII\x00\x00\x00Screenshot"}
    screen = written(tmp_path / "IMG_0007.jpg", (64, 48), comment)
    assert reasons(screen) == {"IMG_0007.jpg": "it is a picture of a screen, not a photo"}


def test_a_cut_photo_is_refused_with_the_size_that_it_had(tmp_path: Path) -> None:
    cut = written(tmp_path / "a.jpg", (50, 48), {0xA002: 64, 0xA003: 48})
    assert reasons(cut) == {
        "a.jpg": "it was cut out of a photo of 64 x 48 px, so the lens's middle is not known in it"
    }
    whole = written(tmp_path / "b.jpg", (64, 48), {0xA002: 64, 0xA003: 48})
    smaller = written(tmp_path / "c.jpg", (32, 24), {0xA002: 64, 0xA003: 48})
    assert reasons(whole, smaller) == {}
