"""72 real phone photos of a room with twenty tags on its walls, a closed loop of weak links.

Repository swatbotics/apriltag, commit 427a42c (BSD-2): an iPhone 4S, 816 x 612 px, tags of 127 mm,
the ids that each photo shows, and a lens calibrated from other photos. Nothing of it was made for
us: the paper is taped by its corners, some photos are blurred, and most show two or three tags.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from realphotos import real_photos

from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit, TagSpec
from fitscan.survey.shoot import survey_folder
from fitscan.survey.survey import Survey

pytestmark = pytest.mark.slow

KIT = Kit(tag=tuple(TagSpec(id=i, side_mm=127.0, part="room") for i in range(20)))

WALLS = ((0, 1, 2, 11), (3, 4, 5, 6, 7, 8), (9, 10, 12, 14, 15), (13, 16, 17, 18))
"""As the photos show them; tag 19 is on the door beside tag 18, which stands back in its frame."""

LINK = (0, 11)
"""Neighbours whose link closes the loop; without the photos that show both, it is open."""


@pytest.fixture(scope="module")
def photos() -> Path:
    return real_photos("room")


@pytest.fixture(scope="module")
def seen(photos: Path) -> dict[str, set[int]]:
    """Published: the ids that each photo shows."""
    lines = (photos / "groundtruth.txt").read_text(encoding="utf-8").split("\n")
    words = [line.split() for line in lines if line.strip()]
    return {name: {int(i) for i in ids} for name, *ids in words}


@pytest.fixture(scope="module")
def room(photos: Path) -> Survey:
    return survey_folder(photos, KIT)


def test_every_photo_and_every_tag_joins_one_map(room: Survey) -> None:
    assert {p.name: p.refused for p in room.photos if p.refused} == {}
    assert len(room.photos) == 72
    assert set(room.markers) == set(range(20))


def test_what_is_measured_in_a_photo_is_what_the_photo_shows(
    room: Survey, seen: dict[str, set[int]]
) -> None:
    for photo in room.photos:
        assert set(photo.tags) <= seen[photo.name], photo.name
    measured = sum(len(p.tags) for p in room.photos)
    assert measured >= 0.95 * sum(len(ids) for ids in seen.values())


def off_plane(survey: Survey, wall: tuple[int, ...]) -> Array:
    centres = np.array([survey.poses[survey.row(i)].translation for i in wall])
    centred = centres - centres.mean(axis=0)
    return np.asarray(centred @ np.linalg.svd(centred)[2][2])


@pytest.mark.parametrize("wall", WALLS)
def test_tags_of_one_wall_lie_in_a_plane_within_millimetres(
    room: Survey, wall: tuple[int, ...]
) -> None:
    """Measured: 1.5, 1.0, 2.9 and 8.6 mm, the last over 3.1 m, where few photos hang together."""
    assert np.abs(off_plane(room, wall)).max() < 10.0


def test_the_tag_in_glare_is_named_or_does_no_harm(room: Survey) -> None:
    """The publisher's own solution has tag 9 as an outlier, because glare eats into its border."""
    named = {d.tag_id for d in room.quality.dropped}
    row = WALLS[2].index(9)
    assert 9 in named or abs(off_plane(room, WALLS[2])[row]) < 3.0


def test_the_lens_that_the_survey_finds_is_the_published_one(room: Survey) -> None:
    """Published, from photos of a chessboard: fx 765.00, fy 764.18, cx 393.72, cy 304.66."""
    f, aspect, cx, cy = room.lens.values[:4]
    assert f == pytest.approx(765.0, rel=0.006)
    assert f * aspect == pytest.approx(764.18, rel=0.006)
    assert [cx, cy] == pytest.approx([393.72, 304.66], abs=4.0)


def test_the_open_loop_closes_within_a_fiftieth_of_its_way(
    photos: Path, seen: dict[str, set[int]], room: Survey, tmp_path: Path
) -> None:
    """The chain goes once round the room, through every link but one, from tag 0 back to tag 11."""
    opened = tmp_path / "room"
    opened.mkdir()
    for name, ids in seen.items():
        if not set(LINK) <= ids:
            shutil.copy(photos / name, opened)
    chain = survey_folder(opened, KIT)
    a, b = LINK

    def from_a(survey: Survey) -> Array:
        poses = survey.poses
        return (poses[survey.row(a)].inverse() @ poses[survey.row(b)]).translation

    gap_mm = float(np.linalg.norm(from_a(chain) - from_a(room)))
    centres = np.array([p.translation for p in room.poses])
    way_mm = float(np.ptp(centres, axis=0)[:2].sum() * 2.0)
    expanded_mm = 2.0 * float(np.sqrt(np.trace(chain.joint([a, b])[9:, 9:])))
    print(f"loop of {way_mm:.0f} mm closes to {gap_mm:.0f} mm, stated U {expanded_mm:.0f} mm")
    assert gap_mm < way_mm / 50.0
