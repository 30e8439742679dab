"""The same picture saved again is recognised by where its tags are, and two photos are not."""

from __future__ import annotations

import shutil
from pathlib import Path
from unittest import mock

import cv2
import numpy as np
import pytest
from painter import save
from PIL import Image, ImageOps
from quick_shoots import PHONE, STRANGER, TWIN, kit, paint_door

from fitscan.detect.tags import Detections
from fitscan.geometry.rotation import Array
from fitscan.photos.orientation import turned_upright
from fitscan.survey import look
from fitscan.survey.look import look_at, same_pictures
from fitscan.survey.shoot import survey_folder
from fitscan.survey.survey import Survey

WANTED = set(kit().tag_ids)


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("look") / "shut"
    paint_door(folder, 1, without=(STRANGER, TWIN, 200, 212))
    return folder


def grey(path: Path) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    with Image.open(path) as image:
        return np.array(image.convert("L"), dtype=np.uint8)


def saved_again(path: Path, to: Path, quality: int) -> None:
    """Decoded and encoded anew with the same EXIF, as an editing program does."""
    with Image.open(path) as image:
        image.save(to, quality=quality, exif=image.getexif())


def refused(paths: list[Path]) -> dict[str, str]:
    looked = look_at(paths, WANTED, 1, lambda *_: None)
    return {path.name: reason for path, reason in looked.refused.items()}


def test_a_picture_saved_again_softer_darker_or_smaller_in_bytes_is_named(
    shoot: Path, tmp_path: Path
) -> None:
    first, second, third = sorted(shoot.glob("*.jpg"))[:3]
    saved_again(first, tmp_path / "a again.jpg", 60)
    dark = np.clip(0.8 * grey(second) + 12.0, 0, 255).astype(np.uint8)
    Image.fromarray(dark).save(tmp_path / "b dark.jpg")
    soft = cv2.GaussianBlur(grey(third), (0, 0), 0.9)
    Image.fromarray(soft).save(tmp_path / "c soft.jpg", quality=80)
    copies = sorted(tmp_path.glob("*.jpg"))
    said = refused([first, second, third, *copies])
    assert set(said) == {c.name for c in copies}
    assert said["a again.jpg"] == (
        f"it shows the same as {first.name}, pixel for pixel: the picture saved again, or a second "
        "one from a tripod"
    )


def test_photos_from_other_places_are_not_one_picture(shoot: Path) -> None:
    assert refused(sorted(shoot.glob("*.jpg"))) == {}


def test_a_photo_moved_by_two_pixels_is_another_one(shoot: Path, tmp_path: Path) -> None:
    first = min(shoot.glob("*.jpg"))
    moved = np.roll(grey(first), (2, 1), axis=(0, 1))
    save(tmp_path / "moved.jpg", moved, PHONE)
    assert refused([first, tmp_path / "moved.jpg"]) == {}


def many(folder: Path, count: int, pictures: int) -> list[tuple[Path, Detections]]:
    """Photos of 30 tags of which some show one picture, with corners near to the limit."""
    rng = np.random.default_rng(7)
    places = rng.uniform(0.0, 3000.0, (pictures, 30, 4, 2))
    out = []
    for number in range(count):
        seen = rng.permutation(30)[: rng.integers(2, 31)]
        moved = places[number % pictures, seen] + rng.normal(0.0, 0.16, (len(seen), 4, 2))
        path = folder / f"{number}.jpg"
        path.write_bytes(b"x" * int(rng.integers(1, 9000)))
        out.append((path, Detections(seen.astype(np.intp), moved, ())))
    return out


def test_looking_near_by_finds_the_twins_that_comparing_every_pair_finds(tmp_path: Path) -> None:
    photos = many(tmp_path, 160, 20)
    stay: list[tuple[Path, Detections]] = []
    again: dict[Path, Path] = {}
    for path, found in sorted(photos, key=lambda p: -p[0].stat().st_size):
        for other, theirs in stay:
            common, mine, its = np.intersect1d(found.ids, theirs.ids, return_indices=True)
            moved = np.abs(found.corners_px[mine] - theirs.corners_px[its]).max(axis=(1, 2))
            enough = max(2, 0.7 * max(len(found), len(theirs)))
            if len(common) >= enough and np.median(moved) < 0.5:
                again[path] = other
                break
        else:
            stay.append((path, found))
    assert 5 < len(again) < 155
    assert same_pictures(photos) == again


