"""What an undecided number's uncertainty is made of, held against the law of propagation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bare_cages import bare_survey, cage_moved, truth
from cabins import make_cabin
from scenes import drawn

from fitscan.fit.deciding import Influence, what_decides
from fitscan.fit.recheck import recheck
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rotation import Array
from fitscan.survey.survey import RuleCheck, Survey


def independent(scale_u: float = 0.0) -> Survey:
    """Markers that know nothing of each other but their common scale."""
    survey = bare_survey(seed=4)
    rng = np.random.default_rng(8)
    sigma = np.tile([0.001] * 3 + [0.05] * 3, len(survey.markers)) * rng.uniform(
        0.5, 2.0, 6 * len(survey.markers)
    )
    centre = np.mean([p.translation for p in survey.poses], axis=0)
    stretch = np.zeros((len(survey.markers), 6))
    stretch[:, 3:] = [p.translation - centre for p in survey.poses]
    common = scale_u * stretch.reshape(-1)
    return replace(
        survey,
        covariance=np.diag(sigma**2) + np.outer(common, common),
        quality=replace(survey.quality, scale_u=scale_u),
    )


def distance(survey: Survey, a: int, b: int) -> tuple[float, Array, tuple[int, int]]:
    """Distance of two centres and its gradient."""
    away = survey.poses[survey.row(a)].translation - survey.poses[survey.row(b)].translation
    size = float(np.linalg.norm(away))
    gradient = np.zeros(12)
    gradient[3:6], gradient[9:12] = away / size, -away / size
    return size, gradient, (a, b)


def test_parts_are_those_of_the_variance_and_add_up_to_one() -> None:
    survey = independent(2e-4)
    value, gradient, pair = distance(survey, 100, 140)
    u = float(np.sqrt(gradient @ survey.joint(list(pair)) @ gradient))
    found = what_decides(value, 2.0 * u, value + 1.2 * u, [Influence(survey, pair, gradient)])
    parts = {s.name.split(" ")[0] + s.name.split(" ")[1]: s.part for s in found.shares}
    assert sum(parts.values()) == pytest.approx(1.0)
    assert parts["thescale"] == pytest.approx((2e-4 * value / u) ** 2, rel=1e-6)
    for marker, columns in zip(pair, (slice(3, 6), slice(9, 12)), strict=True):
        row = survey.row(marker)
        own = survey.covariance[6 * row + 3 : 6 * row + 6, 6 * row + 3 : 6 * row + 6]
        way = gradient[columns]
        centre = np.mean([p.translation for p in survey.poses], axis=0)
        arm = 2e-4 * (survey.poses[row].translation - centre)
        # Without what the scale does to it, this marker's part is its own variance.
        expected = way @ (own - np.outer(arm, arm)) @ way / u**2
        assert parts[f"cuff{marker}"] == pytest.approx(expected, rel=1e-6)
    assert found.needed == pytest.approx(1.2 * u)
    assert [s.part for s in found.shares] == sorted((s.part for s in found.shares), reverse=True)


def test_where_the_scale_is_the_doubt_a_rule_is_asked_for() -> None:
    survey = independent(1e-3)
    value, gradient, pair = distance(survey, 100, 140)
    u = float(np.sqrt(gradient @ survey.joint(list(pair)) @ gradient))
    one = Influence(survey, pair, gradient)
    found = what_decides(value, 2.0 * u, value + 1.5 * u, [one])
    assert found.shares[0].name.startswith("the scale")
    assert "a rule with a measured length" in found.sentence
    rule = RuleCheck((90, 91), 800.0, 0.3, 0.1, 0.5, 1.0)
    ruled = replace(survey, quality=replace(survey.quality, rules=(rule,)))
    second = what_decides(value, 2.0 * u, value + 1.5 * u, [replace(one, survey=ruled)])
    assert "a second rule" in second.sentence


def test_a_number_on_the_limit_is_not_promised_a_deciding_photo() -> None:
    survey = independent()
    value, gradient, pair = distance(survey, 100, 140)
    found = what_decides(value, 0.2, value + 0.01, [Influence(survey, pair, gradient)])
    assert "no photo will decide that" in found.sentence


def test_a_shoot_that_is_over_is_not_asked_for_photos() -> None:
    before = bare_survey(sigma_mm=0.2)
    now = bare_survey(cage_moved(np.array([1.0, 0.3, 0.0]), np.zeros(3)), seed=2, sigma_mm=0.02)
    r = recheck(before, now, "cage", "shell", 1.0)
    assert any(s.verdict is Verdict.OPEN for s in r.shifts)
    assert r.deciding
    assert all("cannot be photographed again" in s or "no photo" in s for s in r.deciding[:3])
    # The other way round the later shoot is the poor one, and photos of it help.
    back = recheck(now, before, "cage", "shell", 1.0)
    helped = [s for s in back.deciding if "more photos of cuff" in s]
    assert helped


def test_the_photo_that_is_asked_for_comes_from_where_the_others_do_not_look() -> None:
    cabin = make_cabin()
    survey = cabin.now
    # All photos look at the door bar from inside, to the left. What they do not see is how far
    # inwards it is; a photo from ahead or from above would show that.
    row = survey.row(112)
    told = cabin.now_from_world.rotation.T
    gradient = np.zeros(6)
    gradient[3:] = told.T @ np.array([0.0, 1.0, 0.0])
    u = float(np.sqrt(gradient @ survey.joint([112]) @ gradient))
    found = what_decides(
        1.0, 2.0 * u, 1.0 + u, [Influence(survey, (112,), gradient, told_turn=told)]
    )
    assert survey.markers[row] == 112
    assert any(f"best from {side}" in found.sentence for side in ("above", "below"))


def test_open_verdicts_of_a_recheck_name_their_cuff_and_their_limit() -> None:
    rng = np.random.default_rng(3)
    now = bare_survey(cage_moved(np.array([1.0, 0.3, 0.0]), np.zeros(3)), seed=2)
    r = recheck(drawn(bare_survey(), rng), drawn(now, rng), "cage", "shell", 1.05)
    open_ones = [s.label for s in r.shifts if s.verdict is Verdict.OPEN]
    assert open_ones
    assert len(r.deciding) == min(3, len(open_ones)) + (len(open_ones) > 3)
    assert all(any(label in s for label in open_ones) for s in r.deciding[:3])
    assert "1.05 mm" in r.deciding[0]
    assert len(truth()) == len(now.markers)


def test_an_open_angle_says_which_cuff_and_an_open_gap_which_shoot() -> None:
    from cage_surveys import doors

    from fitscan.fit.angles import AngleWishes, find_angles
    from fitscan.fit.gap import find_gap

    survey = bare_survey(seed=6)
    level = find_angles(survey, AngleWishes(level=("harness bar",), tolerance_deg=0.01))
    assert level.readings[0].verdict is Verdict.OPEN
    assert "the doubt comes from" in level.readings[0].deciding
    assert any("what helps" in s for s in level.sentences)
    opened, shut, _, _ = doors()
    loose = find_gap(shut, "door bar", opened, "seat", "trim", tolerance_mm=50.0)
    worst = max(loose.stations, key=lambda s: s.total_mm)
    gap = find_gap(
        shut, "door bar", opened, "seat", "trim",
        tolerance_mm=worst.total_mm + 0.5 * worst.total_expanded_mm,
    )  # fmt: skip
    said = [s for s in gap.sentences if s.startswith("Open ")]
    assert len(said) == 1
    assert f"{worst.along_mm:.0f} mm from the seat's first cuff" in said[0]
    assert "for open" in said[0] or "for shut" in said[0]
