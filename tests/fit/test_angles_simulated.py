"""Angles of whole simulated shoots: photographed, solved, then told, against the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import cage_scene, survey_of, take_photos, well_seen

from fitscan.fit.angles import Angles, AngleWishes, find_angles
from fitscan.fit.tubes import report_tubes
from fitscan.shape.datum import car_axes
from fitscan.survey.survey import Survey

LEAN_DEG = -float(np.degrees(np.arctan(0.14)))
"""The hoop's cuffs lie on x = 200 - 0.14 z at y = +550 and -550 (see `scenes.cage_scene`)."""


@pytest.fixture(scope="module")
def survey() -> Survey:
    return survey_of(take_photos(well_seen(cage_scene(2)), 2))


@pytest.fixture(scope="module")
def angles(survey: Survey) -> Angles:
    wishes = AngleWishes(
        lean=(f"main hoop@{LEAN_DEG:.5f}",), mirror=("main hoop:1=main hoop:3",), tolerance_deg=0.02
    )
    return find_angles(survey, wishes)


def test_leans_are_within_two_hundredths_of_a_degree_and_within_u(angles: Angles) -> None:
    truth = {"lean forward": LEAN_DEG, "lean left": 0.0, "its plane's lean forward": LEAN_DEG,
             "its plane's turn in plan": 0.0, "lean forward of straight 1 less 3": 0.0}  # fmt: skip
    told = [r for r in angles.readings if r.name in truth]
    assert len(told) == 7
    for r in told:
        error = abs(r.value - truth[r.name])
        assert error < 0.02, r.name
        # Seven numbers: one may lie outside U (5 %), none outside twice of it.
        assert error < 2.0 * r.expanded, r.name
    assert sum(abs(r.value - truth[r.name]) > r.expanded for r in told) <= 1


def test_the_symmetrical_hoop_is_found_symmetrical(angles: Angles) -> None:
    rows = {r.name: r for r in angles.readings if r.unit == "mm"}
    for name in ("right one is forward by", "right one is outward by", "right one is up by"):
        assert abs(rows[name].value) < 0.15
        assert abs(rows[name].value) < 2.0 * rows[name].expanded


def test_the_datums_uncertainty_is_that_of_its_four_tags(survey: Survey) -> None:
    axes = car_axes(survey)
    # Tags 1200 mm apart tell roll, 1500 mm apart pitch and yaw, each known to some hundredths.
    assert np.degrees(axes.turn_u) == pytest.approx(np.full(3, 0.002), rel=1.0)


def test_the_hoops_two_legs_have_no_bend_between_them(survey: Survey) -> None:
    report = report_tubes(survey, ["main hoop"])
    assert [s.number for s in report.tubes[0].straights] == [1, 3]
    assert report.sentences[0].startswith("main hoop: no neighbouring straights were found")
    assert report.warnings == survey.quality.warnings
