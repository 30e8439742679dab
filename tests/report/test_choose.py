"""Which photo is taken: the one on which a person would see the thing best."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from cabins import Cabin
from scenes import looking_at

from fitscan.geometry.rigid import Rigid
from fitscan.report.choose import choose_photos
from fitscan.survey.survey import PhotoEntry, Survey

BAR = np.stack([np.linspace(-400.0, 400.0, 9), np.zeros(9), np.zeros(9)], axis=1)


def with_cameras(survey: Survey, **cameras: Rigid) -> Survey:
    photos = tuple(PhotoEntry(name, "", None, (), 0.1, pose) for name, pose in cameras.items())
    return replace(survey, photos=photos)


def names(photos: tuple[PhotoEntry, ...]) -> list[str]:
    return [p.name for p in photos]


def at(x: float, y: float, z: float, aim: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Rigid:
    return looking_at(np.array([x, y, z]), np.array(aim))


def test_a_photo_with_the_whole_bar_beats_one_with_half_of_it(cabin: Cabin) -> None:
    survey = with_cameras(cabin.shut, half=at(0, -900, 300, (600, 0, 0)), whole=at(0, -900, 300))
    assert names(choose_photos(survey, BAR, 1)) == ["whole"]


def test_a_near_photo_beats_a_far_one(cabin: Cabin) -> None:
    survey = with_cameras(cabin.shut, far=at(0, -5000, 300), near=at(0, -1100, 300))
    assert names(choose_photos(survey, BAR, 1)) == ["near"]


def test_a_photo_square_to_the_bar_beats_one_along_it(cabin: Cabin) -> None:
    survey = with_cameras(cabin.shut, along=at(1500, -250, 100), square=at(0, -1500, 100))
    assert names(choose_photos(survey, BAR, 1)) == ["square"]


def test_a_photo_with_the_bar_in_its_middle_beats_one_with_it_at_the_edge(cabin: Cabin) -> None:
    survey = with_cameras(cabin.shut, edge=at(0, -1500, 0, (0, 0, 560)), middle=at(0, -1500, 0))
    assert names(choose_photos(survey, BAR, 1)) == ["middle"]


def test_a_photo_that_looks_away_is_never_taken(cabin: Cabin) -> None:
    survey = with_cameras(cabin.shut, away=at(0, -900, 300, (0, -2000, 300)))
    assert choose_photos(survey, BAR) == ()


def test_the_second_photo_comes_from_another_side(cabin: Cabin) -> None:
    survey = with_cameras(
        cabin.shut, first=at(0, -1100, 200), twin=at(40, -1120, 210), other=at(300, -500, 1300)
    )
    assert names(choose_photos(survey, BAR, 2))[1] == "other"


def test_a_photo_in_which_the_bars_cuffs_were_measured_is_not_hidden_by_anything(
    cabin: Cabin,
) -> None:
    survey = with_cameras(cabin.shut, hidden=at(0, -1000, 300), open=at(0, -1400, 300))
    assert names(choose_photos(survey, BAR, 1)) == ["hidden"]
    photos = tuple(replace(p, tags=(103, 115) if p.name == "open" else ()) for p in survey.photos)
    survey = replace(survey, photos=photos)
    # 103 and 115 are squares on the cuffs 100 and 112.
    assert names(choose_photos(survey, BAR, 1, (100, 112))) == ["open"]


def test_refused_photos_are_never_taken(cabin: Cabin) -> None:
    points = np.array([p.translation for p in cabin.shut.poses])
    chosen = choose_photos(cabin.shut, points, 99)
    assert "P1099.jpg" not in names(chosen)
    assert len(chosen) == 6


def test_the_demo_cabins_bar_is_shown_from_inside(cabin: Cabin) -> None:
    points = np.array([cabin.shut.poses[cabin.shut.row(m)].translation for m in (100, 112, 124)])
    best = names(choose_photos(cabin.shut, points, 2, (100, 112, 124)))
    assert set(best) <= {"P1000.jpg", "P1001.jpg", "P1002.jpg", "P1003.jpg"}
