"""What a photo would show: against the simulated photos, and behind things."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from plan_shoots import scene
from scenes import visible_squares

from fitscan.plan.sight import seen_squares
from fitscan.plan.spots import Spot, looking_at, photo_rows, sphere, spots_about
from fitscan.plan.stage import Bar, Stage
from fitscan.survey.measurement import Acceptance
from fitscan.survey.network import Network
from fitscan.survey.priors import Priors


@pytest.fixture(scope="module")
def network() -> Network:
    s = scene()
    return Network.of(s.kit, [], list(s.markers), s.lens, np.eye(9), Priors())


def bare(bars: tuple[Bar, ...] = ()) -> Stage:
    return Stage(scene().kit, scene().poses, bars, np.zeros((0, 2, 3)))


def test_with_nothing_in_the_way_it_shows_what_the_simulated_photos_show(network: Network) -> None:
    s = scene()
    rule = Acceptance(smallest_px=18.0)
    seen = seen_squares(bare(), network, s.state, s.state.photo, rule=rule)
    mine = set(zip(seen.photo.tolist(), seen.tag_id.tolist(), strict=True))
    geometry, _ = visible_squares(s, smallest_px=18.0, steepest_deg=66.0)
    theirs = set(zip(geometry.photo.tolist(), geometry.tag_id.tolist(), strict=True))
    # One rule bounds each corner's slant and side, the other the square's middle and height.
    assert len(mine & theirs) > 0.95 * len(theirs)
    assert len(mine) < 1.35 * len(theirs)


def test_a_square_behind_a_tube_is_not_seen(network: Network) -> None:
    s = scene()
    tag = s.poses[0]
    eye = tag.translation + 900.0 * tag.rotation[:, 2]
    spot = Spot(eye, tag.translation, upright=False)
    only = frozenset({0})
    free = seen_squares(bare(), network, s.state, photo_rows([spot]), only=only)
    assert free.tag_id.tolist() == [0]
    middle = tag.translation + 300.0 * tag.rotation[:, 2]
    side = tag.rotation[:, 0]
    bar = Bar("hoop", middle - 400.0 * side, middle + 400.0 * side, 22.0)
    hidden = seen_squares(bare((bar,)), network, s.state, photo_rows([spot]), only=only)
    assert len(hidden) == 0


def test_a_phone_held_upright_sees_higher_and_less_wide() -> None:
    s = scene()
    eye, aim = np.array([0.0, 0.0, 0.0]), np.array([1000.0, 0.0, 0.0])
    for upright, (wide, high) in ((False, (4032, 3024)), (True, (3024, 4032))):
        cam = Spot(eye, aim, upright).cam_from_frame
        left = s.lens.pixels(cam.apply(np.array([[1000.0, 0.45 * wide / 3.02, 0.0]])))
        up = s.lens.pixels(cam.apply(np.array([[1000.0, 0.0, 0.45 * high / 3.02]])))
        for px in (left, up):
            assert np.all((px > 0) & (px < [4032, 3024]))


def test_a_camera_that_looks_straight_down_has_a_pose() -> None:
    cam = looking_at(np.array([0.0, 0.0, 900.0]), np.zeros(3))
    assert cam.rotation @ cam.rotation.T == pytest.approx(np.eye(3), abs=1e-12)
    assert cam.apply(np.zeros(3)) == pytest.approx([0.0, 0.0, 900.0])


def test_directions_are_spread_evenly() -> None:
    ways = sphere(400)
    assert np.linalg.norm(ways, axis=1) == pytest.approx(1.0)
    assert np.abs(ways.mean(axis=0)).max() < 0.01
    nearest = np.sort(ways @ ways.T, axis=1)[:, -2]
    # 400 caps of equal area would be 5.7 deg in radius: no two closer than that, none lonely.
    assert 5.0 < np.degrees(np.arccos(nearest)).min() < np.degrees(np.arccos(nearest)).max() < 13.0


def test_places_about_a_marker_face_it_from_near_known_places() -> None:
    s = scene()
    stage = bare()
    tag = s.poses[0]
    known = tag.translation + np.array([700.0, 1100.0])[:, None] * tag.rotation[:, 2]
    spots = spots_about(stage, 0, known, 3020.0)
    assert spots
    for spot in spots:
        way = spot.eye - tag.translation
        assert way @ tag.rotation[:, 2] > 0.44 * np.linalg.norm(way)
        assert np.linalg.norm(known - spot.eye, axis=1).min() < 600.0
        assert known[:, 2].min() - 150.0 <= spot.eye[2] <= known[:, 2].max() + 150.0
    wall = replace(stage, bars=(Bar("wall", np.array([-2000.0, 0.0, 0.0]),
                                    np.array([2000.0, 0.0, 0.0]), 2500.0),))  # fmt: skip
    assert spots_about(wall, 0, known, 3020.0) == []


def test_rows_of_many_photos_are_those_of_each_one() -> None:
    rng = np.random.default_rng(4)
    eyes = [*rng.normal(0, 900, (6, 3)), np.array([0.0, 0.0, 900.0])]
    spots = [Spot(e, np.zeros(3), upright) for e in eyes for upright in (False, True)]
    rows = photo_rows(spots)
    assert rows.shape == (len(spots), 16)
    for row, spot in zip(rows, spots, strict=True):
        cam = spot.cam_from_frame
        assert row[:9].reshape(3, 3) == pytest.approx(cam.rotation, abs=1e-12)
        assert row[9:12] == pytest.approx(cam.translation, abs=1e-9)
    assert np.all(rows[:, 12:] == 0.0)
    assert photo_rows([]).shape == (0, 16)
