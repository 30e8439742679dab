"""A bent tube's centre line: arcs of the given radius, no kinks, and open bends without one."""

from __future__ import annotations

import numpy as np
import pytest
from known_surveys import cuff, known_survey, on_axis

from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit, TagSpec, TubeSpec
from fitscan.shape.centre_line import CentreLine
from fitscan.survey.survey import Survey

CLR_MM = 114.0
ANGLE = np.radians(35.0)
APEX = np.array([400.0, 30.0, -20.0])
BEFORE = np.array([1.0, 0.0, 0.0])
AFTER = np.array([np.cos(ANGLE), 0.0, np.sin(ANGLE)])
SETBACK = CLR_MM * np.tan(ANGLE / 2.0)
"""Bend arithmetic: setback = CLR tan(angle / 2), arc = CLR angle (common workshop tables)."""


def bent() -> Survey:
    kit = Kit(
        tag=tuple(TagSpec(id=i, side_mm=30.0, part="trim") for i in range(3)),
        cuff=tuple(
            cuff(100 + 12 * i, "door bar", straight=1 if i < 2 else 2) for i in range(4)
        ),
        tube=(TubeSpec(name="door bar", clr_mm=CLR_MM),),
    )  # fmt: skip
    poses = {
        100: on_axis(APEX, BEFORE, -380.0, 0.3), 112: on_axis(APEX, BEFORE, -120.0, 1.0),
        124: on_axis(APEX, AFTER, 110.0, 2.0), 136: on_axis(APEX, AFTER, 350.0, 4.0),
    }  # fmt: skip
    return known_survey(kit, poses, seed=3)


def in_car(survey: Survey, x: Array) -> Array:
    """Points of the survey's frame in the frame in which the tube was laid down."""
    truth = on_axis(APEX, BEFORE, -380.0, 0.3)
    return (truth @ survey.poses[survey.row(100)].inverse()).apply(x)


def test_a_bend_is_an_arc_of_the_given_radius_that_meets_both_straights() -> None:
    survey = bent()
    line = CentreLine.of(survey, "door bar")
    assert [line.names[i] for i in sorted(line.names)] == ["straight 1", "bend 1-2", "straight 2"]
    places = line.places(1.0)
    points = in_car(survey, line.points(line.poses, places))
    centre = APEX - SETBACK * BEFORE + CLR_MM * np.array([0.0, 0.0, 1.0])
    arc = points[places.piece == 1]
    radius = np.linalg.norm(arc - centre, axis=1)
    assert radius == pytest.approx(np.full(len(arc), CLR_MM), abs=1e-9)
    assert arc[0] == pytest.approx(APEX - SETBACK * BEFORE, abs=1e-9)
    assert arc[-1] == pytest.approx(APEX + SETBACK * AFTER, abs=1e-9)
    for piece, way in ((0, BEFORE), (2, AFTER)):
        own = points[places.piece == piece]
        off = np.cross(own - APEX, way)
        assert np.abs(off).max() < 1e-9


def test_run_is_the_length_along_it_and_tangents_point_ahead() -> None:
    survey = bent()
    line = CentreLine.of(survey, "door bar")
    places = line.places(0.5)
    points, tangents = line.points_and_tangents(line.poses, places)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    # Chords are shorter than arcs by their cube over 24 radii squared.
    assert places.run[1:] == pytest.approx(np.cumsum(steps), abs=1e-3)
    # From half a cuff before the first to half a cuff behind the last one.
    whole = 25.0 + (380.0 - SETBACK) + CLR_MM * ANGLE + (350.0 - SETBACK) + 25.0
    assert places.run[-1] == pytest.approx(whole, abs=1e-6)
    moving = steps > 1e-9
    ahead = np.diff(points, axis=0)[moving] / steps[moving][:, None]
    middle = 0.5 * (tangents[1:] + tangents[:-1])[moving]
    assert (ahead * middle).sum(axis=1) == pytest.approx(np.ones(len(ahead)), abs=1e-5)


def test_without_a_radius_the_bend_is_left_open() -> None:
    survey = bent()
    plain = survey.kit.model_copy(update={"tube": ()})
    line = CentreLine.of(
        known_survey(plain, dict(zip(survey.markers, survey.poses, strict=True))), "door bar"
    )
    assert line.open_bends
    assert sorted(line.names.values()) == ["straight 1", "straight 2"]
    places = line.places(1.0)
    jump = np.diff(places.run)
    # Over the bend nothing is known: one step leads from cuff's end to cuff's end.
    assert jump.max() > 150.0
    assert CentreLine.of(survey, "door bar", 90.0).model.clr_mm == 90.0
