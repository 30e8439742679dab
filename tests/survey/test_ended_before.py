"""Where a survey ended, kept for the next: who may begin there, and what is not believed."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from copy import copy
from dataclasses import fields, replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import numpy.typing as npt
import pytest
from painter import paint, save
from quick_shoots import PHONE, cameras, kit, paint_door, truth
from quick_shoots import door as door_scene
from scenes import looking_at

from fitscan.detect.tags import Detections, find_tags
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.store.access import make_folder
from fitscan.survey import build, ended_before, photo_work
from fitscan.survey.beside import begin_beside
from fitscan.survey.clean import Cleaned, clean
from fitscan.survey.ended_before import End
from fitscan.survey.look import Looked
from fitscan.survey.priors import Priors
from fitscan.survey.quality import Finished, Told
from fitscan.survey.rounds import Begun
from fitscan.survey.shelf import decoded
from fitscan.survey.shoot import survey_folder
from fitscan.survey.start import place
from fitscan.survey.state import State, rigid_of
from fitscan.survey.survey import Survey
from fitscan.survey.tag_block import predict_pixels


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ended") / "door"
    paint_door(folder, 4)
    return folder


Kept = tuple[End, Finished, Looked, Told]
Joined = tuple[Begun, Finished, list[Path]]


@pytest.fixture(scope="module")
def kept(door: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Kept]:
    """A cache that a survey of all photos but the last left, and what it was asked to keep."""
    folder = tmp_path_factory.mktemp("kept")
    shoot = folder / "door"
    shutil.copytree(door, shoot)
    max(shoot.glob("*.jpg")).unlink()
    asked: list[Kept] = []
    whole = build._keep_end

    def keeping(end: End, finished: Finished, looked: Looked, told: Told) -> None:
        asked.append((end, finished, looked, told))
        whole(end, finished, looked, told)

    with mock.patch.object(build, "_keep_end", keeping):
        survey_folder(shoot, kit(), workers=1, cache=folder / "cache")
    return folder / "cache", asked[0]


@pytest.fixture
def cache(kept: tuple[Path, Kept], tmp_path: Path) -> Path:
    """The same to be written to."""
    return Path(shutil.copytree(kept[0], tmp_path / "cache"))


def from_corners(shoot: Path, cache: Path, **named: object) -> bool:
    """Whether a survey began with the corners of the first look."""
    begun = []

    def counted(*some: object, **more: object) -> Cleaned:
        begun.append(bool(more.get("start_only")))
        return clean(*some, **more)  # type: ignore[arg-type]

    with mock.patch.object(build, "clean", counted):
        survey_folder(shoot, named.pop("kit", kit()), workers=1, cache=cache, **named)  # type: ignore[arg-type]
    return any(begun)


def one_more(door: Path, _: Path) -> None: ...


def one_gone(door: Path, _: Path) -> None:
    min(door.glob("*.jpg")).unlink()


def torn(_: Path, cache: Path) -> None:
    (entry,) = cache.glob("*.ended")
    entry.write_bytes(entry.read_bytes()[:-9])


@pytest.mark.parametrize(
    ("change", "expected"), [(one_more, False), (one_gone, True), (torn, True)]
)
def test_only_with_a_few_photos_more_a_survey_begins_where_the_last_ended(
    door: Path,
    cache: Path,
    tmp_path: Path,
    change: Callable[[Path, Path], None],
    expected: bool,
) -> None:
    shoot = tmp_path / "door"
    shutil.copytree(door, shoot)
    change(shoot, cache)
    assert from_corners(shoot, cache) is expected


def test_with_another_kit_or_priors_of_its_own_a_survey_begins_anew(
    door: Path, cache: Path
) -> None:
    assert from_corners(door, cache, kit=kit(rule=False))
    assert from_corners(door, cache, priors=Priors(ink_mm=0.04))


def test_an_end_comes_back_from_its_file_as_it_was(kept: tuple[Path, Kept]) -> None:
    end, finished, looked, _ = kept[1]
    ended = end.recall()
    assert ended is not None
    network, state = finished.cleaned.network, finished.cleaned.state
    assert ended.looked == looked.sha256
    assert (ended.markers, ended.cuffs) == (network.markers, network.cuffs)
    assert ended.factors == finished.cleaned.factors
    for field in fields(State):
        assert np.array_equal(getattr(ended.state, field.name), getattr(state, field.name))


def test_an_end_where_a_marker_moved_is_not_kept(kept: tuple[Path, Kept], cache: Path) -> None:
    whole, finished, looked, told = kept[1]
    end = copy(whole)
    end._place = cache / whole._place.name
    assert end.recall() is not None
    moved = replace(finished, cleaned=replace(finished.cleaned, moved=(7,)))
    build._keep_end(end, moved, looked, told)
    assert end.recall() is None


def test_a_survey_with_priors_of_its_own_leaves_no_end(door: Path, tmp_path: Path) -> None:
    survey_folder(
        door, kit(), priors=Priors(ink_mm=0.04), workers=1, cache=make_folder(tmp_path / "cache")
    )
    assert not list((tmp_path / "cache").glob("*.ended"))


def test_an_end_that_may_not_be_taken_away_stops_no_survey(
    kept: tuple[Path, Kept], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(self: Path, *, missing_ok: bool = False) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "unlink", refused)
    kept[1][0].forget()


@pytest.mark.parametrize(
    ("looked", "begins"),
    [("abcd", False), ("abcde", True), ("abce", False), ("abcdefg", False)],
    ids=["none new", "one new", "one gone", "many new"],
)
def test_who_may_begin_at_an_end(kept: tuple[Path, Kept], looked: str, begins: bool) -> None:
    ended = kept[1][0].recall()
    assert ended is not None
    assert replace(ended, looked=tuple("abcd")).begins(tuple(looked)) is begins


def test_another_program_does_not_believe_an_end(door: Path, cache: Path) -> None:
    with mock.patch.object(ended_before, "fingerprint", return_value="another"):
        assert from_corners(door, cache)


def test_a_photo_more_is_placed_beside_those_that_stand(kept: tuple[Path, Kept]) -> None:
    """Left out and placed again, a photo comes where the adjustment had it."""
    _, finished, looked, _ = kept[1]
    cleaned = finished.cleaned
    network = cleaned.network
    ended = kept[1][0].recall()
    assert ended is not None
    known = ended.placement(looked.sha256)
    last = max(known.photos)
    del known.photos[last]
    lens = replace(network.lens, values=cleaned.state.lens[0])
    placed = place(list(looked.found), [lens] * len(looked.found), network.layout, known)
    assert all(placed.photos[i] is known.photos[i] for i in known.photos)
    assert all(placed.markers[m] is known.markers[m] for m in known.markers)
    truth = rigid_of(cleaned.state.photo[last])
    off = placed.photos[last].inverse().translation - truth.inverse().translation
    assert np.linalg.norm(off) < 5.0


@pytest.fixture(scope="module")
def beside(door: Path, kept: tuple[Path, Kept], tmp_path_factory: pytest.TempPathFactory) -> Joined:
    """A survey of all photos that begins where the one of all but the last ended."""
    cache = Path(shutil.copytree(kept[0], tmp_path_factory.mktemp("beside") / "cache"))
    asked: list[Begun] = []
    finished: list[Finished] = []
    read: list[Path] = []

    def beginning(*some: Any) -> Begun:
        asked.append(begin_beside(*some))
        return asked[-1]

    def keeping(end: End, last: Finished, *rest: Any) -> None:
        finished.append(last)

    def reading(path: Path, shelf: Path | None) -> npt.NDArray[np.uint8]:
        read.append(path)
        return decoded(path, shelf)

    with (
        mock.patch.object(build, "begin_beside", beginning),
        mock.patch.object(build, "_keep_end", keeping),
        mock.patch.object(photo_work, "decoded", reading),
    ):
        survey_folder(door, kit(), workers=1, cache=cache)
    return asked[0], finished[0], read


def test_what_stood_is_held_until_the_new_photo_has_come_to_rest(
    kept: tuple[Path, Kept], beside: Joined
) -> None:
    ended = kept[1][0].recall()
    assert ended is not None
    begun, finished, _ = beside
    for sha256, stands in zip(ended.photos, ended.state.photo, strict=True):
        assert np.array_equal(begun.state.photo[begun.looked.sha256.index(sha256)], stands)
    row = begun.network.marker_row
    for marker, stands in zip(ended.markers, ended.state.marker, strict=True):
        assert np.array_equal(begun.state.marker[row[marker]], stands)
    # Near enough to the last adjustment that its edges are looked for in the right place.
    new = next(i for i, s in enumerate(begun.looked.sha256) if s not in ended.photos)
    last = finished.cleaned.network.photos.index(begun.network.photos[new])
    values = ({g.name: g.values for g in s.groups()} for s in (begun.state, finished.cleaned.state))
    squares = begun.network.all_squares
    flat = squares.take(squares.cuff < 0)
    assert begun.network.markers == finished.cleaned.network.markers
    first, then = (
        predict_pixels(flat.of_photo(i), np.zeros((len(flat), 1, 2)), v)
        for i, v in zip((new, last), values, strict=True)
    )
    assert np.abs(first - then).max() < 1.0


def test_what_the_shoot_before_has_taught_is_handed_on(
    kept: tuple[Path, Kept], beside: Joined
) -> None:
    ended = kept[1][0].recall()
    assert ended is not None
    begun = beside[0]
    assert begun.network.priors == ended.priors
    assert begun.factors == ended.factors != (1.0, 1.0)


def test_beside_what_stands_only_the_new_photo_is_decoded(door: Path, beside: Joined) -> None:
    assert set(beside[2]) == {max(door.glob("*.jpg"))}


def grown(
    folder: Path, cams: list[Rigid], poses: Callable[[int], Mapping[int, Rigid]], new: int = 1
) -> tuple[Survey, Survey, Begun]:
    """A survey that begins where the one of all photos but the last ended, and one without it;
    and what the first one begins with.
    """
    shoot = folder / "door"
    shoot.mkdir()
    for photo in range(len(cams)):
        if photo == len(cams) - new:
            survey_folder(shoot, kit(), workers=1, cache=folder / "cache")
        scene = door_scene(cams, poses(photo), 1)
        save(shoot / f"G{photo:02d}.jpg", paint(scene, photo, PHONE, 1), PHONE)
    begun: list[Begun] = []

    def beginning(*some: Any) -> Begun:
        begun.append(begin_beside(*some))
        return begun[-1]

    with mock.patch.object(build, "begin_beside", beginning):
        resumed = survey_folder(shoot, kit(), workers=1, cache=folder / "cache")
    (first,) = begun
    return resumed, survey_folder(shoot, kit(), workers=1), first


def test_a_place_that_lies_behind_an_old_photo_takes_its_square_out(tmp_path: Path) -> None:
    """A tag that one old photo showed hangs behind its camera when the new photo shows it."""
    cams = cameras(1, 8)
    whole = {m: p for m, p in truth().items() if m < 300}
    behind = Rigid(whole[34].rotation, np.array([170.0, 120.0, 950.0]))
    cams.append(looking_at(np.array([40.0, 60.0, 1450.0]), np.array([0.0, 0.0, 20.0]), 0.0))

    def poses(photo: int) -> dict[int, Rigid]:
        there = {0: whole[34], 8: behind}.get(photo)
        rest = {m: p for m, p in whole.items() if m != 34}
        return rest if there is None else {**rest, 34: there}

    resumed, anew, _ = grown(tmp_path, cams, poses)
    assert resumed.markers == anew.markers
    assert "G08.jpg" in {p.name for p in resumed.photos if p.refused is None and 34 not in p.tags}


def test_new_markers_of_new_photos_come_to_rest_with_them(tmp_path: Path) -> None:
    """Before anything that stands has moved, they are where the finished survey has them."""
    whole = {m: p for m, p in truth().items() if m < 300}
    added = {5, 112}
    fewer = {m: p for m, p in whole.items() if m not in added}
    resumed, _, begun = grown(
        tmp_path, cameras(3, 10), lambda photo: whole if photo >= 8 else fewer, new=2
    )
    assert added <= set(begun.network.markers)
    shared = [m for m in begun.network.markers if m in resumed.markers]
    row = begun.network.marker_row
    here = np.array([begun.state.marker[row[m], 9:12] for m in shared])
    there = np.array([resumed.poses[resumed.row(m)].translation for m in shared])
    old = np.array([m not in added for m in shared])
    moved = align_points(here[old], there[old], with_scale=False)
    off = np.linalg.norm(moved.apply(here) - there, axis=1)
    by_marker = dict(zip(shared, off.tolist(), strict=True))
    assert by_marker[5] < 0.1
    # Two photos show a few squares of the cuff; the rounds that follow look for its others.
    assert by_marker[112] < 1.5
    assert off[old].max() < 0.1


def test_a_marker_that_the_first_look_saw_in_the_new_photo_only_is_found_in_the_old_ones(
    tmp_path: Path,
) -> None:
    whole = find_tags

    def missing(grey: npt.NDArray[np.uint8]) -> Detections:
        seen.append(1)
        found = whole(grey)
        return found if len(seen) > len(cams) - 1 else found.keep(set(found.ids.tolist()) - {31})

    cams = cameras(2, 8)
    seen: list[int] = []
    poses = {m: p for m, p in truth().items() if m < 300}
    with mock.patch.object(photo_work, "find_tags", missing):
        resumed, *_ = grown(tmp_path, cams, lambda _: poses)
    assert 31 in resumed.markers
    assert resumed.sights[resumed.markers.index(31)] >= 6


def test_what_moved_before_the_photo_more_is_told_as_without_a_cache(tmp_path: Path) -> None:
    """A marker that only the new photo shows elsewhere: which of its places is right?"""
    shoot = tmp_path / "door"
    shoot.mkdir()
    cams = cameras(1, 8)
    for photo in range(8):
        poses = dict(truth())
        if photo == 7:
            step = poses[31].rotation @ np.array([5.0, 0.0, 0.0])
            poses[31] = Rigid(poses[31].rotation, poses[31].translation + step)
            survey_folder(shoot, kit(), workers=1, cache=tmp_path / "cache")
        scene = door_scene(cams, poses, 1)
        save(shoot / f"F{photo:02d}.jpg", paint(scene, photo, PHONE, 1), PHONE)
    (end,) = (tmp_path / "cache").glob("*.ended")
    assert end.is_file()
    with mock.patch.object(build, "clean", side_effect=clean) as cleaned:
        resumed = survey_folder(shoot, kit(), workers=1, cache=tmp_path / "cache")
    assert not any(c.kwargs.get("start_only") for c in cleaned.mock_calls)
    anew = survey_folder(shoot, kit(), workers=1)
    assert resumed.markers == anew.markers
    assert set(resumed.quality.dropped) == set(anew.quality.dropped)
    assert 31 in {d.tag_id for d in anew.quality.dropped}
