"""The job's folder: names that climb, hide or collide never become paths."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitscan.errors import InputError
from fitscan.page.shop import Shop, clean_name, safe_photo_name

CLIMBING = ["", " ", ".", "..", "../x", "a/b", "a\\b", "a\0b"]
BAD = [*CLIMBING, ".hidden", "x" * 61]


@pytest.mark.parametrize("name", BAD)
def test_a_name_that_could_harm_is_refused(shop: Shop, name: str) -> None:
    with pytest.raises(InputError):
        shop.new_shoot(name)
    assert shop.shoots() == []


@given(st.text(max_size=80))
def test_whatever_name_passes_is_one_plain_folder(text: str) -> None:
    try:
        name = clean_name(text, "a shoot")
    except InputError:
        return
    assert Path(name).name == name
    assert not name.startswith((".", "-"))
    assert Path("job", name).resolve().parent == Path("job").resolve()


@given(st.text(max_size=200))
def test_a_photos_name_is_one_plain_file(text: str) -> None:
    name = safe_photo_name(text, ".jpg")
    assert Path(name).name == name
    assert name.endswith(".jpg")
    assert len(name) <= 84
    assert not set(name) & set('/\\<>"\0\n:*?|')


def test_a_shoot_that_is_there_is_used_again_whatever_its_capitals(shop: Shop) -> None:
    assert shop.new_shoot("Door shut") == "Door shut"
    assert shop.new_shoot("door  SHUT") == "Door shut"
    assert shop.shoots() == ["Door shut"]


def test_only_folders_of_the_job_are_shoots(shop: Shop, job: Path, tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (job / "photos" / "link").symlink_to(tmp_path / "outside", target_is_directory=True)
    (job / "photos" / ".hidden").mkdir()
    (job / "photos" / "file").touch()
    assert shop.shoots() == []
    for name in ("link", "../outside", ".hidden", "../results", "file"):
        with pytest.raises(InputError):
            shop.shoot(name)


@pytest.mark.parametrize("name", ["../kit", "gap", "gap-20260101-000000-zzzz", "x-1-2-3", ""])
def test_only_names_of_results_lead_to_results(shop: Shop, name: str) -> None:
    with pytest.raises(InputError):
        shop.result(name)


def test_a_folder_without_a_kit_is_no_job(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"kit\.toml"):
        Shop(tmp_path).open()
    with pytest.raises(InputError, match="no such"):
        Shop(tmp_path / "none").open()
