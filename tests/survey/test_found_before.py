"""The cache of the first look: only new photos are looked at, and no bad entry is believed."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from quick_shoots import kit, paint_door

from fitscan.detect.tags import Detections, find_tags
from fitscan.job.layout import keep_job
from fitscan.page.look import glance
from fitscan.photos.read import GreyPixels
from fitscan.store.digest import sha256_of_file
from fitscan.survey import found_before, photo_work
from fitscan.survey.found_before import keep, unseen
from fitscan.survey.look import Looked, look_at


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cache") / "door"
    paint_door(folder, 4, photos=3)
    return folder


def looked(photos: list[Path], cache: Path | None) -> tuple[Looked, int]:
    """A first look in this process, and how many photos tags were looked for in."""
    count = 0

    def counted(grey: GreyPixels) -> object:
        nonlocal count
        count += 1
        return find_tags(grey)

    with mock.patch.object(photo_work, "find_tags", counted):
        result = look_at(photos, set(kit().tag_ids), 1, lambda *_: None, None, cache)
    return result, count


def same(a: Looked, b: Looked) -> bool:
    return (
        (a.sha256, a.orientation) == (b.sha256, b.orientation)
        and all(np.array_equal(x.ids, y.ids) for x, y in zip(a.found, b.found, strict=True))
        and all(
            np.array_equal(x.corners_px, y.corners_px) and x.doubles == y.doubles
            for x, y in zip(a.found, b.found, strict=True)
        )
    )


def test_only_the_photo_that_was_added_is_looked_at(door: Path, tmp_path: Path) -> None:
    photos = sorted(door.glob("*.jpg"))
    assert looked(photos[:2], tmp_path)[1] == 2
    again, count = looked(photos, tmp_path)
    assert count == 1
    assert same(again, looked(photos, None)[0])
    assert looked(photos, tmp_path)[1] == 0


def test_a_photo_is_known_by_its_content_not_by_its_name(door: Path, tmp_path: Path) -> None:
    first, second = sorted(door.glob("*.jpg"))[:2]
    moved = tmp_path / first.name
    moved.write_bytes(first.read_bytes())
    assert looked([moved], tmp_path / "c")[1] == 1
    (tmp_path / "c").mkdir(exist_ok=True)
    looked([moved], tmp_path / "c")
    moved.write_bytes(second.read_bytes())
    result, count = looked([moved], tmp_path / "c")
    assert count == 1
    assert same(result, looked([moved], None)[0])


SHORT = b'{"ids": [1], "corners_px": [], "doubles": [], "orientation": 1}'


def test_a_corner_that_a_bad_disk_moved_is_not_believed(door: Path, tmp_path: Path) -> None:
    photo = sorted(door.glob("*.jpg"))[:1]
    right, _ = looked(photo, tmp_path)
    (entry,) = tmp_path.glob("*.json")
    content = json.loads(entry.read_bytes())
    content["corners_px"][0][0][0] += 4.0
    entry.write_text(json.dumps(content), encoding="utf-8")
    result, count = looked(photo, tmp_path)
    assert count == 1
    assert same(result, right)


@pytest.mark.parametrize("spoilt", [b"", b"\x00\xff", b"[]", b"{}", SHORT])
def test_a_spoilt_entry_is_found_anew(door: Path, tmp_path: Path, spoilt: bytes) -> None:
    photo = sorted(door.glob("*.jpg"))[:1]
    right, _ = looked(photo, tmp_path)
    (entry,) = tmp_path.glob("*.json")
    entry.write_bytes(spoilt)
    result, count = looked(photo, tmp_path)
    assert count == 1
    assert same(result, right)
    assert looked(photo, tmp_path)[1] == 0


def test_another_finder_does_not_believe_the_entries(door: Path, tmp_path: Path) -> None:
    photo = sorted(door.glob("*.jpg"))[:1]
    looked(photo, tmp_path)
    with mock.patch.object(found_before, "_finder", return_value="another"):
        assert looked(photo, tmp_path)[1] == 1


def test_a_photo_that_the_page_glanced_at_is_not_looked_at_again(
    door: Path, tmp_path: Path
) -> None:
    keep_job(tmp_path)
    shoot = Path(shutil.copytree(door, tmp_path / "photos" / "door"))
    photos = sorted(shoot.glob("*.jpg"))[:2]
    said = glance(photos[0], kit(), None, None)
    assert len(list((tmp_path / found_before.HIDDEN).glob("*.json"))) == 1
    assert glance(photos[0], kit(), None, None) == said
    with_cache, count = looked(photos, found_before.cache_of_job(shoot))
    assert count == 1
    assert same(with_cache, looked(photos, None)[0])


def test_a_photo_is_unseen_until_an_entry_has_its_content_under_whatever_name(
    tmp_path: Path,
) -> None:
    cache = tmp_path / "cache"
    cache.mkdir()
    photos = [tmp_path / f"{n}.jpg" for n in "abc"]
    for photo in photos:
        photo.write_bytes(photo.name.encode())
    assert unseen(photos, None) == unseen(photos, cache) == 3
    nothing = Detections(np.zeros(0, np.intp), np.zeros((0, 4, 2)), ())
    keep(cache, (sha256_of_file(photos[0]), 1, nothing))
    assert unseen(photos, cache) == 2
    photos[0] = photos[0].rename(tmp_path / "d.jpg")
    assert unseen(photos, cache) == 2
    photos[1].unlink()  # A file that cannot be read is nobody's work.
    assert unseen(photos, cache) == 1