def test_photos_that_have_no_tag_in_one_place_are_never_compared(tmp_path: Path) -> None:
    photos = many(tmp_path, 300, 300)
    with mock.patch.object(look, "_alike", wraps=look._alike) as compared:
        assert same_pictures(photos) == {}
    assert compared.call_count < 30


def oriented(source: Path, to: Path, orientation: int) -> None:
    """The sensor's bytes as they are, with another orientation in EXIF."""
    with Image.open(source) as image:
        exif = image.getexif()
        exif.get_ifd(0x8769)
    data = source.read_bytes()
    old = exif.tobytes()
    assert data.count(old) == 1
    exif[0x0112] = orientation
    assert len(exif.tobytes()) == len(old)
    to.write_bytes(data.replace(old, exif.tobytes()))


def lengths(survey: Survey) -> tuple[Array, Array]:
    """Distance of every marker's centre from the first one's, and its standard uncertainty, mm."""
    centres = np.array([p.translation for p in survey.poses])
    out, sigma = [], []
    for row in range(1, len(centres)):
        along = centres[row] - centres[0]
        length = float(np.linalg.norm(along))
        joint = survey.joint([survey.markers[0], survey.markers[row]])
        slope = np.concatenate([np.zeros(3), -along, np.zeros(3), along]) / length
        out.append(length)
        sigma.append(float(np.sqrt(slope @ joint @ slope)))
    return np.array(out), np.array(sigma)


def test_all_eight_orientations_give_the_same_survey(shoot: Path, tmp_path: Path) -> None:
    """Upright and across are mixed as people hold a phone; the sensor does not care.

    That the orientations mean what EXIF says is checked against Pillow.
    """
    place = tmp_path / "shut"
    place.mkdir()
    for number, photo in enumerate(sorted(shoot.glob("*.jpg"))):
        oriented(photo, place / photo.name, 3 + number)
    plain = survey_folder(shoot, kit(), workers=1)
    turned = survey_folder(place, kit(), workers=1)
    assert sorted(p.orientation for p in turned.photos) == [3, 4, 5, 6, 7, 8]
    assert turned.markers == plain.markers
    assert np.array_equal(turned.lens.values, plain.lens.values)
    # What is up in the survey's frame is read off how the phone was held; no length depends on it.
    for a, b in zip(lengths(plain), lengths(turned), strict=True):
        assert a == pytest.approx(b, rel=1e-9)
    for orientation in range(1, 9):
        oriented(min(shoot.glob("*.jpg")), tmp_path / "one.jpg", orientation)
        with Image.open(tmp_path / "one.jpg") as image:
            upright = np.array(ImageOps.exif_transpose(image.convert("L")))
        assert np.array_equal(turned_upright(grey(min(shoot.glob("*.jpg"))), orientation), upright)


def test_a_copy_under_another_name_and_a_burst_are_told_apart(shoot: Path, tmp_path: Path) -> None:
    """A copy byte for byte is named before any photo is opened; see `copies_among`."""
    place = tmp_path / "shut"
    shutil.copytree(shoot, place)
    names = sorted(p.name for p in place.iterdir())
    shutil.copy(place / names[0], place / "P1 (1).jpg")
    saved_again(place / names[1], place / "20260301_BURST002.jpg", 75)
    survey = survey_folder(place, kit(), workers=1)
    said = {p.name: p.refused for p in survey.photos if p.refused is not None}
    assert set(said) == {"P1 (1).jpg", "20260301_BURST002.jpg"} or set(said) == {
        names[0],
        "20260301_BURST002.jpg",
    }
    assert "pixel for pixel" in said["20260301_BURST002.jpg"]
