"""What photos a survey takes, what it refuses by name, and what it says when too little is left."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from commands import Commands, Finished, Job, Result
from painter import save
from PIL import Image
from quick_shoots import PHONE, PHOTOS, STRANGER, paint_door, truth


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """An empty folder to work in, with a shoot to fill."""
    (tmp_path / "shoot").mkdir()
    return tmp_path


def refused(commands: Commands, job: Job, place: Path, *options: str | Path) -> str:
    """The sentence of a survey of `place / "shoot"`."""
    words = ("survey", "shoot", "--kit", job.folder / "kit.toml", "--workers", "1")
    return commands.refused(*words, "--out", "new.json", *options, where=place)


def altered(photo: Path, to: Path, *, model: str = "Test Phone", zoom: float = 1.0) -> None:
    """A photo as another phone or with digital zoom would have stored it."""
    save(to, np.array(Image.open(photo).convert("L"), dtype=np.uint8), PHONE, model=model)
    if zoom != 1.0:
        image = Image.open(to)
        exif = image.getexif()
        exif.get_ifd(0x8769)[0xA404] = zoom
        image.save(to, exif=exif, quality=PHONE.jpeg)


def photos(job: Job) -> list[Path]:
    return sorted((job.folder / "shut").glob("*.jpg"))


# ---------------------------------------------------------------- used in part


def test_what_does_not_belong_to_a_shoot_is_refused_by_name_and_the_rest_is_used(
    refitted: Result,
) -> None:
    listed = {p["name"]: p["refused"] for p in refitted.content["photos"]}
    assert {name for name, reason in listed.items() if reason is None} == {
        f"P3{i:02d}.jpg" for i in range(PHOTOS)
    }
    assert {name: reason for name, reason in listed.items() if reason is not None} == {
        "X1 friend's phone.jpg": (
            "it was taken by Invented Otherphone 2, not by Invented Test Phone"
        ),
        "X2 shrunk.jpg": "it is 800 x 600 px, not 1600 x 1200 px",
        "X3 cut.jpg": "this photo is cut short, its end is missing",
        "X4 copy (1).jpg": "it is the same file as P303.jpg",
        "X5.jpg": "this file is not a photo, whatever its name says",
        "X6 from messenger.jpg": (
            "it does not say which phone took it, and Invented Test Phone is expected"
        ),
    }
    screen = " ".join(refitted.said.out.split())
    assert f"{PHOTOS} used, 6 refused" in screen
    for name, reason in listed.items():
        assert (f"Refused: {name}: {reason}" in screen) == (reason is not None)


def test_ids_that_the_kit_does_not_know_are_ignored_with_a_warning(refitted: Result) -> None:
    warning = f"Ids that the kit does not know were ignored: {STRANGER}"
    assert warning in refitted.content["quality"]["warnings"]
    assert f"Warning: {warning}" in " ".join(refitted.said.out.split())
    assert STRANGER not in {m["id"] for m in refitted.content["markers"]}


def test_an_id_printed_twice_is_left_out_with_a_warning(refitted: Result) -> None:
    warning = "Tag 2 is there twice and was left out: print another id"
    assert warning in refitted.content["quality"]["warnings"]
    assert f"Warning: {warning}" in " ".join(refitted.said.out.split())
    assert {m["id"] for m in refitted.content["markers"] if m["part"] == "shell"} == {
        i for i in range(8) if i != 2
    }


def test_of_two_phones_the_one_with_fewer_photos_is_refused_by_name(
    commands: Commands, job: Job, place: Path
) -> None:
    for photo in photos(job)[:2]:
        shutil.copy(photo, place / "shoot")
    altered(photos(job)[2], place / "shoot" / "A.jpg", model="Otherphone 2")
    words = ("survey", "shoot", "--kit", job.folder / "kit.toml", "--workers", "1")
    finished = commands.run(*words, "--out", "new.json", "--no-pictures", "--quiet", where=place)
    assert finished == Finished(0, "", "")
    listed = Result(place / "new.json", finished).content["photos"]
    assert {p["name"]: p["refused"] for p in listed} == {
        "A.jpg": "it was taken by Invented Otherphone 2, not by Invented Test Phone",
        "P100.jpg": None,
        "P101.jpg": None,
    }


# ---------------------------------------------------------------- nothing left


def test_an_empty_folder(commands: Commands, job: Job, place: Path) -> None:
    assert refused(commands, job, place) == (
        "fitscan: There are no photos in the folder (shoot): put JPEG, HEIC or PNG photos into it."
    )


def test_a_folder_that_does_not_exist(commands: Commands, job: Job, place: Path) -> None:
    (place / "shoot").rmdir()
    sentence = "fitscan: There is no such folder (shoot): check the name."
    assert refused(commands, job, place) == sentence


def test_a_file_where_a_folder_is_meant(commands: Commands, job: Job, place: Path) -> None:
    (place / "shoot").rmdir()
    shutil.copy(photos(job)[0], place / "shoot")
    assert "a file, not a folder of photos (shoot): name the folder" in refused(
        commands, job, place
    )


def test_a_folder_with_other_files_only(commands: Commands, job: Job, place: Path) -> None:
    (place / "shoot" / "notes.txt").write_text("Tuesday", encoding="utf-8")
    (place / "shoot" / ".P1.jpg").write_bytes(b"a phone's hidden leftover")
    assert "There are no photos in the folder (shoot)" in refused(commands, job, place)


def test_a_folder_with_raw_files_only(commands: Commands, job: Job, place: Path) -> None:
    (place / "shoot" / "P1.DNG").write_bytes(b"II*\x00" + bytes(100))
    sentence = refused(commands, job, place)
    assert "raw or DNG files only" in sentence
    assert "save the photos as JPEG on the phone" in sentence


def test_photos_without_a_tag(commands: Commands, job: Job, place: Path) -> None:
    shutil.copytree(job.folder / "bare wall", place / "shoot", dirs_exist_ok=True)
    assert refused(commands, job, place) == (
        "fitscan: No tag of the kit was found in any photo (shoot): check that the kit belongs to "
        "these photos, and that the tags are sharp and lit."
    )


def test_one_photo_only(commands: Commands, job: Job, place: Path) -> None:
    shutil.copy(photos(job)[0], place / "shoot")
    assert refused(commands, job, place) == (
        "fitscan: Only one photo shows tags of the kit: P100.jpg (shoot): take at least two "
        "photos from different places, better eight or more."
    )


def test_one_photo_left_says_what_became_of_the_others(
    commands: Commands, job: Job, place: Path
) -> None:
    shutil.copy(photos(job)[0], place / "shoot")
    shutil.copy(photos(job)[0], place / "shoot" / "P900.jpg")
    for photo in photos(job)[1:4]:
        (place / "shoot" / photo.name).write_bytes(photo.read_bytes()[:40_000])
    sentence = refused(commands, job, place)
    assert "P900.jpg: it is the same file as P100.jpg" in sentence
    assert "P101.jpg and 2 more: this photo is cut short" in sentence


def test_photos_cut_short_are_not_blamed_on_the_tags(
    commands: Commands, job: Job, place: Path
) -> None:
    for photo in photos(job)[:3]:
        (place / "shoot" / photo.name).write_bytes(photo.read_bytes()[:40_000])
    assert refused(commands, job, place) == (
        "fitscan: No photo of this shoot can be used (shoot; P100.jpg and 2 more: this photo is "
        "cut short, its end is missing): copy the photos from the phone again, or take new ones."
    )


def test_files_that_only_look_like_photos(commands: Commands, job: Job, place: Path) -> None:
    (place / "shoot" / "a.jpg").write_bytes(b"")
    (place / "shoot" / "b.jpg").write_text("hello", encoding="utf-8")
    sentence = refused(commands, job, place)
    assert "No photo of this shoot can be used" in sentence
    assert "a.jpg: this photo is empty" in sentence
    assert "b.jpg: this file is not a photo" in sentence


def test_photos_in_groups_that_share_nothing_are_named_group_by_group(
    commands: Commands, job: Job, place: Path
) -> None:
    some = tuple(m for m in truth() if m < 8)
    rest = tuple(m for m in truth() if m >= 8)
    paint_door(place / "shoot", 4, without=some, photos=2)
    paint_door(place / "shoot", 5, without=rest, photos=2)
    assert refused(commands, job, place) == (
        "fitscan: The photos fall into 2 groups that share no marker: P400.jpg, P401.jpg; "
        "P500.jpg, P501.jpg (shoot): add photos that show markers of two groups together."
    )


# ---------------------------------------------------------------- another camera


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        (
            {"model": "Otherphone 2"},
            "it was taken by Invented Otherphone 2, not by Invented Test Phone",
        ),
        ({"zoom": 2.0}, "its digital zoom is 2, not 1"),
    ],
)
def test_photos_that_the_camera_file_does_not_hold_for(
    commands: Commands, job: Job, place: Path, camera: Result, changes: dict[str, object],
    reason: str,
) -> None:  # fmt: skip
    for photo in photos(job)[:2]:
        altered(photo, place / "shoot" / photo.name, **changes)  # type: ignore[arg-type]
    assert refused(commands, job, place, "--camera", camera.file) == (
        f"fitscan: No photo belongs to the camera file: the first one is refused because {reason} "
        "(camera file of Invented Test Phone): give the camera file of the phone, lens, zoom and "
        "photo size that were used here, or calibrate them."
    )


def test_photos_of_another_size_than_the_camera_files(
    commands: Commands, job: Job, place: Path, camera: Result
) -> None:
    for photo in photos(job)[:2]:
        grey = np.array(Image.open(photo).convert("L"), dtype=np.uint8)
        save(place / "shoot" / photo.name, grey[::2, ::2].copy(), PHONE)
    sentence = refused(commands, job, place, "--camera", camera.file)
    assert "refused because it is 800 x 600 px, not 1600 x 1200 px" in sentence


def test_photos_that_say_nothing_of_their_lens_need_a_camera_file(
    commands: Commands, job: Job, place: Path
) -> None:
    for photo in photos(job)[:2]:
        Image.open(photo).save(place / "shoot" / photo.name)
    sentence = refused(commands, job, place)
    assert "do not say how wide their view is" in sentence
    assert "run `fitscan calibrate` and give its result with --camera" in sentence
