"""Two surveys brought together: markers that moved are found, others are not accused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cage_surveys import cage, known_after, known_before
from scenes import drawn, moved_survey

from fitscan.errors import DataError, InputError
from fitscan.fit.align import ALPHA, align
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.survey.survey import Survey


def shift(x: float, y: float, z: float) -> Rigid:
    return Rigid(np.eye(3), np.array([x, y, z]))


def turn(w: list[float]) -> Rigid:
    return Rigid(exp(np.array(w)), np.array([5.0, -8.0, 30.0]))


def test_surveys_that_agree_are_aligned_exactly_wherever_their_frames_are() -> None:
    a = known_before()
    b_from_a = Rigid.from_tangent(np.array([0.7, -1.2, 2.0, 400.0, -900.0, 50.0]))
    result = align(a, moved_survey(a, b_from_a), "shell")
    back = result.a_from_b @ b_from_a
    assert back.rotation == pytest.approx(np.eye(3), abs=1e-9)
    assert back.translation == pytest.approx(np.zeros(3), abs=1e-6)
    assert result.statistic == pytest.approx(0.0, abs=1e-6)
    assert result.moved == ()
    assert list(result.used) == a.of_part("shell")


def test_the_transform_is_right_within_what_the_surveys_know() -> None:
    rng = np.random.default_rng(1)
    a, b = known_before(), known_after()
    truth = align(a, b, "shell").a_from_b
    turns, shifts = [], []
    for _ in range(20):
        tangent = truth.tangent_to(align(drawn(a, rng), drawn(b, rng), "shell").a_from_b)
        turns.append(tangent[:3])
        shifts.append(tangent[3:])
    assert np.degrees(np.abs(turns)).max() < 0.01
    assert np.abs(shifts).max() < 0.1


def test_nothing_is_accused_more_often_than_the_test_allows() -> None:
    rng = np.random.default_rng(2)
    a, b = known_before(), known_after()
    runs = 200
    accused = sum(bool(align(drawn(a, rng), drawn(b, rng), "shell").moved) for _ in range(runs))
    # Binomial: 1 % of 200 is 2, and 7 or more would come once in two hundred times.
    assert ALPHA == 0.01
    assert accused <= 6


def test_the_tests_statistic_is_chi_squared_with_six_freedoms_less() -> None:
    rng = np.random.default_rng(3)
    a, b = known_before(), known_after()
    results = [align(drawn(a, rng), drawn(b, rng), "shell") for _ in range(100)]
    whole = [r for r in results if not r.moved]
    freedom = 3 * len(whole[0].used) - 6
    mean = np.mean([r.statistic for r in whole])
    assert mean == pytest.approx(freedom, rel=4.0 * np.sqrt(2.0 / freedom / len(whole)))


def test_a_knocked_tag_is_named_with_its_shift_and_left_out() -> None:
    rng = np.random.default_rng(4)
    true = np.array([1.8, -2.0, 1.3])
    a, b = known_before(), known_after({16: shift(*true)})
    frame = align(a, known_after(), "shell").a_from_b
    inside = 0
    for _ in range(20):
        result = align(drawn(a, rng), drawn(b, rng), "shell")
        assert [m.marker_id for m in result.moved] == [16]
        assert 16 not in result.used
        assert result.statistic <= result.critical
        moved = result.moved[0]
        size = float(np.linalg.norm(moved.shift_mm))
        inside += abs(size - 3.0) <= moved.expanded_mm
        world_from_a = Rigid(_world_turn(a), np.zeros(3))
        assert world_from_a.turn(moved.shift_mm) == pytest.approx(true, abs=0.4)
    assert inside >= 16
    assert frame.rotation.shape == (3, 3)


def test_the_u_of_a_knocked_tag_holds_what_the_alignment_does_not_know() -> None:
    # Four tags that stand close together carry the frame to one that stands far from them.
    a = known_before()
    shell = a.of_part("shell")
    place = {m: cage().poses[m].translation for m in shell}
    far = max(shell, key=lambda m: float(np.linalg.norm(place[m] - place[shell[0]])))
    near = sorted(shell, key=lambda m: float(np.linalg.norm(place[m] - place[shell[0]])))[:4]
    others = [m for m in a.markers if m not in shell]
    a = only(a, [*near, far, *others])
    b = only(known_after({far: shift(20.0, 0.0, 0.0)}), [*near, far, *others])
    rng = np.random.default_rng(8)
    found = [align(drawn(a, rng), drawn(b, rng), "shell") for _ in range(60)]
    sizes = np.array([np.linalg.norm(r.moved[0].shift_mm) for r in found if len(r.moved) == 1])
    assert len(sizes) > 50
    stated = np.mean([r.moved[0].expanded_mm for r in found if r.moved]) / 2.0
    assert sizes.std() == pytest.approx(stated, rel=0.35)
    assert sizes.mean() == pytest.approx(20.0, abs=4.0 * stated / np.sqrt(len(sizes)) + 0.01)


def _world_turn(survey: Survey) -> np.ndarray:
    """Rotation from the survey's frame to the scene's."""
    from fitscan.geometry.align import align_points

    here = np.array([p.translation for p in survey.poses])
    there = np.array([cage().poses[m].translation for m in survey.markers])
    return align_points(here, there, with_scale=False).b_from_a.rotation


def test_a_third_of_the_tags_may_have_moved_in_different_ways() -> None:
    rng = np.random.default_rng(5)
    shell = known_before().of_part("shell")
    knocked = {m: shift(*rng.normal(0, 4.0, 3)) for m in shell[::4]}
    result = align(drawn(known_before(), rng), drawn(known_after(knocked), rng), "shell")
    assert {m.marker_id for m in result.moved} >= set(knocked)
    assert len(result.moved) <= len(knocked) + 1


def only(survey: Survey, markers: list[int]) -> Survey:
    """The survey as if it had some markers only."""
    rows = [survey.row(m) for m in markers]
    columns = (np.array(rows)[:, None] * 6 + np.arange(6)).reshape(-1)
    return replace(
        survey,
        markers=tuple(markers),
        poses=tuple(survey.poses[i] for i in rows),
        covariance=survey.covariance[np.ix_(columns, columns)],
        sights=tuple(survey.sights[i] for i in rows),
    )


def test_three_common_markers_are_enough_and_two_are_not() -> None:
    rng = np.random.default_rng(6)
    shell = [m for m in known_before().of_part("shell") if known_after().has(m)]
    a, b = drawn(known_before(), rng), drawn(known_after(), rng)
    assert align(only(a, shell[:9:4]), b, "shell").used == tuple(shell[:9:4])
    with pytest.raises(DataError, match="Only 2 markers of the part 'shell' are in both"):
        align(only(a, shell[:2]), b, "shell")
    with pytest.raises(DataError, match="No marker of the part 'shell'"):
        align(only(a, a.of_part("cage")), b, "shell")


def test_a_part_that_the_kit_does_not_have_is_refused_and_the_known_ones_named() -> None:
    with pytest.raises(InputError, match="no part 'roof'") as caught:
        align(known_before(), known_after(), "roof")
    assert "shell" in caught.value.todo


def test_markers_that_all_moved_apart_are_no_ground_to_stand_on() -> None:
    rng = np.random.default_rng(7)
    knocked = {m: shift(*rng.normal(0, 20.0, 3)) for m in known_before().of_part("shell")}
    with pytest.raises(DataError, match="do not agree between the two surveys"):
        align(known_before(), known_after(knocked), "shell")


def test_the_alignment_there_and_back_is_one_motion() -> None:
    rng = np.random.default_rng(8)
    a, b = drawn(known_before(), rng), drawn(known_after({16: shift(0.0, 3.0, 0.0)}), rng)
    there, back = align(a, b, "shell"), align(b, a, "shell")
    both = there.a_from_b @ back.a_from_b
    assert both.translation == pytest.approx(np.zeros(3), abs=1e-5)
    assert both.rotation == pytest.approx(np.eye(3), abs=1e-8)
    assert there.used == tuple(m for m in a.of_part("shell") if m in set(back.used))
    assert there.statistic == pytest.approx(back.statistic, rel=1e-5)
