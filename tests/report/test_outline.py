"""Silhouettes of tubes against the outermost points of a densely sampled cylinder."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from cabins import LENS, Cabin
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scenes import looking_at
from scipy.spatial.transform import Rotation

from fitscan.geometry.line import Line
from fitscan.geometry.rigid import Rigid
from fitscan.markers.layout import CORNERS, Layout
from fitscan.report.outline import axis_points, end_circles, silhouette, square_border

FloatArray = NDArray[np.float64]


def projected(points: FloatArray, cam_from_world: Rigid) -> FloatArray:
    turn, _ = cv2.Rodrigues(cam_from_world.rotation)
    out, _ = cv2.projectPoints(
        points, turn, cam_from_world.translation, LENS.camera_matrix, LENS.distortion
    )
    return np.asarray(out, dtype=np.float64).reshape(-1, 2)


def surface(axis: Line, radius: float, along: float) -> FloatArray:
    """The circle (n, 3) of a cylinder at a place along its axis, by SciPy's rotations."""
    first = np.cross(axis.direction, [0.3, 0.5, 0.81])
    first = radius * first / np.linalg.norm(first)
    turns = Rotation.from_rotvec(np.outer(np.linspace(0, 2 * np.pi, 7201), axis.direction))
    return np.asarray(axis.at(along) + turns.apply(first), dtype=np.float64)


@settings(max_examples=40)
@given(
    st.floats(10.0, 40.0),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1)).filter(
        lambda v: np.linalg.norm(v) > 0.3
    ),
    st.floats(500.0, 1500.0),
)
def test_both_edges_are_the_outermost_points_of_the_cylinder(
    radius: float, direction: tuple[float, float, float], distance: float
) -> None:
    axis = Line.through(np.array([0.0, 20.0, -10.0]), np.array(direction))
    eye = np.array([distance, -0.3 * distance, 0.2 * distance])
    cam = looking_at(eye, np.zeros(3))
    if axis.distance(eye) < 3.0 * radius:
        return  # nearly along the tube: a ring's outermost points are no longer its edges
    edges = silhouette(axis, radius, (-40.0, 40.0), eye)
    assert len(edges) == 2
    seen = [projected(e, cam) for e in edges]
    for i in (20, 48, 75):
        place = -40.0 + 80.0 * i / 95
        # Seen square to the projected axis, a silhouette touches the ring of its own place.
        ring = projected(surface(axis, radius, place), cam)
        for n in (0, 1):
            tangent = seen[n][i + 1] - seen[n][i - 1]
            normal = np.array([-tangent[1], tangent[0]]) / np.linalg.norm(tangent)
            heights = (ring - seen[n][i]) @ normal
            outwards = np.sign(np.mean(heights))
            # No point of the ring lies beyond the edge, and one lies on it.
            assert (heights * outwards).min() > -0.01
            assert np.abs(heights).min() < 0.01


def test_from_inside_the_tube_there_is_no_edge() -> None:
    axis = Line.through(np.zeros(3), np.array([1.0, 0.0, 0.0]))
    assert silhouette(axis, 25.0, (0.0, 100.0), np.array([30.0, 5.0, -5.0])) == []


def test_edges_and_ends_lie_on_the_cylinder() -> None:
    axis = Line.through(np.array([5.0, 6.0, 7.0]), np.array([1.0, 2.0, -0.5]))
    eye = np.array([900.0, 100.0, 300.0])
    lines = silhouette(axis, 19.0, (-30.0, 70.0), eye) + end_circles(axis, 19.0, (-30.0, 70.0))
    assert len(lines) == 4
    for line in lines:
        assert axis.distance(line) == pytest.approx(19.0)
        along = axis.along(line)
        assert along.min() > -30.001
        assert along.max() < 70.001
    assert axis.distance(axis_points(axis, (-30.0, 70.0))) == pytest.approx(0.0, abs=1e-9)


def test_a_squares_border_runs_through_its_corners_and_is_closed(cabin: Cabin) -> None:
    survey = cabin.shut
    layout = Layout.of(survey.kit)
    flat = square_border(survey, layout.tags[8])
    assert flat is not None
    assert flat[0] == pytest.approx(flat[-1])
    pose = survey.poses[survey.row(8)]
    printer = np.array(survey.quality.printer)
    corners = np.concatenate([CORNERS * 40.0 * printer, np.zeros((4, 1))], axis=1)
    assert flat[[0, 8, 16, 24]] == pytest.approx(pose.apply(corners))


def test_a_square_on_a_cuff_bends_with_its_tube(cabin: Cabin) -> None:
    survey = cabin.shut
    border = square_border(survey, Layout.of(survey.kit).tags[100])
    assert border is not None
    # Ink lies on od/2 + paper, grown by the cuff's own radius in the survey.
    expected = 19.0 + 0.15 + survey.forms[100][1]
    assert survey.axis_at(100).distance(border) == pytest.approx(expected)


def test_a_marker_without_a_pose_has_no_border(cabin: Cabin) -> None:
    assert square_border(cabin.shut, Layout.of(cabin.shut.kit).tags[200]) is None
