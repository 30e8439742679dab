"""The comparison's own ways to survey: the same tags, in the same order of corners."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plain_corners import DETECTORS, survey_with
from quick_shoots import kit, paint_door, truth

from fitscan.geometry.align import align_points
from fitscan.photos.read import read_photo


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plain") / "door"
    paint_door(folder, 3, photos=5)
    return folder


@pytest.mark.parametrize("name", DETECTORS)
def test_a_shoot_is_surveyed_from_a_detectors_corners_alone(door: Path, name: str) -> None:
    survey = survey_with(DETECTORS[name], door, kit(), None)
    found = np.array([p.translation for p in survey.poses])
    true = np.array([truth()[m].translation for m in survey.markers])
    off = align_points(found, true, with_scale=True).apply(found) - true
    assert np.sqrt(np.mean(np.sum(off**2, axis=1))) < 1.0
    assert survey.quality.sought == 0


def test_both_detectors_say_the_same_of_a_photo(door: Path) -> None:
    grey = read_photo(sorted(door.iterdir())[0]).grey
    one, other = (detector(grey) for detector in DETECTORS.values())
    both, here, there = np.intersect1d(one.ids, other.ids, return_indices=True)
    assert len(both) >= 10
    apart = np.abs(one.corners_px[here] - other.corners_px[there])
    assert np.median(apart) < 0.6
