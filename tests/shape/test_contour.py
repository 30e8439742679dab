"""Lips by pointers: order, centre lines, what bows between tips, and pointers that are missing."""

from __future__ import annotations

import numpy as np
import pytest
from known_surveys import known_survey

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit, PointerSpec, TagSpec
from fitscan.shape.contour import Contour, lip_named
from fitscan.survey.survey import Survey

REACH_MM = 25.0


def pointing_at(tip: Array) -> Rigid:
    """trim_from_pointer of a flat pointer whose tip touches a place."""
    return Rigid(np.eye(3), tip + np.array([0.0, REACH_MM, 0.0]))


def lips(**tips: list[list[float]]) -> Survey:
    """A survey with pointers "NAME 1", "NAME 2", ... at tips; its frame is the trim's."""
    pointers: list[PointerSpec] = []
    poses: dict[int, Rigid] = {}
    for name, places in tips.items():
        for number, place in enumerate(places, 1):
            marker = 300 + len(pointers)
            text = f"{name.replace('_', ' ')} {number}"
            pointers.append(
                PointerSpec(id=marker, side_mm=20.0, reach_mm=REACH_MM, part="trim", name=text)
            )
            poses[marker] = pointing_at(np.array(place, dtype=np.float64))
    tags = tuple(TagSpec(id=i, side_mm=30.0, part="trim") for i in range(3))
    kit = Kit(tag=tags, pointer=tuple(reversed(pointers)))
    return known_survey(kit, poses, survey_from_car=Rigid.identity())


STRAIGHT = [[0.0, 0.0, 1.0], [150.0, 0.0, 1.0], [300.0, 0.0, 1.0]]


def test_pointers_are_taken_in_the_order_of_their_numbers_and_tips_where_they_touch() -> None:
    survey = lips(upper_lip=STRAIGHT)
    lip = lip_named(survey, "Upper")
    assert lip.marks.ids == (300, 301, 302)
    poses = Contour.of(survey, ["upper lip"]).poses
    assert lip.tips(poses) == pytest.approx(np.array(STRAIGHT))


def test_every_tip_is_a_station_and_none_is_farther_from_the_next_than_asked() -> None:
    contour = Contour.of(lips(upper_lip=[[0, 0, 0], [130, 0, 0], [300, 0, 0]]), ["upper lip"])
    stops = contour.stops(50.0)
    assert {0.0, 130.0, 300.0} <= {round(a, 6) for a in stops.along_mm}
    assert np.diff(stops.along_mm).max() <= 50.0 + 1e-9
    points, along, width = contour.points(contour.poses, stops)
    assert points[:, 0] == pytest.approx(stops.along_mm)
    assert along == pytest.approx(np.tile([1.0, 0.0, 0.0], (len(stops), 1)))
    assert not width.any()


def test_the_centre_line_runs_midway_between_two_lips() -> None:
    survey = lips(upper_lip=[[0, 22, 1], [300, 28, 2]], lower_lip=[[-40, -20, 0], [330, -20, 0]])
    contour = Contour.of(survey, ["upper lip", "lower lip"])
    stops = contour.stops(60.0)
    points, along, width = contour.points(contour.poses, stops)
    for x, u, w in zip(points, along, width, strict=True):
        upper, lower = x - 0.5 * w, x + 0.5 * w
        # On both lips, and abreast of each other.
        assert upper[1] == pytest.approx(22.0 + 6.0 * upper[0] / 300.0)
        assert lower[1] == pytest.approx(-20.0)
        assert w @ u == pytest.approx(0.0, abs=1e-9)
    # Exchanging the lips leaves the line.
    other = Contour.of(survey, ["lower lip", "upper lip"])
    back = other.points(other.poses, other.stops(60.0))[0]
    for x in back:
        off = np.linalg.norm(np.cross(x - points[0], points[-1] - points[0]))
        assert off / np.linalg.norm(points[-1] - points[0]) < 0.05


