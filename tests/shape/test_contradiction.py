"""Cuffs that contradict each other are named; agreeing ones are blamed at the test's alpha only."""

from __future__ import annotations

import numpy as np
import pytest
from known_surveys import cuff, known_survey, on_axis
from scenes import drawn

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.markers.kit import Kit
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.contradiction import ALPHA, contradictions
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

IDS = (100, 112, 124, 136, 148)


def bar(count: int, moved: dict[int, np.ndarray] | None = None) -> Survey:
    poses = {
        i: on_axis(np.array([0.0, 50.0, 20.0]), np.array([1.0, 0.2, -0.1]), 200.0 * n, 0.5 * n)
        for n, i in enumerate(IDS[:count])
    }
    for i, shift in (moved or {}).items():
        poses[i] = Rigid(poses[i].rotation, poses[i].translation + shift)
    return known_survey(Kit(cuff=tuple(cuff(i, "bar") for i in IDS[:count])), poses)


def rule(survey: Survey) -> AxisRule:
    return AxisRule.of(survey, straights_of(survey, "bar")[0])


@pytest.mark.parametrize("wrong", IDS)
def test_of_five_cuffs_the_one_that_slipped_is_named(wrong: int) -> None:
    survey = bar(5, {wrong: np.array([0.0, 0.6, 1.2])})
    found = contradictions(survey, rule(survey))
    assert [c.cuffs for c in found] == [(wrong,)]
    assert found[0].statistic > found[0].critical
    assert f"Cuff {wrong} on straight 1 of the bar does not lie on one line" in found[0].sentence


def test_of_three_cuffs_none_can_be_told_from_the_others() -> None:
    survey = bar(3, {112: np.array([0.0, 0.0, 2.0])})
    found = contradictions(survey, rule(survey))
    assert [c.cuffs for c in found] == [IDS[:3]]
    # A middle cuff 2 mm off the line of the outer two: 2/3 of it stays with equal weights.
    assert found[0].off_mm == pytest.approx(2.0 * 2.0 / 3.0, abs=0.1)
    assert found[0].sentence.startswith("One of the cuffs 100, 112, 124 on straight 1")


def tilted(deg: float) -> Survey:
    """Two cuffs, the second turned across the tube."""
    survey = bar(2)
    bent = Rigid(
        survey.poses[1].rotation @ exp(np.array([np.radians(deg), 0.0, 0.0])),
        survey.poses[1].translation,
    )
    poses = {100: survey.poses[0], 112: bent}
    return known_survey(
        survey.kit, poses, survey_from_car=Rigid.identity(), sigma_rad=3e-4, sigma_mm=0.02
    )


def test_paper_wrapped_a_quarter_degree_askew_is_no_mistake() -> None:
    survey = tilted(0.25)
    assert contradictions(survey, rule(survey)) == []
    worse = tilted(1.0)
    assert [c.cuffs for c in contradictions(worse, rule(worse))] == [(112,)]


def test_a_cuff_that_sits_behind_the_bend_is_askew() -> None:
    wrong = tilted(6.0)
    found = contradictions(wrong, rule(wrong))
    assert [c.cuffs for c in found] == [(112,)]
    assert found[0].askew_deg == pytest.approx(6.0, abs=0.01)
    assert "Cuff 112" in found[0].sentence
    assert "deg askew" in found[0].sentence


def test_a_lone_cuff_contradicts_nobody() -> None:
    survey = bar(1)
    assert contradictions(survey, rule(survey)) == []


@pytest.mark.parametrize("count", [2, 3, 5])
def test_agreeing_cuffs_are_blamed_no_more_often_than_alpha_says(count: int) -> None:
    survey = bar(count)
    rng = np.random.default_rng(11)
    draws = 40
    alarms = 0
    for _ in range(draws):
        one = drawn(survey, rng)
        alarms += bool(contradictions(one, rule(one)))
    # Two tests at alpha: more than three alarms of forty have a chance of about 1e-5.
    assert alarms <= max(3, 3 * 2 * ALPHA * draws)


def test_the_test_statistic_follows_its_chi_squared_distribution() -> None:
    # Global test (Baarda): its mean over drawn surveys is its degrees of freedom, 2 n - 4.
    survey = bar(4)
    from fitscan.shape import contradiction

    rng = np.random.default_rng(3)
    values = []
    original = contradiction.ALPHA
    try:
        contradiction.ALPHA = 1.0  # Every draw is told, with its statistic.
        for _ in range(80):
            one = drawn(survey, rng)
            values.append(contradiction._off_line(one, rule(one))[0].statistic)
    finally:
        contradiction.ALPHA = original
    # Standard error of the mean: sqrt(2 * 4 / 80) = 0.32.
    assert np.mean(values) == pytest.approx(4.0, abs=1.0)
