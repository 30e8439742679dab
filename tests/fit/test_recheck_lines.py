"""Rechecks when cuffs were wrapped anew: lines instead of places, and what they leave open."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bare_cages import TUBES, bare_survey, cage_moved, middle, truth
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import drawn, moved_survey

from fitscan.errors import InputError
from fitscan.fit.align import align
from fitscan.fit.displacement import rewrapped_cuffs
from fitscan.fit.recheck import Recheck, recheck
from fitscan.fit.result_file import RecheckFile, recheck_document
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.store.json_file import read_json, write_json
from fitscan.survey.survey import Survey

SHIFT = np.array([2.4, -1.3, 0.9])
TURN_DEG = np.array([0.04, -0.06, 0.09])
ANEW = {140: 35.0, 152: -60.0, 164: 20.0}  # every cuff of the right leg
EVERY = {m: 15.0 + 3.0 * i for i, m in enumerate(m for m in truth() if m >= 100)}


def precise(survey: Survey) -> Survey:
    """With a covariance that hardly matters, for questions about values."""
    return replace(survey, covariance=1e-4 * survey.covariance)


def errors(r: Recheck) -> Array:
    """Shift of the middle of all cuffs and turn, less the truth, over U."""
    arm = middle(truth()) - r.reference_mm
    shift = r.shift_mm + np.cross(np.radians(r.turn_deg), arm)
    jacobian = np.hstack([-np.cross(np.eye(3), arm), np.eye(3)])
    u = 2.0 * np.sqrt(np.diag(jacobian @ r.covariance @ jacobian.T))
    turn = (r.turn_deg - TURN_DEG) / r.turn_expanded_deg
    return np.concatenate([(shift - SHIFT) / u, turn])


def test_cuffs_wrapped_anew_tell_the_motion_by_their_tubes_lines() -> None:
    now = bare_survey(cage_moved(SHIFT, TURN_DEG, slides=ANEW), seed=2)
    r = recheck(precise(bare_survey()), precise(now), "cage", "shell", rewrapped=["leg right"])
    assert {s.marker_id for s in r.shifts if s.line_only} == set(ANEW)
    assert r.turn_deg == pytest.approx(TURN_DEG, abs=2e-4)
    assert np.abs(errors(r) * r.shift_expanded_mm[0]).max() < 0.01
    assert not any(s.bent for s in r.shifts)
    assert r.undetermined == ()
    far = precise(bare_survey(cage_moved(20.0 * SHIFT, 30.0 * TURN_DEG, slides=EVERY), seed=2))
    large = recheck(precise(bare_survey()), far, "cage", "shell", rewrapped=["all"])
    assert max(s.left_size_mm for s in large.shifts) < 0.02
    for s in r.shifts:
        if s.line_only:
            # Square to the tube, nothing is left; along it, nothing is claimed.
            assert s.left_mm == pytest.approx(np.zeros(3), abs=0.01)
            assert abs(float(s.shift_mm @ [0.0, 0.1, 1.0])) < 0.02


def test_a_cuff_wrapped_anew_that_nobody_named_is_named_with_the_option_to_give() -> None:
    now = bare_survey(cage_moved(SHIFT, TURN_DEG, slides={152: -30.0}), seed=2)
    r = recheck(bare_survey(), now, "cage", "shell")
    assert {s.marker_id for s in r.shifts if s.bent} == {152}
    (sentence,) = [s for s in r.sentences if "--rewrapped 152" in s]
    assert "30.0 mm off along its tube" in sentence
    told = recheck(bare_survey(), now, "cage", "shell", rewrapped=["152"])
    assert not any(s.bent for s in told.shifts)
    assert not any("--rewrapped" in s for s in told.sentences)


def test_lines_alone_fix_all_six_when_tubes_run_three_ways() -> None:
    now = bare_survey(cage_moved(SHIFT, TURN_DEG, slides=EVERY), seed=2)
    rng = np.random.default_rng(4)
    before = bare_survey()
    found = [
        recheck(drawn(before, rng), drawn(now, rng), "cage", "shell", rewrapped=["all"])
        for _ in range(60)
    ]
    assert all(s.line_only for s in found[0].shifts)
    assert found[0].undetermined == ()
    inside = np.mean([np.abs(errors(r)) <= 1.0 for r in found])
    # 360 numbers of 60 independent runs: 95 % within two standard deviations of a run's share.
    assert 0.91 <= inside <= 0.985


def test_lines_that_all_run_one_way_say_nothing_of_that_way() -> None:
    tubes = ("leg left", "leg right")
    legs = {
        m: Rigid(np.eye(3), np.array([0.0, y, z]))
        for first, y in ((100, 550.0), (140, -550.0))
        for m, z in zip(range(first, first + 36, 12), (100.0, 480.0, 850.0), strict=True)
    }
    shell = {m: p for m, p in truth().items() if m < 100}
    shift = Rigid(np.eye(3), np.array([2.0, 1.0, 5.0]))
    later = {m: shift @ p @ Rigid(np.eye(3), np.array([0.0, 0.0, 20.0])) for m, p in legs.items()}
    before = bare_survey({**shell, **legs}, tubes=tubes)
    r = recheck(
        before, bare_survey({**shell, **later}, tubes=tubes, seed=2), "cage", "shell",
        rewrapped=["all"],
    )  # fmt: skip
    assert r.undetermined == ("place along Z (upright)",)
    text = " ".join(r.sentences)
    assert "Its place along Z (upright) could not be measured" in text
    assert "leave one cuff as it was wrapped" in text
    assert r.shift_mm[:2] == pytest.approx([2.0, 1.0], abs=0.1)
    assert r.shift_expanded_mm[2] > 50.0
    assert not any(m.axis == 2 and not m.turn for m in r.moves)
    # One cuff left as it was gives the way back.
    later[100] = shift @ legs[100]
    mixed = recheck(
        before, bare_survey({**shell, **later}, tubes=tubes, seed=2), "cage", "shell",
        rewrapped=["leg right", "112", "124"],
    )  # fmt: skip
    assert mixed.undetermined == ()
    assert mixed.shift_mm == pytest.approx([2.0, 1.0, 5.0], abs=0.15)


def test_one_tube_by_its_line_leaves_its_slide_and_its_turn_about_itself_open() -> None:
    tubes = ("harness bar",)
    now = bare_survey(cage_moved(SHIFT, TURN_DEG * 0, tubes=tubes), tubes=tubes, seed=2)
    r = recheck(bare_survey(tubes=tubes), now, "cage", "shell", rewrapped=["all"])
    assert set(r.undetermined) == {"place along Y (across)", "turn about Y (across)"}
    assert r.shift_mm[[0, 2]] == pytest.approx(SHIFT[[0, 2]], abs=0.15)


def test_a_new_cuff_on_a_recorded_tube_is_compared_by_the_tubes_line() -> None:
    before = {m: p for m, p in truth().items() if m != 152}
    now = bare_survey(cage_moved(SHIFT, TURN_DEG), seed=2)
    r = recheck(bare_survey(before), now, "cage", "shell")
    (new,) = [s for s in r.shifts if s.marker_id == 152]
    assert new.line_only
    assert "(line only)" in new.label
    assert np.abs(errors(r)).max() < 1.5


def test_what_names_no_cuff_is_refused_with_the_tubes_that_there_are() -> None:
    survey = bare_survey()
    assert rewrapped_cuffs(survey, "cage", ["140", "stay left:1"]) == {140, 220, 232, 244}
    assert len(rewrapped_cuffs(survey, "cage", ["all"])) == 12
    with pytest.raises(InputError, match="'main hoop' names no cuff") as caught:
        rewrapped_cuffs(survey, "cage", ["main hoop"])
    assert all(tube in caught.value.todo for tube in TUBES)


# ---------------------------------------------------------------- laws

small = st.floats(-3.0, 3.0)


@settings(max_examples=25)
@given(st.tuples(small, small, small), st.tuples(small, small, small))
def test_a_motion_and_its_inverse_cancel(
    shift: tuple[float, float, float], turn: tuple[float, float, float]
) -> None:
    before = precise(bare_survey())
    after = precise(bare_survey(cage_moved(np.array(shift), 0.1 * np.array(turn)), seed=5))
    there = recheck(before, after, "cage", "shell").now_from_record
    back = recheck(after, before, "cage", "shell")
    # Each is told in the axes of its own record, which the shell has in common.
    both = there @ back.now_from_record
    assert both.translation == pytest.approx(np.zeros(3), abs=2e-2)
    assert both.rotation == pytest.approx(np.eye(3), abs=2e-5)


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.floats(0.0, 3.0))
def test_aligning_twice_equals_aligning_once(seed: int, turn: float) -> None:
    rng = np.random.default_rng(seed)
    a = drawn(bare_survey(), rng)
    b = moved_survey(
        drawn(bare_survey(seed=3), rng),
        Rigid.from_tangent(np.r_[turn * rng.normal(size=3), 900.0 * rng.normal(size=3)]),
    )
    once = align(a, b, "shell")
    twice = align(a, moved_survey(b, once.a_from_b), "shell")
    assert twice.a_from_b.translation == pytest.approx(np.zeros(3), abs=1e-5)
    assert twice.a_from_b.rotation == pytest.approx(np.eye(3), abs=1e-8)
    assert twice.used == once.used


# ---------------------------------------------------------------- bending


@pytest.mark.parametrize("bending_mm", [0.0, 0.2])
def test_shift_and_turn_of_a_bent_cage_are_covered_as_often_as_stated(bending_mm: float) -> None:
    rng = np.random.default_rng(6)
    before, cuffs = bare_survey(), [m for m in truth() if m >= 100]
    ratios, told = [], []
    for _ in range(60):
        bends = {m: rng.normal(0, bending_mm, 3) for m in cuffs}
        after = bare_survey(cage_moved(SHIFT, TURN_DEG, bends=bends), seed=2)
        r = recheck(drawn(before, rng), drawn(after, rng), "cage", "shell")
        ratios.append(errors(r))
        told.append(r.bending_mm)
    assert 0.91 <= np.mean(np.abs(ratios) <= 1.0) <= 0.985
    assert np.median(told) == pytest.approx(bending_mm, abs=0.05)


def test_a_bent_cages_rigid_part_is_said_to_be_a_best_fit_with_its_bending_counted() -> None:
    rng = np.random.default_rng(7)
    cuffs = [m for m in truth() if m >= 100]
    bends = {m: rng.normal(0, 0.5, 3) for m in cuffs}
    after = bare_survey(cage_moved(SHIFT, TURN_DEG, bends=bends), seed=2)
    r = recheck(bare_survey(), after, "cage", "shell")
    text = " ".join(r.sentences)
    assert "did not move with the rest (bending)" in text
    assert "that is counted in U of shift and turn" in text
    assert r.bending_mm == pytest.approx(0.5, rel=0.5)
    chances = np.array([s.significance for s in r.shifts])
    assert np.all((chances < 0.01 / len(r.shifts)) == [s.bent for s in r.shifts])


def test_a_shell_that_breathes_makes_u_larger_and_accuses_no_tag() -> None:
    rng = np.random.default_rng(9)
    before = bare_survey(sigma_mm=0.005)
    calm = recheck(before, bare_survey(seed=2, sigma_mm=0.005), "cage", "shell")
    ratios, warned = [], 0
    for _ in range(25):
        poses = truth()
        for m in [m for m in poses if m < 100]:
            poses[m] = Rigid(poses[m].rotation, poses[m].translation + rng.normal(0, 0.02, 3))
        after = drawn(bare_survey(poses, seed=2, sigma_mm=0.005), rng)
        r = recheck(drawn(before, rng), after, "cage", "shell")
        # Only what moved further than what counts as still may be named.
        assert all(np.linalg.norm(m.shift_mm) > 0.08 for m in r.alignment.moved)
        ratios.append(r.shift_mm / r.shift_expanded_mm)
        warned += any("times as large" in w for w in r.warnings)
        assert r.shift_expanded_mm.mean() > 2.0 * calm.shift_expanded_mm.mean()
    assert warned == 25
    assert np.mean(np.abs(ratios) <= 1.0) > 0.85
    assert not any("times as large" in w for w in calm.warnings)


# ---------------------------------------------------------------- moves


def test_moves_come_by_what_they_do_and_leave_what_is_bent() -> None:
    bends = {100: np.array([0.0, -1.5, 0.0])}
    after = bare_survey(cage_moved(SHIFT, TURN_DEG, bends=bends), seed=2)
    r = recheck(bare_survey(), after, "cage", "shell")
    effects = [m.effect_mm for m in r.moves]
    assert effects == sorted(effects, reverse=True)
    assert len(r.moves) == 6
    first = r.moves[0]
    assert (first.turn, first.axis) == (False, 0)
    assert first.amount == pytest.approx(-2.4, abs=0.1)
    assert "mm back" in first.words
    assert r.moves[-1].leaves_mm == pytest.approx(1.5, abs=0.2)
    assert r.moves[-1].leaves_at == "leg left, straight 1, cuff 100"
    assert r.moves[-1].leaves_mm == pytest.approx(max(s.left_size_mm for s in r.shifts), abs=0.02)
    assert "bring that down to" in r.sentences[1]


# ---------------------------------------------------------------- files


def test_the_file_holds_moves_lines_and_what_is_undetermined(tmp_path: Path) -> None:
    now = bare_survey(cage_moved(SHIFT, TURN_DEG, slides=ANEW), seed=2)
    r = recheck(bare_survey(), now, "cage", "shell", rewrapped=["leg right"])
    write_json(tmp_path / "r.json", recheck_document(r))
    kept = read_json(tmp_path / "r.json", RecheckFile)
    assert [m.words for m in kept.moves] == [m.words for m in r.moves]
    assert {m.marker_id for m in kept.markers if m.line_only} == set(ANEW)
    assert kept.bending_mm == r.bending_mm == 0.0
    assert kept.deciding == r.deciding
