"""The lens from board photos on the command line: what is said of photos, board and result."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from commands import Job, Result
from quick_shoots import LENS

BOARD = "charuco:7x10:26:19:DICT_5X5_100"


def test_the_lens_of_the_phone_comes_out(camera: Result) -> None:
    content = camera.content
    assert content["lens"]["f_px"] == pytest.approx(float(LENS.values[0]), abs=3.0)
    assert content["identity"]["model"] == "Test Phone"
    assert all(p["used"] for p in content["photos"])
    assert "written: camera.json" in camera.said.out


@pytest.mark.parametrize(
    ("board", "words"),
    [
        ("foo", "The kind of board is neither charuco nor chess (--board foo)"),
        ("charuco:7x10:26:19", "too few or too many parts (--board charuco:7x10:26:19)"),
        ("charuco:7by10:26:19:DICT_5X5_100", '"7by10" is not columns x rows'),
        ("charuco:7x10:26:26:DICT_5X5_100", "markers are not smaller than its squares"),
        ("charuco:7x10:-26:19:DICT_5X5_100", 'The square\'s side "-26" is not a length'),
        ("charuco:7x10:26:19:DICT_9X9", 'The marker dictionary "DICT_9X9" is not known'),
        ("charuco:20x30:26:19:DICT_4X4_50", "needs 300 markers and DICT_4X4_50 has 50"),
        ("chess:7x7:30", "as many columns as rows"),
    ],
)
def test_a_wrong_description_of_the_board_is_refused_before_any_photo_is_read(
    job: Job, board: str, words: str
) -> None:
    sentence = job.refused("calibrate", "no such photo.jpg", "--board", board, "--out", "new.json")
    assert words in sentence


def test_another_board_than_the_photos_show_points_at_the_description(job: Job) -> None:
    other = "charuco:5x8:26:19:DICT_4X4_50"
    sentence = job.refused("calibrate", "board", "--board", other, "--out", "new.json")
    assert "No photo shows the board well, and 6 are needed (B0.jpg: the board is not" in sentence
    assert "compare --board with the words on the board's sheet" in sentence


def test_photos_that_show_no_board(job: Job) -> None:
    sentence = job.refused("calibrate", "bare wall", "--board", BOARD, "--out", "new.json")
    assert sentence.startswith("fitscan: No photo shows the board well, and 6 are needed (W1.jpg")


def test_too_few_photos(job: Job) -> None:
    photos = [f"board/B{i}.jpg" for i in range(3)]
    assert job.refused("calibrate", *photos, "--board", BOARD, "--out", "new.json") == (
        "fitscan: Only 3 of 3 photos show the board well, and 6 are needed (photos of the board): "
        "take 12 or more sharp photos of the flat board, tilted and filling the frame."
    )


def test_the_same_photo_again_does_not_count(job: Job, tmp_path: Path) -> None:
    for i in range(5):
        shutil.copy(job.folder / "board" / f"B{i}.jpg", tmp_path / f"B{i}.jpg")
    for i in range(3):
        shutil.copy(job.folder / "board" / f"B{i}.jpg", tmp_path / f"B{i} copy.jpg")
    sentence = job.refused("calibrate", tmp_path, "--board", BOARD, "--out", "new.json")
    assert "Only 5 of 8 photos show the board well" in sentence
    assert "it is a copy of B" in sentence


def test_a_photo_that_is_not_there(job: Job) -> None:
    words = ("calibrate", "board/B0.jpg", "nowhere.jpg", "--board", BOARD, "--out", "new.json")
    assert job.refused(*words) == "fitscan: There is no such file (nowhere.jpg): check the name."


def test_a_folder_without_photos(job: Job, tmp_path: Path) -> None:
    sentence = job.refused("calibrate", tmp_path, "--board", BOARD, "--out", "new.json")
    assert "There are no photos in the folder" in sentence
