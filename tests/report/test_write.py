"""Picture files beside results: whole, without private data, and never over a photo."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cabins import HEIGHT, ORIENTATIONS, WIDTH, Cabin
from PIL import Image

from fitscan.errors import InputError
from fitscan.report.view import LONG_SIDE_PX
from fitscan.report.write import (
    write_gap_pictures,
    write_recheck_pictures,
    write_survey_pictures,
)
from fitscan.survey.survey import Survey

Write = Callable[..., list[Path]]


def save_photos(survey: Survey, folder: Path) -> Survey:
    """Plain photos with EXIF that nobody should see again; the survey with their hashes."""
    folder.mkdir(exist_ok=True)
    entries = []
    for number, entry in enumerate(survey.photos):
        if entry.refused is not None:
            entries.append(entry)
            continue
        exif = Image.Exif()
        exif[0x0112] = ORIENTATIONS[number]
        exif[0x013B] = "Tess Quillfeather"
        exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
        ramp = np.linspace(60, 200, WIDTH).astype(np.uint8)
        pixels = np.repeat(np.tile(ramp, (HEIGHT, 1))[..., None], 3, axis=2)
        Image.fromarray(pixels).save(folder / entry.name, "JPEG", quality=80, exif=exif)
        digest = hashlib.sha256((folder / entry.name).read_bytes()).hexdigest()
        entries.append(replace(entry, sha256=digest))
    return replace(survey, photos=tuple(entries))


@pytest.fixture(scope="module")
def shots(cabin: Cabin, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Survey, Survey]:
    folder = tmp_path_factory.mktemp("photos")
    shut = save_photos(cabin.shut, folder / "shut")
    now = save_photos(cabin.now, folder / "now")
    return folder, shut, now


def test_a_gap_gets_two_photos_a_close_up_and_a_plot(
    cabin: Cabin, shots: tuple[Path, Survey, Survey], tmp_path: Path
) -> None:
    folder, shut, _ = shots
    files = write_gap_pictures(cabin.gap, shut, cabin.opened, folder / "shut", tmp_path / "gap")
    assert [f.name for f in files] == [
        "gap-photo-1.jpg",
        "gap-photo-2.jpg",
        "gap-close-up.jpg",
        "gap-plot.png",
    ]
    assert sorted(tmp_path.iterdir()) == sorted(files)
    for file in files[:3]:
        with Image.open(file) as picture:
            assert picture.format == "JPEG"
            assert picture.width <= LONG_SIDE_PX
            assert picture.width >= 900


def test_a_recheck_and_a_survey_get_their_pictures(
    cabin: Cabin, shots: tuple[Path, Survey, Survey], tmp_path: Path
) -> None:
    folder, shut, now = shots
    files = write_recheck_pictures(
        cabin.recheck, cabin.record, now, folder / "now", tmp_path / "back"
    )
    assert [f.name for f in files] == ["back-photo-1.jpg", "back-photo-2.jpg", "back-plot.png"]
    files = write_survey_pictures(shut, folder / "shut", tmp_path / "shut")
    assert [f.name for f in files] == ["shut-photo-1.jpg", "shut-photo-2.jpg", "shut-plot.png"]


def test_nothing_of_the_photos_exif_goes_into_a_picture(
    cabin: Cabin, shots: tuple[Path, Survey, Survey], tmp_path: Path
) -> None:
    folder, shut, _ = shots
    files = write_gap_pictures(cabin.gap, shut, cabin.opened, folder / "shut", tmp_path / "gap")
    for file in files:
        data = file.read_bytes()
        assert b"Exif" not in data
        assert b"Quillfeather" not in data
        with Image.open(file) as picture:
            assert len(picture.getexif()) == 0


def test_pictures_stand_upright(
    cabin: Cabin, shots: tuple[Path, Survey, Survey], tmp_path: Path
) -> None:
    folder, shut, _ = shots
    # Photo 1 was taken with the phone held upright (EXIF 6): its ramp runs down the picture.
    only = replace(shut, photos=shut.photos[1:2])
    files = write_survey_pictures(only, folder / "shut", tmp_path / "one")
    with Image.open(files[0]) as picture:
        grey = np.asarray(picture.convert("L")).astype(float)
    photo = grey[: round(grey.shape[1] * WIDTH / HEIGHT)]
    assert len(photo) > grey.shape[1]
    assert photo[-40:].mean() - photo[:40].mean() > 80
    assert abs(photo[:, :40].mean() - photo[:, -40:].mean()) < 15


def test_without_photos_there_is_a_plot_that_says_so(cabin: Cabin, tmp_path: Path) -> None:
    said: list[str] = []
    files = write_gap_pictures(
        cabin.gap, cabin.shut, cabin.opened, None, tmp_path / "gap", say=said.append
    )
    assert [f.name for f in files] == ["gap-plot.png"]
    assert said == ["No photos were at hand, so there is no picture on a photo."]
    with_note = files[0].read_bytes()
    folder = tmp_path / "empty"
    folder.mkdir()
    told: list[str] = []
    files = write_recheck_pictures(
        cabin.recheck, cabin.record, cabin.now, folder, tmp_path / "back", say=told.append
    )
    assert [f.name for f in files] == ["back-plot.png"]
    assert any("could not be drawn on" in t for t in told)
    assert len(with_note) > 10_000


def test_a_photo_that_is_not_the_measured_one_is_not_drawn_on_and_made_up_for(
    cabin: Cabin, shots: tuple[Path, Survey, Survey], tmp_path: Path
) -> None:
    _, shut, _ = shots
    folder = tmp_path / "photos"
    good = save_photos(shut, folder)
    said: list[str] = []
    first = write_gap_pictures(cabin.gap, good, cabin.opened, folder, tmp_path / "a")
    assert len(first) == 4
    for name in ("P1000.jpg", "P1001.jpg"):
        with Image.open(folder / name) as photo:
            photo.transpose(Image.Transpose.ROTATE_180).save(folder / name)
    files = write_gap_pictures(
        cabin.gap, good, cabin.opened, folder, tmp_path / "b", say=said.append
    )
    assert [f.name for f in files][:2] == ["b-photo-1.jpg", "b-photo-2.jpg"]
    assert "P1000.jpg is not the photo that was measured; not drawn on." in said


def test_an_older_picture_is_replaced_only_when_asked(cabin: Cabin, tmp_path: Path) -> None:
    write_survey_pictures(cabin.shut, None, tmp_path / "s")
    old = (tmp_path / "s-plot.png").read_bytes()
    with pytest.raises(InputError, match="exists already"):
        write_survey_pictures(cabin.opened, None, tmp_path / "s")
    assert (tmp_path / "s-plot.png").read_bytes() == old
    write_survey_pictures(cabin.opened, None, tmp_path / "s", replace=True)
    assert (tmp_path / "s-plot.png").read_bytes() != old


def test_a_photo_is_never_written_over_even_when_replacing(cabin: Cabin, tmp_path: Path) -> None:
    photos = tuple(
        replace(p, name="x-photo-1.jpg") if p.name == "P1000.jpg" else p for p in cabin.shut.photos
    )
    survey = save_photos(replace(cabin.shut, photos=photos), tmp_path)
    before = (tmp_path / "x-photo-1.jpg").read_bytes()
    with pytest.raises(InputError, match="written over a photo"):
        write_gap_pictures(cabin.gap, survey, cabin.opened, tmp_path, tmp_path / "x", replace=True)
    assert (tmp_path / "x-photo-1.jpg").read_bytes() == before


def test_a_stem_with_dots_keeps_its_name(cabin: Cabin, tmp_path: Path) -> None:
    files = write_survey_pictures(cabin.shut, None, tmp_path / "wren 2.1 shut")
    assert files[0].name == "wren 2.1 shut-plot.png"
