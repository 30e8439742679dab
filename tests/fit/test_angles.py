"""Leans, slopes, angles and symmetry of a cage whose truth is known, with U and verdicts.

Forward, left and up are those of ISO 8855.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from known_surveys import coverage, known_survey, somewhere
from leaning_cage import (
    BARS,
    CROSS,
    FLOOR_PITCH,
    FLOOR_ROLL,
    PAIRS,
    cage_kit,
    cage_poses,
    cage_survey,
    direction,
)
from scenes import drawn, moved_survey

from fitscan.errors import DataError, InputError
from fitscan.fit.angle_file import AnglesFile, angles_document
from fitscan.fit.angles import Angles, AngleWishes, find_angles
from fitscan.fit.reading import Reading
from fitscan.fit.result_file import CAUTION
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, skew
from fitscan.shape import estimates
from fitscan.shape.propagate import MarkerInput, Poses, propagate_with
from fitscan.survey.survey import Survey

ALL = AngleWishes(
    lean=("main hoop", "main hoop:1@-3"),
    level=("harness left", "harness right"),
    between=("main hoop:1=stay left", "main hoop:1=main hoop:3@0.5"),
    mirror=("stay left=stay right",),
)
CAR, PLUMB = "the car's axes", "the plumb line"


def number(angles: Angles, subject: str, name: str, against: str = CAR) -> Reading:
    found = [
        r for r in angles.readings
        if (r.subject, r.name) == (subject, name) and r.against.startswith(against)
    ]  # fmt: skip
    assert found, [(r.subject, r.name, r.against) for r in angles.readings]
    return found[0]


@pytest.fixture(scope="module")
def angles() -> Angles:
    return find_angles(cage_survey(), ALL)


def test_leans_against_the_car_are_those_the_hoop_was_set_to(angles: Angles) -> None:
    for straight, ahead, left in ((1, -3.0, 1.0), (3, -3.5, -1.0)):
        name = f"main hoop, straight {straight}"
        assert number(angles, name, "lean forward").value == pytest.approx(ahead, abs=1e-9)
        assert number(angles, name, "lean left").value == pytest.approx(left, abs=1e-9)
        total = np.degrees(np.arccos(direction(ahead, left)[2]))
        assert number(angles, name, "lean in all").value == pytest.approx(total, abs=1e-9)
    apart = number(angles, "main hoop", "lean forward of straight 1 less 3")
    assert apart.value == pytest.approx(0.5, abs=1e-9)
    assert apart.verdict is Verdict.OUT


def test_leans_against_the_plumb_line_take_the_floors_slope_into_account(angles: Angles) -> None:
    # Independent: turn the leg's direction by the floor's roll and pitch with another library.
    from scipy.spatial.transform import Rotation

    floor = Rotation.from_euler("xy", [FLOOR_ROLL, FLOOR_PITCH], degrees=True)
    x, y, z = floor.apply(direction(-3.0, 1.0))
    ahead = number(angles, "main hoop, straight 1", "lean forward", PLUMB)
    left = number(angles, "main hoop, straight 1", "lean left", PLUMB)
    # Forward is the car's X made level: the floor's turns leave it in the world's X-Z plane.
    assert ahead.value == pytest.approx(np.degrees(np.arctan2(x, z)), abs=1e-6)
    assert left.value == pytest.approx(np.degrees(np.arctan2(y, z)), abs=1e-6)


def test_levels_and_their_difference_are_those_the_bars_were_set_to(angles: Angles) -> None:
    left = number(angles, "harness left, straight 1", "left end higher")
    right = number(angles, "harness right, straight 1", "left end higher")
    apart = number(angles, "harness left, straight 1 less harness right, straight 1",
                   "difference of level")  # fmt: skip
    assert (left.value, right.value) == pytest.approx((0.25, 0.05), abs=1e-9)
    assert apart.value == pytest.approx(0.2, abs=1e-9)
    true = number(angles, "harness left, straight 1", "left end higher", PLUMB)
    assert true.value == pytest.approx(0.25 + FLOOR_ROLL, abs=1e-3)
    # The floor takes nothing from a difference of two bars.
    level = number(angles, "harness left, straight 1 less harness right, straight 1",
                   "difference of level", PLUMB)  # fmt: skip
    assert level.value == pytest.approx(0.2, abs=1e-3)
    assert level.expanded == pytest.approx(apart.expanded, rel=0.02)


def test_the_hoops_plane_is_the_one_through_its_legs(angles: Angles) -> None:
    lean = number(angles, "main hoop", "its plane's lean forward")
    # Independent: x = a + b y + c z through the six cuffs by ordinary least squares.
    poses = cage_poses()
    places = np.array([poses[100 + 12 * i].translation for i in range(6)])
    design = np.column_stack([np.ones(6), places[:, 1:]])
    fit = np.linalg.lstsq(design, places[:, 0], rcond=None)[0]
    assert lean.value == pytest.approx(np.degrees(np.arctan(fit[2])), abs=0.02)
    # The left leg leans back more, so the hoop's left side is behind.
    plan = number(angles, "main hoop", "its plane's turn in plan")
    assert plan.value == pytest.approx(np.degrees(np.arctan(-fit[1])), abs=0.02)
    assert plan.value > 0.05


def test_the_angle_between_two_tubes_is_numpys(angles: Angles) -> None:
    a, b = BARS[("main hoop", 1)][1], BARS[("stay left", 1)][1]
    cosine = abs(a @ b) / np.linalg.norm(a) / np.linalg.norm(b)
    found = number(angles, "main hoop, straight 1", "angle between", "stay left")
    assert found.value == pytest.approx(np.degrees(np.arccos(cosine)), abs=1e-6)
    assert found.verdict is None
    legs = number(angles, "main hoop, straight 1", "angle between", "main hoop, straight 3")
    assert legs.wanted == 0.5
    assert legs.verdict is Verdict.OUT  # The legs lean 2 deg towards each other as well.


def test_the_mirrored_stay_lies_where_it_was_put(angles: Angles) -> None:
    rows = {r.name: r for r in angles.readings if r.against == "stay right, straight 1, mirrored"}
    assert rows["angle between"].value == pytest.approx(0.0, abs=1e-9)
    assert rows["angle between"].verdict is Verdict.IN
    # 3 mm too far in and 1.5 mm too high, less what lies along the stay.
    away = np.array([0.0, -3.0, 1.5])
    way = BARS[("stay left", 1)][1] / np.linalg.norm(BARS[("stay left", 1)][1])
    square = away - (away @ way) * way
    found = [rows[f"right one is {s} by"].value for s in ("forward", "outward", "up")]
    assert found == pytest.approx(square, abs=1e-9)
    assert rows["offset in all"].value == pytest.approx(np.linalg.norm(square))
    assert rows["offset in all"].verdict is Verdict.OUT


def test_a_part_finds_its_own_pairs() -> None:
    found = find_angles(cage_survey(), AngleWishes(symmetry=("cage",)))
    pairs = {(r.subject, r.against) for r in found.readings}
    assert pairs == {
        ("main hoop, straight 3", "main hoop, straight 1, mirrored"),
        ("stay left, straight 1", "stay right, straight 1, mirrored"),
        ("harness left, straight 1", "harness right, straight 1, mirrored"),
    }


def test_a_symmetrical_car_shows_no_asymmetry_whichever_side_is_called_left_first() -> None:
    survey = cage_survey(PAIRS)
    there = find_angles(survey, AngleWishes(mirror=("stay left=stay right",)))
    with pytest.raises(DataError, match="does not sit to the left of"):
        find_angles(survey, AngleWishes(mirror=("stay right=stay left",)))
    cross = find_angles(cage_survey(CROSS), AngleWishes(mirror=("stay left=stay right",)))
    assert [r.value for r in there.readings] == pytest.approx(
        [r.value for r in cross.readings], abs=1e-6
    )


def test_every_uncertainty_covers_what_drawn_surveys_show() -> None:
    survey = cage_survey()
    asked: list[tuple[Callable[[list[Poses]], Array], Array, Array]] = []

    def listening(
        function: Callable[[list[Poses]], Array], inputs: list[MarkerInput]
    ) -> tuple[Array, Array, tuple[Array, ...]]:
        value, covariance, jacobians = propagate_with(function, inputs)
        asked.append((function, value, 2.0 * np.sqrt(np.diag(covariance))))
        return value, covariance, jacobians

    with mock.patch.object(estimates, "propagate_with", listening):
        told = find_angles(survey, ALL)
    expanded = np.concatenate([u for _, _, u in asked])

    def values(s: Survey) -> Array:
        poses = dict(zip(s.markers, s.poses, strict=True))
        return np.concatenate([function([poses]) for function, _, _ in asked])

    share = coverage(survey, values, expanded)
    # 95.45 % within k = 2 (JCGM 100:2008, table G.1); 400 draws scatter by 1.0 %.
    assert share.min() > 0.92
    assert 0.94 < share.mean() < 0.97
    # These are the uncertainties that are told, in degrees or millimetres.
    known = np.concatenate([np.degrees(expanded), expanded])
    for r in told.readings:
        if r.name not in ("lean in all", "offset in all", "angle between"):
            assert np.abs(known - r.expanded).min() < 1e-9, r.name


def test_the_surveys_own_frame_changes_nothing() -> None:
    survey = drawn(cage_survey(), np.random.default_rng(4))
    here = find_angles(survey, ALL)
    there = find_angles(moved_survey(survey, somewhere(44)), ALL)
    assert [r.value for r in there.readings] == pytest.approx(
        [r.value for r in here.readings], abs=1e-6
    )
    assert [r.expanded for r in there.readings] == pytest.approx(
        [r.expanded for r in here.readings], rel=1e-3
    )


def test_what_the_datum_shares_with_the_cuffs_is_not_counted_twice() -> None:
    # All markers move together as one: nothing relative changes, so no angle is uncertain.
    survey = cage_survey()
    turn = np.concatenate([
        np.concatenate([np.eye(3), -skew(p.translation)]) for p in survey.poses
    ])  # fmt: skip
    stiff = replace(survey, covariance=0.01**2 * turn @ turn.T)
    for r in find_angles(stiff, ALL).readings:
        assert r.expanded < 1e-4, r.name


def test_verdicts_follow_the_tolerance_and_its_uncertainty() -> None:
    wish = AngleWishes(level=("harness left@0.25",), tolerance_deg=0.1)
    sharp = find_angles(cage_survey(sigma_mm=0.01, sigma_rad=2e-4), wish)
    assert number(sharp, "harness left, straight 1", "left end higher").verdict is Verdict.IN
    blunt = find_angles(cage_survey(sigma_mm=1.0), wish)
    assert number(blunt, "harness left, straight 1", "left end higher").verdict is Verdict.OPEN
    assert any("more photos of cuff 1" in s for s in blunt.sentences)
    wrong = find_angles(cage_survey(sigma_mm=0.01), replace(wish, level=("harness left@1",)))
    assert number(wrong, "harness left, straight 1", "left end higher").verdict is Verdict.OUT
    assert any(s.startswith("Outside 1 ± 0.1 deg, proven") for s in wrong.sentences)


def test_sentences_say_the_direction_in_the_fitters_words(angles: Angles) -> None:
    text = "\n".join(angles.sentences)
    assert "main hoop, straight 1 leans 3.000 deg back (U" in text
    assert "1.000 deg to the left" in text
    assert "harness left, straight 1: its left end is higher by 0.250 deg" in text
    assert "4.4 mm on a metre" in text
    assert "stay right, straight 1 mirrored is" in text
    assert "mm further in" in text


def test_an_upright_tube_leans_neither_way_and_a_flat_one_is_level() -> None:
    poses = {m: p for m, p in cage_poses().items() if m < 100 or m >= 148}
    for m, z in ((100, 300.0), (112, 900.0)):
        poses[m] = Rigid(np.eye(3), np.array([0.0, -500.0, z]))
    poses[172] = Rigid(poses[172].rotation, np.array([-250.0, 100.0, 600.0]))
    poses[184] = Rigid(poses[184].rotation, np.array([-250.0, 400.0, 600.0]))
    survey = known_survey(
        cage_kit(plumb=False), {m: p for m, p in poses.items() if m not in (60, 61)}
    )
    found = find_angles(survey, AngleWishes(lean=("main hoop:1",), level=("harness left",)))
    assert "neither forward nor back" in found.sentences[0]
    assert "neither to the left nor to the right" in found.sentences[0]
    assert "is level against the car's axes" in found.sentences[1]


def test_with_a_plumb_line_alone_the_ends_are_named_by_their_cuffs() -> None:
    survey = cage_survey(None)
    found = find_angles(survey, AngleWishes(lean=("main hoop:1",), level=("harness left",)))
    assert [r.name for r in found.readings] == ["lean in all", "cuff 184 end higher"]
    assert abs(found.readings[1].value) == pytest.approx(0.25 + FLOOR_ROLL, abs=1e-2)
    with pytest.raises(InputError, match="no centre plane to mirror in"):
        find_angles(survey, AngleWishes(mirror=("stay left=stay right",)))


def test_the_user_chooses_what_to_lean_against() -> None:
    for against, name in (("car", CAR), ("plumb", PLUMB)):
        wish = AngleWishes(lean=("main hoop:1",), level=("harness left",), against=against)
        assert {r.against for r in find_angles(cage_survey(), wish).readings} == {name}
    bare = cage_survey(plumb=False)
    with pytest.raises(InputError, match=r"no \[plumb\]"):
        find_angles(bare, AngleWishes(lean=("main hoop:1",), against="plumb"))
    with pytest.raises(InputError, match="'moon' is nothing to lean against"):
        find_angles(bare, AngleWishes(lean=("main hoop:1",), against="moon"))


def test_a_lone_cuff_is_used_with_a_warning_and_a_wide_uncertainty(angles: Angles) -> None:
    poses = {m: p for m, p in cage_poses().items() if m != 112}
    found = find_angles(known_survey(cage_kit(), poses), AngleWishes(lean=("main hoop:1",)))
    wide = number(found, "main hoop, straight 1", "lean forward")
    assert wide.value == pytest.approx(-3.0, abs=1e-6)
    assert wide.expanded > 5 * number(angles, "main hoop, straight 1", "lean forward").expanded
    assert any("single cuff (100)" in w for w in found.warnings)


@pytest.mark.parametrize(
    ("wishes", "words"),
    [
        (AngleWishes(), "Nothing is asked"),
        (AngleWishes(lean=("roof",)), "no tube 'roof'"),
        (AngleWishes(lean=("main hoop:7",)), "straight 7 of the tube 'main hoop'"),
        (AngleWishes(level=("main hoop",)), "several straights"),
        (AngleWishes(level=("main hoop:1",)), "nearer upright than level"),
        (AngleWishes(lean=("harness left",)), "nearer level than upright"),
        (AngleWishes(between=("main hoop:1",)), "does not name two tubes"),
        (AngleWishes(symmetry=("boat",)), "no part 'boat'"),
        (AngleWishes(symmetry=("shell",)), "No two straights of the part 'shell'"),
        (AngleWishes(lean=("main hoop:1@900",)), "900 is no angle"),
    ],
)
def test_a_wish_that_cannot_be_met_is_refused_in_one_sentence(
    wishes: AngleWishes, words: str
) -> None:
    with pytest.raises((InputError, DataError), match=words) as caught:
        find_angles(cage_survey(), wishes)
    assert "\n" not in str(caught.value)


def test_without_datum_and_string_there_is_nothing_to_lean_against() -> None:
    survey = known_survey(cage_kit(None, plumb=False), cage_poses(plumb=False))
    with pytest.raises(InputError, match="nothing of the car's axes or of upright"):
        find_angles(survey, AngleWishes(lean=("main hoop:1",)))
    assert find_angles(survey, AngleWishes(between=("stay left=stay right",))).readings


def test_the_file_carries_every_number_with_its_u_and_the_caution(angles: Angles) -> None:
    document = angles_document(angles)
    again = AnglesFile.model_validate_json(document.model_dump_json())
    assert again == document
    assert len(document.readings) == len(angles.readings)
    for row, r in zip(document.readings, angles.readings, strict=True):
        assert (row.value, row.U, row.unit) == (r.value, r.expanded, r.unit)
        assert (row.verdict is None) == (row.wanted is None) == (row.tolerance is None)
    assert document.caution == CAUTION
    assert document.coverage_factor == 2.0
