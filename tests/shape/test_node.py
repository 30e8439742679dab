"""Nodes: offsets and lengths against truth and a general minimiser, U against drawn surveys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_surveys import coverage, cuff, known_survey, on_axis, somewhere
from scipy.optimize import minimize

from fitscan.errors import DataError, InputError
from fitscan.geometry.line import closest_points
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit
from fitscan.shape.axis_rule import AxisRule, axis_named
from fitscan.shape.node import find_length, find_node
from fitscan.survey.survey import Survey

# Two uprights 1100 mm apart, a cross bar that misses the first by 2 mm and meets the second.
AXES: dict[str, tuple[Array, Array]] = {
    "left": (np.array([0.0, 550.0, 0.0]), np.array([0.0, 0.0, 1.0])),
    "right": (np.array([0.0, -550.0, 0.0]), np.array([0.1, 0.0, 1.0])),
    "cross": (np.array([2.0, 550.0, 500.0]), np.array([48.0, -1100.0, 0.0])),
    "beside": (np.array([80.0, 550.0, 0.0]), np.array([0.0, 0.01, 1.0])),
}
PLACES = {"left": (200.0, 900.0), "right": (200.0, 900.0), "cross": (150.0, 950.0),
          "beside": (100.0, 800.0)}  # fmt: skip


def cage(seed: int = 1) -> Survey:
    cuffs, poses = [], {}
    for n, (tube, (point, direction)) in enumerate(AXES.items()):
        for k, along in enumerate(PLACES[tube]):
            first = 100 + 24 * n + 12 * k
            cuffs.append(cuff(first, tube))
            poses[first] = on_axis(point, direction, along, turn_rad=1.3 * k)
    return known_survey(Kit(cuff=tuple(cuffs)), poses, seed=seed)


def axis(survey: Survey, tube: str) -> AxisRule:
    return axis_named(survey, tube, "--node")


def test_two_axes_that_miss_say_by_how_much_and_where() -> None:
    survey = cage()
    node = find_node(survey, axis(survey, "left"), axis(survey, "cross"))
    # The cross bar leaves x = 2 at y = 550 and runs 48 mm forward over 1100 mm.
    assert node.offset_mm == pytest.approx(2.0 * np.cos(np.arctan(48.0 / 1100.0)), abs=1e-9)
    assert somewhere(1).inverse().apply(node.place_mm)[2] == pytest.approx(500.0, abs=1e-6)
    assert np.degrees(node.angle_rad) == pytest.approx(90.0)
    meeting = find_node(survey, axis(survey, "right"), axis(survey, "cross"))
    assert meeting.offset_mm == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_node_is_where_a_general_minimiser_finds_the_axes_closest(seed: int) -> None:
    survey = cage(seed)
    a, b = axis(survey, "right"), axis(survey, "cross")
    node = find_node(survey, a, b)
    first, second = a.straight.axis, b.straight.axis

    def apart(p: Array) -> float:
        return float(np.sum((first.at(p[0]) - second.at(p[1])) ** 2))

    best = minimize(apart, np.zeros(2), method="BFGS")
    assert node.on_a_mm == pytest.approx(first.at(best.x[0]), abs=1e-3)
    assert node.on_b_mm == pytest.approx(second.at(best.x[1]), abs=1e-3)


def test_exchanging_the_axes_changes_no_number() -> None:
    survey = cage()
    a, b = axis(survey, "left"), axis(survey, "cross")
    there, back = find_node(survey, a, b), find_node(survey, b, a)
    assert there.offset_mm == pytest.approx(back.offset_mm)
    assert there.offset_u_mm == pytest.approx(back.offset_u_mm, rel=1e-6)
    assert there.place_mm == pytest.approx(back.place_mm)


def test_the_length_between_nodes_on_one_bar_is_measured_along_it() -> None:
    survey = cage()
    nodes = [find_node(survey, axis(survey, t), axis(survey, "cross")) for t in ("left", "right")]
    length = find_length(survey, *nodes)
    assert length.along == "cross, straight 1"
    # On the cross bar: from y = 550 (foot of the left upright) to y = -550.
    run = np.array([48.0, -1100.0, 0.0])
    unit = run / np.linalg.norm(run)
    foot = -2.0 * unit[0]  # the left upright stands 2 mm behind the bar's first point
    assert length.length_mm == pytest.approx(np.linalg.norm(run) - foot, abs=1e-6)
    back = find_length(survey, *nodes[::-1])
    assert back.length_mm == pytest.approx(length.length_mm)


def test_offsets_and_lengths_cover_what_drawn_surveys_show() -> None:
    survey = cage()

    rules = [axis(survey, t) for t in ("left", "right", "cross")]
    nodes = [find_node(survey, r, rules[2]) for r in rules[:2]]
    length = find_length(survey, *nodes)

    def values(s: Survey) -> Array:
        poses = dict(zip(s.markers, s.poses, strict=True))
        left, right, cross = (r.axis(poses) for r in rules)
        on_left, on_cross = closest_points(left, cross)
        end = closest_points(right, cross)[1]
        return np.array([
            np.linalg.norm(on_left - on_cross),
            np.arccos(abs(right.direction @ cross.direction)),
            np.linalg.norm(end - on_cross),
        ])  # fmt: skip

    assert values(survey) == pytest.approx(
        [nodes[0].offset_mm, nodes[1].angle_rad, length.length_mm]
    )
    u = np.array([nodes[0].offset_u_mm, nodes[1].angle_u_rad, length.length_u_mm])
    share = coverage(survey, values, 2.0 * u)
    # 95.45 % within k = 2 (JCGM 100:2008, table G.1); 400 draws scatter by 1.0 %.
    assert share.min() > 0.92
    assert share.mean() < 0.98


def test_tubes_side_by_side_have_no_node() -> None:
    survey = cage()
    with pytest.raises(DataError, match="parallel to less than 3 deg"):
        find_node(survey, axis(survey, "left"), axis(survey, "beside"))
    with pytest.raises(DataError, match="two different straights"):
        find_node(survey, axis(survey, "left"), axis(survey, "left"))


def test_one_node_named_twice_has_no_length() -> None:
    survey = cage()
    node = find_node(survey, axis(survey, "left"), axis(survey, "cross"))
    with pytest.raises(DataError, match="lie at one place"):
        find_length(survey, node, node)


def test_a_straight_is_found_by_tube_and_number_or_refused_with_what_there_is() -> None:
    survey = cage()
    assert axis(survey, "left").cuffs == (100, 112)
    assert axis(survey, "left:1").name == "left, straight 1"
    with pytest.raises(InputError, match=r"straight 4 of the tube 'left'.*that were: 1"):
        axis(survey, "left:4")
    with pytest.raises(InputError, match="no tube 'roof'"):
        axis(survey, "roof:1")
    two = survey.kit.model_copy(
        update={
            "cuff": tuple(
                c.model_copy(update={"tube": "hoop", "straight": 1 + (c.first_id > 120)})
                for c in survey.kit.cuff
            )
        }
    )
    several = known_survey(two, dict(zip(survey.markers, survey.poses, strict=True)))
    with pytest.raises(InputError, match=r"'hoop' has several straights.*'hoop:1' \(found: 1, 2\)"):
        axis(several, "hoop")
