"""The cache of measured edges: a second survey begins where the first ended, and says the same."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np
import numpy.typing as npt
import pytest
from quick_shoots import PHOTOS, kit, paint_door

from fitscan.detect.edges import EdgeResult, measure_edges
from fitscan.geometry.align import align_points
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit
from fitscan.survey import measure, measured_before, photo_work
from fitscan.survey.gauge import told_among
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.shelf import decoded
from fitscan.survey.shoot import survey_folder
from fitscan.survey.survey import Survey


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("measured") / "door"
    paint_door(folder, 4)
    return folder


@pytest.fixture(scope="module")
def first(door: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Survey, int, Path]:
    """A survey of all photos, how many squares it measured, and the cache that it left."""
    cache = tmp_path_factory.mktemp("kept")
    return (*surveyed(door, cache), cache)


@pytest.fixture
def cache(first: tuple[Survey, int, Path], tmp_path: Path) -> Path:
    """What the first survey left, to be written to."""
    return Path(shutil.copytree(first[2], tmp_path / "cache"))


def surveyed(folder: Path, cache: Path | None, printed: Kit | None = None) -> tuple[Survey, int]:
    """A survey in this process, and how many squares it measured."""
    count = 0

    def counted(grey: object, ids: list[int], *rest: object, **named: object) -> EdgeResult:
        nonlocal count
        count += len(ids)
        return measure_edges(grey, ids, *rest, **named)  # type: ignore[arg-type]

    with mock.patch.object(measure, "measure_edges", counted):
        return survey_folder(folder, printed or kit(), workers=1, cache=cache), count


def same(a: Survey, b: Survey) -> bool:
    return a.markers == b.markers and all(
        np.array_equal(x.rotation, y.rotation) and np.array_equal(x.translation, y.translation)
        for x, y in zip(a.poses, b.poses, strict=True)
    )


def off_over_u(a: Survey, b: Survey) -> Array:
    """By how much the markers' centres (n, 3) moved along each axis, over their U.

    Both are told against all markers together: where the survey's frame lies is a choice.
    """
    assert a.markers == b.markers
    here, there = (np.array([p.translation for p in s.poses]) for s in (a, b))
    off = align_points(here, there, with_scale=False).apply(here) - there
    out = told_among(there)
    variance = np.diag(out @ b.covariance @ out.T).reshape(-1, 6)[:, 3:]
    return np.asarray(np.abs(off) / (2.0 * np.sqrt(variance)))


def test_the_same_photos_give_the_very_same_survey_and_none_is_read(
    door: Path, first: tuple[Survey, int, Path], cache: Path
) -> None:
    again, count = surveyed(door, cache)
    assert count == 0
    assert same(again, first[0])
    assert np.array_equal(again.covariance, first[0].covariance)


def test_what_a_cache_remembers_changes_nothing_of_a_first_survey(
    door: Path, first: tuple[Survey, int, Path]
) -> None:
    alone, count = surveyed(door, None)
    assert count == first[1]
    assert same(alone, first[0])


def test_with_a_photo_more_the_others_are_hardly_measured_again(
    door: Path, first: tuple[Survey, int, Path], tmp_path: Path
) -> None:
    fewer = tmp_path / "door"
    fewer.mkdir()
    photos = sorted(door.glob("*.jpg"))
    for photo in photos[:-1]:
        shutil.copy(photo, fewer)
    surveyed(fewer, tmp_path / "cache")
    shutil.copy(photos[-1], fewer)
    grown, count = surveyed(fewer, tmp_path / "cache")
    # The new one in two rounds, and nothing else.
    assert count <= 2.0 * first[1] / PHOTOS
    off = off_over_u(grown, first[0])
    assert np.sqrt(np.mean(off**2)) < 0.05
    # The sixth photo moves predictions by more than a thirtieth does, and a few U are small.
    assert off.max() < 0.3


def photo_after_photo(door: Path, folder: Path) -> Iterator[tuple[Path, Path]]:
    """A shoot, surveyed with four photos, that grows; each time with the photo that was added."""
    shoot = folder / "door"
    shoot.mkdir()
    photos = sorted(door.glob("*.jpg"))
    for photo in photos[:4]:
        shutil.copy(photo, shoot)
    surveyed(shoot, folder / "cache")
    for photo in photos[4:]:
        shutil.copy(photo, shoot)
        yield shoot, photo


def test_photo_after_photo_a_survey_stays_what_all_at_once_give(
    door: Path, first: tuple[Survey, int, Path], tmp_path: Path
) -> None:
    """What each survey keeps of the one before adds up to a tenth of U at most, of four photos."""
    for shoot, _ in photo_after_photo(door, tmp_path):
        grown, _ = surveyed(shoot, tmp_path / "cache")
    off = off_over_u(grown, first[0])
    assert np.sqrt(np.mean(off**2)) < 0.1
    assert off.max() < 0.5


def test_what_a_survey_beside_another_measured_is_not_measured_again(
    door: Path, tmp_path: Path
) -> None:
    added: list[str] = []
    read: list[str] = []

    def reading(path: Path, shelf: Path | None) -> npt.NDArray[np.uint8]:
        read.append(path.name)
        return decoded(path, shelf)

    for shoot, photo in photo_after_photo(door, tmp_path):
        read.clear()
        with mock.patch.object(photo_work, "decoded", reading):
            surveyed(shoot, tmp_path / "cache")
        assert photo.name in read
        # The one before is an old one now.
        assert not set(added) & set(read)
        added.append(photo.name)


def test_an_answer_to_what_comes_only_once_is_kept_over_the_one_before(
    first: tuple[Survey, int, Path], tmp_path: Path
) -> None:
    (entry, *_) = first[2].glob("*.edges")
    memory = measured_before.Memory(first[2], kit())
    sha256 = entry.name.split("-")[0]
    whole = memory.nearest(sha256, None)
    assert whole is not None
    for ids in (whole.tag_ids[:3], whole.tag_ids[:0], whole.tag_ids[1:5]):
        asked = whole.only(ids)
        later = measured_before.Memory(tmp_path, kit())
        later.add(sha256, "", asked)
        later.add(sha256, "", whole.only(ids[:1]))
        later.keep()
        back = [measured_before.Memory(tmp_path, kit()).nearest(sha256, n) for n in (1, None)]
        assert all(b is not None for b in back)
        assert back[0] is not None
        assert back[0].tag_ids.tolist() == ids.tolist()
        assert back[0].expected == asked.expected
        assert all(isinstance(t, int) for b in back if b is not None for t in b.expected)
        assert np.array_equal(back[0].predicted, asked.predicted)


def spoilt_by(how: str, entries: list[Path]) -> None:
    """Spoil all entries in one way."""
    contents = [e.read_bytes() for e in entries]
    for i, (entry, content) in enumerate(zip(entries, contents, strict=True)):
        turned = bytearray(content)
        turned[len(turned) // 2] ^= 4
        other = contents[(i + 1) % len(contents)]
        torn = {"empty": b"", "torn": content[:-40], "turned": bytes(turned), "another's": other}
        entry.write_bytes(torn[how])


@pytest.mark.parametrize("how", ["empty", "torn", "turned", "another's"])
def test_a_spoilt_or_foreign_entry_is_as_if_it_were_not_there(
    door: Path, first: tuple[Survey, int, Path], cache: Path, how: str
) -> None:
    entries = sorted(cache.glob("*.edges"))
    assert len(entries) == PHOTOS
    spoilt_by(how, entries)
    again, count = surveyed(door, cache)
    assert count == first[1]
    assert same(again, first[0])
    assert surveyed(door, cache)[1] == 0


def test_another_kit_or_another_program_does_not_believe_the_entries(
    door: Path, first: tuple[Survey, int, Path], cache: Path
) -> None:
    assert surveyed(door, cache, kit(rule=False))[1] > 0.8 * first[1]
    with mock.patch.object(measured_before, "fingerprint", return_value="another"):
        again, count = surveyed(door, cache)
    assert count == first[1]
    assert same(again, first[0])


def test_a_photo_that_was_placed_elsewhere_is_measured_anew(
    door: Path, first: tuple[Survey, int, Path], cache: Path
) -> None:
    """What another camera's survey left must not be taken for what this one would measure."""
    memory = measured_before.Memory(cache, kit())
    whole = measured_before.Memory.nearest

    def elsewhere(self: object, sha256: str, number: int) -> PhotoMeasurement | None:
        m = whole(memory, sha256, number)
        assert m is not None
        return replace(m, predicted=m.predicted + 3.0, tone=0.9)

    with (
        mock.patch.object(measured_before.Memory, "answer", return_value=None),
        mock.patch.object(measured_before.Memory, "nearest", elsewhere),
    ):
        again, count = surveyed(door, cache)
    assert count >= first[1]
    assert np.sqrt(np.mean(off_over_u(again, first[0]) ** 2)) < 0.1
