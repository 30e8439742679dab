"""The hinge from exact rotations, what its uncertainty is worth, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bare_doors import AXIS, TAGS, door_survey, door_truth, swung
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import drawn, moved_survey

from fitscan.errors import DataError, InputError
from fitscan.fit.hinge import Hinge, find_hinge
from fitscan.fit.shared_scale import stretch_of
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.survey.survey import RuleCheck, Survey


def car_from_base(base: Survey) -> Rigid:
    """By the true places of everything (the first survey's door is shut)."""
    here = np.array([p.translation for p in base.poses])
    there = np.array([door_truth()[m].translation for m in base.markers])
    return align_points(here, there, with_scale=False).b_from_a


def axis_error(hinge: Hinge, base: Survey) -> tuple[float, float]:
    """Distance of the axes beside the door's middle, mm, and their angle, deg."""
    car = car_from_base(base)
    point, way = car.apply(hinge.axis.point), car.turn(hinge.axis.direction)
    away = point - AXIS[0]
    off = away - (away @ AXIS[1]) * AXIS[1]
    return float(np.linalg.norm(off)), float(np.degrees(np.linalg.norm(np.cross(way, AXIS[1]))))


@settings(max_examples=20)
@given(
    st.lists(st.floats(4.0, 85.0), min_size=1, max_size=3),
    st.integers(0, 1000),
)
def test_exact_rotations_give_axis_and_angles_exactly(angles: list[float], seed: int) -> None:
    surveys = [door_survey(a, seed=seed + i) for i, a in enumerate([0.0, *angles])]
    hinge = find_hinge(surveys, "trim", ["shell"])
    # Positions that differ by a few degrees only magnify what rounding leaves.
    loose = 1.0 / np.radians(max(angles))
    off, tilt = axis_error(hinge, surveys[0])
    assert off < 1e-6 * loose
    assert tilt < 1e-7 * loose
    assert np.degrees(hinge.angles) == pytest.approx([0.0, *angles], abs=1e-7 * loose)
    assert hinge.slides_mm == pytest.approx(np.zeros(len(surveys)), abs=1e-6)
    assert hinge.odd == ()


def test_axis_and_angles_are_covered_as_often_as_stated() -> None:
    rng = np.random.default_rng(5)
    truth = [0.0, 30.0, 65.0]
    surveys = [door_survey(a, seed=i) for i, a in enumerate(truth)]
    exact = find_hinge(surveys, "trim", ["shell"])
    u = np.sqrt(np.diag(exact.covariance))
    rows = list(range(exact.axis_rows.start, exact.size))
    ratios, slides = [], []
    for _ in range(50):
        found = find_hinge([drawn(s, rng) for s in surveys], "trim", ["shell"])
        numbers = np.concatenate([_step_to(exact, found), found.angles[1:] - exact.angles[1:]])
        ratios.append(numbers / u[rows])
        slides.append(found.slides_mm[1:] / found.slides_expanded_mm[1:])
    inside = np.mean(np.abs(ratios) <= 2.0)
    assert 0.92 <= inside <= 0.985
    assert 0.90 <= np.mean(np.abs(slides) <= 1.0) <= 0.99
    assert np.std(ratios, axis=0) == pytest.approx(np.ones(len(rows)), rel=0.3)


def _step_to(exact: Hinge, found: Hinge) -> Array:
    """The four numbers by which an axis differs from another."""
    from fitscan.geometry.line import two_normals

    normals = two_normals(exact.axis.direction)
    tilt = np.cross(exact.axis.direction, found.axis.direction)
    along = (exact.axis.point - found.axis.point) @ exact.axis.direction
    there = found.axis.point + along / (found.axis.direction @ exact.axis.direction) * (
        found.axis.direction
    )
    return np.concatenate([normals @ tilt, normals @ (there - exact.axis.point)])


def test_more_positions_make_the_axis_better_known() -> None:
    two = find_hinge([door_survey(a, seed=i) for i, a in enumerate((0, 60))], "trim", ["shell"])
    many = find_hinge(
        [door_survey(a, seed=i) for i, a in enumerate((0, 60, 20, 40))], "trim", ["shell"]
    )
    assert many.place_expanded_mm < two.place_expanded_mm
    assert many.tilt_expanded_deg < two.tilt_expanded_deg


def test_a_door_that_rises_on_its_hinge_is_told_by_its_slide_and_no_marker_is_accused() -> None:
    surveys = [door_survey(0.0), door_survey(60.0, seed=2, slide_mm=0.8)]
    hinge = find_hinge(surveys, "trim", ["shell"])
    assert hinge.slides_mm[1] == pytest.approx(0.8, abs=0.02)
    assert hinge.slides_expanded_mm[1] < 0.3
    assert hinge.odd == ()


def test_markers_that_moved_between_the_shoots_are_named_with_the_shoot() -> None:
    moved = {5: np.array([2.0, 0.0, 0.5]), 33: np.array([0.0, 0.0, 2.0])}
    surveys = [door_survey(a, seed=i) for i, a in enumerate((0.0, 25.0))]
    surveys.append(door_survey(60.0, seed=5, moved=moved, name="wide open"))
    hinge = find_hinge(surveys, "trim", ["shell"])
    assert {(o.marker_id, o.survey) for o in hinge.odd} == {(5, "wide open"), (33, "wide open")}
    off, tilt = axis_error(hinge, surveys[0])
    assert off < 0.1
    assert tilt < 0.01


def test_the_surveys_frames_do_not_matter() -> None:
    rng = np.random.default_rng(8)
    surveys = [drawn(door_survey(a, seed=i), rng) for i, a in enumerate((0.0, 50.0))]
    base = find_hinge(surveys, "trim", ["shell"])
    other_from_base = Rigid.from_tangent(np.array([0.4, -1.0, 2.0, 500.0, -30.0, 70.0]))
    turned = Rigid.from_tangent(np.array([-1.4, 0.3, 0.1, -900.0, 0.0, 12.0]))
    again = find_hinge(
        [moved_survey(surveys[0], other_from_base), moved_survey(surveys[1], turned)],
        "trim", ["shell"],
    )  # fmt: skip
    assert again.angles == pytest.approx(base.angles, abs=1e-8)
    assert again.axis.point == pytest.approx(other_from_base.apply(base.axis.point), abs=1e-4)
    assert again.place_expanded_mm == pytest.approx(base.place_expanded_mm, rel=1e-4)


def test_a_survey_reaches_the_first_through_another() -> None:
    far = door_survey(40.0, seed=3, without=(0, 1, 2, 3, 4))
    near = door_survey(0.0, seed=1, without=(5, 6, 7, 8, 9))
    between = door_survey(20.0, seed=2)
    hinge = find_hinge([near, far, between], "trim", ["shell"])
    assert np.degrees(hinge.angles) == pytest.approx([0.0, 40.0, 20.0], abs=1e-4)
    with pytest.raises(DataError, match="No markers of the part 'shell' are in both"):
        find_hinge([near, far], "trim", ["shell"])


def test_what_gives_no_axis_is_refused_with_what_to_do() -> None:
    shut = door_survey(0.0)
    with pytest.raises(InputError, match="two positions"):
        find_hinge([shut], "trim", ["shell"])
    with pytest.raises(InputError, match="no part 'door'"):
        find_hinge([shut, door_survey(60.0)], "door", ["shell"])
    with pytest.raises(InputError, match="cannot stay and turn"):
        find_hinge([shut, door_survey(60.0)], "trim", ["shell", "trim"])
    with pytest.raises(DataError, match=r"turned by 1\.0 deg only"):
        find_hinge([shut, door_survey(1.0, seed=2)], "trim", ["shell"])
    few = door_survey(60.0, seed=2, without=(*TAGS[1:], 61))
    with pytest.raises(DataError, match="Only 2 markers of the part 'trim' are in both"):
        find_hinge([shut, few], "trim", ["shell"])


def test_a_bent_door_is_no_hinge() -> None:
    rng = np.random.default_rng(3)
    moved = {m: rng.normal(0, 3.0, 3) for m in TAGS}
    with pytest.raises(DataError, match="do not agree with one axis"):
        find_hinge([door_survey(0.0), door_survey(60.0, seed=2, moved=moved)], "trim", ["shell"])


def test_turning_the_door_back_brings_a_point_home() -> None:
    surveys = [door_survey(a, seed=i) for i, a in enumerate((0.0, 55.0))]
    hinge = find_hinge(surveys, "trim", ["shell"])
    car = car_from_base(surveys[0])
    here = surveys[0].poses[surveys[0].row(34)].translation
    opened = hinge.turned(here, float(hinge.angles[1]))
    assert car.apply(opened) == pytest.approx(swung(car.apply(here), 55.0), abs=1e-5)


def test_positions_on_one_reading_of_one_rule_share_its_error() -> None:
    """More positions do not average an error away that all of them have."""
    rule = RuleCheck((90, 91), 800.0, 0.4, 0.05, 0.5, 1.0)

    def ruled(survey: Survey, shared: bool) -> Survey:
        stretch = stretch_of(survey, survey.markers)
        own = rule if shared else replace(rule, length_mm=800.0 + survey.poses[0].translation[0])
        return replace(
            survey,
            covariance=1e-4 * survey.covariance + 5e-4**2 * np.outer(stretch, stretch),
            quality=replace(survey.quality, scale_u=5e-4, rules=(own,)),
        )

    surveys = [door_survey(a, seed=i) for i, a in enumerate((0.0, 20.0, 40.0, 60.0))]
    shared = find_hinge([ruled(s, True) for s in surveys], "trim", ["shell"])
    apart = find_hinge([ruled(s, False) for s in surveys], "trim", ["shell"])
    # All lengths are wrong by one factor: the axis is off by it times its way from the middle.
    car = car_from_base(surveys[0])
    middle = car.apply(np.mean([p.translation for p in surveys[0].poses], axis=0))
    away = car.apply(shared.axis.point) - middle
    off = away - (away @ AXIS[1]) * AXIS[1]
    assert shared.place_expanded_mm == pytest.approx(
        2.0 * 5e-4 * float(np.linalg.norm(off)), rel=0.05
    )
    assert apart.place_expanded_mm < 0.95 * shared.place_expanded_mm
    # A factor turns nothing.
    assert np.degrees(2.0 * shared.angle_u(0, 3)) < 1e-3
