"""What a packed photo keeps and what it loses; its picture is never encoded anew."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from PIL.TiffImagePlugin import IFDRational

from fitscan.photos.container import PhotoProblem
from fitscan.photos.heic import scan_heic
from fitscan.photos.private import without_private_data
from fitscan.photos.read import read_header, read_photo, read_rgb

HEIC = Path(__file__).parent / "data"
SECRETS = (b"SERIAL-4711", b"Jo's secret", b"MAKERNOTE", b"OWNER", b"Hinterhof", b"FILM-AT-END")


def picture() -> Image.Image:
    rng = np.random.default_rng(3)
    rough = cv2.GaussianBlur(rng.integers(0, 255, (120, 160, 3), dtype=np.uint8), (0, 0), 2)
    return Image.fromarray(np.asarray(rough, dtype=np.uint8))


def private_exif() -> Image.Exif:
    """As a phone writes it: tags of EXIF 2.32 (CIPA DC-008)."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Lumen", "P7", 6
    exif[0x0132], exif[0x013B], exif[0x8298] = "2026:03:01 10:00:00", "OWNER", "OWNER"
    detail: dict[int, Any] = exif.get_ifd(0x8769)
    detail.update(
        {
            0x9003: "2026:03:01 10:00:00",
            0x920A: IFDRational(681, 100),
            0xA405: 24,
            0xA404: IFDRational(1, 1),
            0xA434: "P7 back wide 6.81mm",
            0xA002: 160,
            0xA003: 120,
            0xA430: "OWNER",
            0xA431: "SERIAL-4711",
            0xA435: "SERIAL-4711",
            0x927C: b"MAKERNOTE" * 20,
            0x9286: b"ASCII\x00\x00\x00Jo's secret",
            0xA420: "SERIAL-4711",
        }
    )
    exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 8.0, 1.5), 27: b"Hinterhof"})
    return exif


def jpeg(*, progressive: bool = False, mode: str = "RGB") -> bytes:
    out = io.BytesIO()
    options: dict[str, Any] = {"exif": private_exif(), "comment": b"Jo's secret"}
    picture().convert(mode).save(
        out, "JPEG", quality=85, progressive=progressive, restart_marker_blocks=5, **options
    )
    raw = out.getvalue()
    xmp = b"http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta>Hinterhof</x:xmpmeta>"
    maker = b"MAKERNOTE" * 9
    extra = b"".join(
        bytes([0xFF, code]) + (len(content) + 2).to_bytes(2, "big") + content
        for code, content in ((0xE1, xmp), (0xED, b"Photoshop 3.0\x00Hinterhof"), (0xE5, maker))
    )
    return raw[:2] + extra + raw[2:] + b"FILM-AT-END" * 100


def put(folder: Path, name: str, data: bytes) -> Path:
    (folder / name).write_bytes(data)
    return folder / name


@pytest.mark.parametrize("progressive", [True, False])
@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_a_jpegs_picture_is_the_same_bits_and_nothing_private_is_left(
    tmp_path: Path, progressive: bool, mode: str
) -> None:
    before = jpeg(progressive=progressive, mode=mode)
    assert sum(secret in before for secret in SECRETS) == len(SECRETS)
    after = without_private_data(before, tmp_path / "a.jpg")
    assert not [secret for secret in SECRETS if secret in after]
    assert b"2026" not in after
    with Image.open(io.BytesIO(before)) as a, Image.open(io.BytesIO(after)) as b:
        assert np.array_equal(np.array(a), np.array(b))
    # From its tables to its end the picture is copied, not encoded anew.
    start = before.index(b"\xff\xdb")
    stop = before.rindex(b"\xff\xd9") + 2
    assert before[start:stop] in after


def test_what_a_survey_needs_is_kept(tmp_path: Path) -> None:
    old = put(tmp_path, "old.jpg", jpeg())
    new = put(tmp_path, "new.jpg", without_private_data(old.read_bytes(), old))
    before, after = read_photo(old), read_photo(new)
    assert after.identity == before.identity
    assert after.identity.lens == "P7 back wide 6.81mm"
    assert (after.orientation, after.edited, after.taken_at) == (6, before.edited, None)
    assert np.array_equal(after.grey, before.grey)
    assert np.array_equal(read_rgb(new), read_rgb(old))