def test_stations_end_where_the_other_lip_ends() -> None:
    survey = lips(upper_lip=[[0, 20, 0], [300, 20, 0]], lower_lip=[[100, -20, 0], [200, -20, 0]])
    stops = Contour.of(survey, ["upper lip", "lower lip"]).stops(20.0)
    assert stops.along_mm.min() >= 100.0 - 1e-9
    assert stops.along_mm.max() <= 200.0 + 1e-9


def test_an_arcs_bow_is_within_what_u_allows_and_none_is_added_at_the_tips() -> None:
    radius = 900.0
    angle = np.array([-0.2, 0.0, 0.2])
    tips = [[float(radius * np.sin(a)), float(radius * (1 - np.cos(a))), 0.0] for a in angle]
    contour = Contour.of(lips(upper_lip=tips), ["upper lip"])
    stops = contour.stops(20.0)
    points, _, _ = contour.points(contour.poses, stops)
    off = radius - np.linalg.norm(points - [0.0, radius, 0.0], axis=1)
    at_tips = np.isclose(stops.share, 0.0) | np.isclose(stops.share, 1.0)
    assert np.abs(off[at_tips]).max() < 1e-9
    assert stops.bow_u_mm[at_tips].max() < 1e-9
    assert off.max() > 4.0
    assert np.all(np.abs(off[~at_tips]) <= 2.0 * stops.bow_u_mm[~at_tips])
    # The lip lies in a plane, and nothing is claimed of bowing out of it.
    assert np.abs(stops.bow[:, 2, :]).max() < 1e-9


def test_a_lip_of_two_pointers_is_straight_because_the_user_says_so() -> None:
    contour = Contour.of(lips(upper_lip=[[0, 0, 0], [300, 0, 0]]), ["upper lip"])
    assert contour.taken_as_straight
    assert contour.stops(50.0).bow_u_mm.max() == 0.0
    # Unless the other lip shows that the recess bends.
    survey = lips(upper_lip=[[0, 20, 0], [150, 45, 0], [300, 20, 0]],
                  lower_lip=[[0, -20, 0], [300, -20, 0]])  # fmt: skip
    assert Contour.of(survey, ["upper lip", "lower lip"]).stops(50.0).bow_u_mm.max() > 5.0


def test_missing_pointers_are_known_by_name() -> None:
    survey = lips(upper_lip=STRAIGHT)
    kit = survey.kit
    more = PointerSpec(id=310, side_mm=20.0, reach_mm=REACH_MM, part="trim", name="upper lip 4")
    fuller = kit.model_copy(update={"pointer": (*kit.pointer, more)})
    known = dict(zip(survey.markers, survey.poses, strict=True))
    lip = lip_named(known_survey(fuller, known), "upper lip")
    assert lip.missing == ("upper lip 4",)


def test_what_is_no_contour_is_refused() -> None:
    survey = lips(upper_lip=STRAIGHT, lower_lip=[[0, -40, 0]])
    with pytest.raises(InputError, match=r"begins with 'sill'.*'lower lip 1', 'upper lip 3'"):
        Contour.of(survey, ["sill"])
    with pytest.raises(DataError, match=r"two pointers or more, and 1 of 'lower lip' was found"):
        Contour.of(survey, ["lower lip"])
    with pytest.raises(InputError, match="share the pointers 300, 301, 302"):
        Contour.of(survey, ["upper lip", "upper"])
    with pytest.raises(InputError, match="3 contours are named"):
        Contour.of(survey, ["upper lip"] * 3)
    twice = lips(upper_lip=[[0, 0, 0], [0.2, 0, 0]])
    with pytest.raises(DataError, match=r"300 and 301 of 'upper lip' point at one place"):
        Contour.of(twice, ["upper lip"]).stops(50.0)
    apart = lips(upper_lip=[[0, 20, 0], [100, 20, 0]], lower_lip=[[400, -20, 0], [500, -20, 0]])
    with pytest.raises(DataError, match="No place of 'lower lip' lies abreast"):
        Contour.of(apart, ["upper lip", "lower lip"]).stops(50.0)
