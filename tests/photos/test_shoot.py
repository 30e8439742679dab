from pathlib import Path

import pytest

from fitscan.errors import InputError
from fitscan.photos.shoot import copies_among, list_photos


def test_photos_come_in_the_order_a_person_counts(tmp_path: Path) -> None:
    for name in ("IMG_10.jpg", "IMG_9.JPG", "img_11.jpeg", "IMG_2.heic", "a b.png"):
        (tmp_path / name).write_bytes(b"x")
    names = [p.name for p in list_photos(tmp_path)]
    assert names == ["a b.png", "IMG_2.heic", "IMG_9.JPG", "IMG_10.jpg", "img_11.jpeg"]


def test_hidden_files_other_files_and_folders_are_skipped(tmp_path: Path) -> None:
    for name in ("a.jpg", ".b.jpg", "._a.jpg", "notes.txt", "truth.json", "a.dng"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    assert [p.name for p in list_photos(tmp_path)] == ["a.jpg"]


def test_names_with_spaces_umlauts_and_quotes_are_listed(tmp_path: Path) -> None:
    for name in ("tür auf 2.jpg", 'tür "auf" 10.jpg'):
        (tmp_path / name).write_bytes(b"x")
    assert len(list_photos(tmp_path)) == 2


def test_an_empty_folder_is_refused_with_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no photos in the folder.*put JPEG") as caught:
        list_photos(tmp_path)
    assert caught.value.where == str(tmp_path)
    assert caught.value.exit_code == 2


def test_a_folder_of_raw_files_is_refused_with_its_own_sentence(tmp_path: Path) -> None:
    (tmp_path / "a.DNG").write_bytes(b"x")
    with pytest.raises(InputError, match="raw or DNG files only"):
        list_photos(tmp_path)


def test_a_missing_folder_and_a_file_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"x")
    with pytest.raises(InputError, match="no such folder"):
        list_photos(tmp_path / "none")
    with pytest.raises(InputError, match="not a folder"):
        list_photos(tmp_path / "a.jpg")


def test_copies_of_a_file_are_named_with_the_one_that_stays(tmp_path: Path) -> None:
    for name, content in (("1.jpg", b"aa"), ("2.jpg", b"bb"), ("3.jpg", b"aa"), ("4.jpg", b"c")):
        (tmp_path / name).write_bytes(content)
    paths = list_photos(tmp_path)
    assert copies_among(paths) == {paths[2]: paths[0]}