def test_nothing_but_the_entries_named_is_left_in_exif() -> None:
    with Image.open(io.BytesIO(without_private_data(jpeg(), Path("a.jpg")))) as image:
        exif = image.getexif()
        assert set(exif) == {0x010F, 0x0110, 0x0112, 0x8769}
        kept = {0x920A, 0xA405, 0xA404, 0xA434, 0xA002, 0xA003}
        assert set(exif.get_ifd(0x8769)) == kept
        assert not exif.get_ifd(0x8825)
        assert not exif.get_ifd(1)


def test_doing_it_twice_changes_nothing_more() -> None:
    once = without_private_data(jpeg(), Path("a.jpg"))
    assert without_private_data(once, Path("a.jpg")) == once


def test_a_png_keeps_its_pixels_and_loses_its_texts(tmp_path: Path) -> None:
    info = PngInfo()
    info.add_text("Comment", "Jo's secret")
    info.add_itxt("XML:com.adobe.xmp", "Hinterhof", zip=False)
    old = tmp_path / "old.png"
    picture().save(old, pnginfo=info, exif=private_exif())
    data = without_private_data(old.read_bytes(), old)
    new = put(tmp_path, "new.png", data)
    assert not [secret for secret in SECRETS if secret in data]
    assert read_photo(new).identity == read_photo(old).identity
    assert np.array_equal(read_rgb(new, upright=False), read_rgb(old, upright=False))


@pytest.mark.parametrize("name", [f"orientation_{i}.heic" for i in range(1, 9)])
def test_a_heics_pixels_and_orientation_stay_and_its_exif_shrinks(
    tmp_path: Path, name: str
) -> None:
    old = HEIC / name
    new = put(tmp_path, name, without_private_data(old.read_bytes(), old))
    assert read_header(new).identity == read_header(old).identity
    assert read_header(new).orientation == read_header(old).orientation
    assert np.array_equal(read_photo(new).grey, read_photo(old).grey)


def place_of_item(at: int, length: int) -> bytes:
    """Base offset, one extent, its offset from there and its length, four bytes each."""
    return at.to_bytes(4, "big") + b"\x00\x01" + bytes(4) + length.to_bytes(4, "big")


def heic_with_secrets() -> bytes:
    """A sample whose EXIF was put behind its boxes, where there is room for a phone's whole EXIF.

    Only the place and length of the EXIF item change (box iloc, ISO/IEC 14496-12, 8.11.3).
    """
    data = (HEIC / "orientation_6.heic").read_bytes()
    old = _exif_of(data)
    assert old is not None
    at = data.index(old)
    item = data[at - 4 : at]  # offset from here to the TIFF header
    new = item + b"Exif\x00\x00" * old.startswith(b"Exif") + private_exif().tobytes()[6:]
    place = place_of_item(at - 4, len(old) + 4)
    assert data.count(place) == 1
    moved = place_of_item(len(data) + 8, len(new))
    box = (len(new) + 8).to_bytes(4, "big") + b"mdat" + new
    return data.replace(place, moved) + box


def test_a_heic_loses_what_is_not_needed(tmp_path: Path) -> None:
    before = heic_with_secrets()
    old = put(tmp_path, "old.heic", before)
    assert sum(secret in before for secret in SECRETS) >= 4
    after = without_private_data(before, old)
    new = put(tmp_path, "new.heic", after)
    assert not [secret for secret in SECRETS if secret in after]
    assert b"2026" not in after
    assert read_header(new).identity == read_header(old).identity
    assert read_header(new).identity.lens == "P7 back wide 6.81mm"
    assert np.array_equal(read_photo(new).grey, read_photo(old).grey)


def _exif_of(data: bytes) -> bytes | None:
    return scan_heic(data, Path("a.heic")).exif


@given(st.data())
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damaged_photos_are_stripped_or_refused_in_one_sentence(data: st.DataObject) -> None:
    raw = bytearray(jpeg(progressive=data.draw(st.booleans())))
    for _ in range(data.draw(st.integers(1, 5))):
        raw[data.draw(st.integers(3, len(raw) - 1200))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(40, len(raw)))
    try:
        out = without_private_data(bytes(raw[:cut]), Path("a.jpg"))
    except PhotoProblem:
        return
    assert out.startswith(b"\xff\xd8")
    assert out.endswith(b"\xff\xd9")
