"""Lines in space: distances and closest places against calculus done another way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from fitscan.errors import DataError
from fitscan.geometry.line import Line, closest_points, two_normals
from fitscan.geometry.rotation import Array

places = hnp.arrays(np.float64, 3, elements=st.floats(-1e3, 1e3))
directions = hnp.arrays(np.float64, 3, elements=st.floats(-1.0, 1.0)).filter(
    lambda v: float(np.linalg.norm(v)) > 1e-2
)


@given(point=places, direction=directions, x=places)
def test_the_distance_to_a_line_is_the_area_over_the_base(
    point: Array, direction: Array, x: Array
) -> None:
    line = Line.through(point, direction)
    area = np.linalg.norm(np.cross(x - point, direction))
    assert float(line.distance(x)) == pytest.approx(area / np.linalg.norm(direction), abs=1e-6)
    assert float((x - line.foot(x)) @ line.direction) == pytest.approx(0.0, abs=1e-6)
    assert line.at(float(line.along(x))) == pytest.approx(line.foot(x), abs=1e-9)


def test_the_distance_of_a_worked_point_is_the_school_books() -> None:
    # Point (1, 1, 2) to the line through (0, 0, 1) along (1, 2, 2): |(1,1,1) x (1,2,2)| / 3.
    line = Line.through(np.array([0.0, 0.0, 1.0]), np.array([1.0, 2.0, 2.0]))
    assert float(line.distance(np.array([1.0, 1.0, 2.0]))) == pytest.approx(np.sqrt(2.0) / 3.0)


@given(p=places, u=directions, q=places, v=directions)
def test_closest_points_are_those_of_a_least_squares_solver(
    p: Array, u: Array, q: Array, v: Array
) -> None:
    a, b = Line.through(p, u), Line.through(q, v)
    assume(np.linalg.norm(np.cross(a.direction, b.direction)) > 1e-2)
    on_a, on_b = closest_points(a, b)
    design = np.stack([a.direction, -b.direction], axis=1)
    s, t = np.linalg.lstsq(design, b.point - a.point, rcond=None)[0]
    assert on_a == pytest.approx(a.at(s), abs=1e-6)
    assert on_b == pytest.approx(b.at(t), abs=1e-6)


def test_lines_that_cross_meet_in_one_point() -> None:
    meeting = np.array([100.0, -40.0, 7.0])
    a = Line.through(meeting - np.array([50.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]))
    b = Line.through(meeting + np.array([0.0, 3.0, 3.0]), np.array([0.0, 1.0, 1.0]))
    for place in closest_points(a, b):
        assert place == pytest.approx(meeting)


def test_parallel_lines_have_no_closest_place_and_are_refused() -> None:
    a = Line.through(np.zeros(3), np.array([1.0, 1.0, 0.0]))
    b = Line.through(np.array([0.0, 0.0, 5.0]), np.array([-2.0, -2.0, 0.0]))
    with pytest.raises(DataError, match="parallel"):
        closest_points(a, b)


@pytest.mark.parametrize("direction", [np.zeros(3), np.full(3, np.nan), np.full(3, np.inf)])
def test_a_direction_without_length_is_refused(direction: Array) -> None:
    with pytest.raises(DataError, match="no direction"):
        Line.through(np.zeros(3), direction)


@given(direction=directions)
def test_the_two_normals_and_the_direction_are_a_right_handed_triad(direction: Array) -> None:
    unit = direction / np.linalg.norm(direction)
    triad = np.concatenate([two_normals(unit), unit[None]])
    assert np.abs(triad @ triad.T - np.eye(3)).max() < 1e-14
    assert np.linalg.det(triad) == pytest.approx(1.0)
