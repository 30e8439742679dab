"""Straights of tubes: axes through cuffs' centres, the same in every frame."""

from __future__ import annotations

import numpy as np
import pytest
from cage_surveys import known_before
from hypothesis import given
from hypothesis import strategies as st
from scenes import moved_survey

from fitscan.errors import InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import angle_between
from fitscan.shape.straight import CUFF_REACH_MM, axis_through, straights_of
from fitscan.survey.survey import Survey


def survey() -> Survey:
    return known_before()


def test_points_on_a_line_give_that_line_whatever_their_weights() -> None:
    rng = np.random.default_rng(1)
    point, direction = rng.normal(size=3) * 100, np.array([2.0, -1.0, 2.0]) / 3.0
    centres = point + np.array([[0.0], [150.0], [430.0]]) * direction
    axis = axis_through(centres, rng.uniform(0.1, 10.0, 3), direction)
    assert axis.distance(point) == pytest.approx(0.0, abs=1e-9)
    assert axis.direction == pytest.approx(direction, abs=1e-12)


@given(seed=st.integers(0, 2**32 - 1))
def test_the_line_has_the_least_weighted_square_distance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    direction = np.array([1.0, 0.0, 0.0])
    centres = np.linspace(0, 600, 4)[:, None] * direction + rng.normal(0, 1.0, (4, 3))
    weights = rng.uniform(0.2, 5.0, 4)
    axis = axis_through(centres, weights, direction)
    best = float(weights @ axis.distance(centres) ** 2)
    for _ in range(12):
        step = Rigid.from_tangent(np.r_[rng.normal(0, 1e-3, 3), rng.normal(0, 0.3, 3)])
        point, turned = step.apply(axis.point), step.turn(axis.direction)
        other = axis_through(np.stack([point, point + turned]), np.ones(2), turned)
        assert best <= float(weights @ other.distance(centres) ** 2) + 1e-9


def test_a_single_cuff_gives_its_own_axis() -> None:
    axis = axis_through(np.array([[1.0, 2.0, 3.0]]), np.ones(1), np.array([0.0, 0.0, 2.0]))
    assert np.array_equal(axis.point, [1.0, 2.0, 3.0])
    assert np.array_equal(axis.direction, [0.0, 0.0, 1.0])


def test_a_tubes_straights_hold_their_cuffs_in_order_along_the_axis() -> None:
    one, three = straights_of(survey(), "main hoop")
    assert (one.number, three.number) == (1, 3)
    assert (one.cuffs, three.cuffs) == ((100, 114), (128, 142))
    assert one.od_mm == 45.0
    for straight in (one, three):
        along = straight.axis.along(straight.centres)
        assert np.all(np.diff(along) > 0)
        assert straight.span == pytest.approx((along[0] - CUFF_REACH_MM, along[-1] + CUFF_REACH_MM))
        # The scene's tubes lean by 0.14 rad; their cuffs' own axes say so too.
        for cuff in straight.cuffs:
            assert angle_between(survey().axis_at(cuff).direction, straight.axis.direction) < 1e-3


def test_a_straight_runs_from_the_cuff_that_the_kit_names_first_in_every_frame() -> None:
    rng = np.random.default_rng(2)
    for _ in range(12):
        new_from_old = Rigid.from_tangent(rng.normal(size=6) * [1.5, 1.5, 1.5, 900, 900, 900])
        moved = moved_survey(survey(), new_from_old)
        for a, b in zip(
            straights_of(survey(), "main hoop"), straights_of(moved, "main hoop"), strict=True
        ):
            assert a.cuffs == b.cuffs
            assert b.axis.point == pytest.approx(new_from_old.apply(a.axis.point), abs=1e-6)
            assert b.axis.direction == pytest.approx(new_from_old.turn(a.axis.direction), abs=1e-9)


def test_an_unknown_tube_is_refused_and_the_known_ones_are_named() -> None:
    with pytest.raises(InputError, match="no tube 'gutter'") as caught:
        straights_of(survey(), "gutter")
    assert "stay left" in caught.value.todo
