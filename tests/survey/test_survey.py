"""The survey itself: joint covariances, axes, pointers, and what is not in it."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scenes import small_scene, survey_of, take_photos

from fitscan.errors import InputError
from fitscan.markers.kit import Kit, PointerSpec
from fitscan.survey.survey import Survey


@lru_cache(maxsize=1)
def survey() -> Survey:
    return survey_of(take_photos(small_scene(1, 12), 1))


def test_a_joint_covariance_holds_each_markers_own_and_what_they_share() -> None:
    s = survey()
    joint = s.joint([140, 53, 3])
    assert np.array_equal(joint[6:12, 6:12], s.pose(53).covariance)
    rows = [6 * s.row(m) + k for m in (140, 53, 3) for k in range(6)]
    assert np.array_equal(joint, s.covariance[np.ix_(rows, rows)])


def test_the_joint_covariance_is_symmetric_and_has_no_negative_direction() -> None:
    s = survey()
    assert s.covariance.shape == (6 * len(s.markers), 6 * len(s.markers))
    assert np.array_equal(s.covariance, s.covariance.T)
    values = np.linalg.eigvalsh(s.covariance)
    assert values.min() > -1e-10 * values.max()


def test_an_axis_is_the_cuffs_centre_and_its_z() -> None:
    s = survey()
    axis = s.axis_at(140)
    assert np.array_equal(axis.point, s.poses[s.row(140)].translation)
    assert np.array_equal(axis.direction, s.poses[s.row(140)].rotation[:, 2])


def test_a_pointers_tip_is_its_reach_below_the_tag_as_it_was_printed() -> None:
    s = survey()
    pointer = PointerSpec(id=31, side_mm=30.0, reach_mm=25.0, part="trim", name="upper lip")
    tags = tuple(t for t in s.kit.tag if t.id != 31)
    kit = Kit(tag=tags, pointer=(pointer,), cuff=s.kit.cuff, rule=s.kit.rule)
    s = replace(s, kit=kit)
    tip, covariance = s.pointer_tip(31)
    pose = s.poses[s.row(31)]
    down = 25.0 * s.quality.printer[1]
    assert tip == pytest.approx(pose.translation - down * pose.rotation[:, 1], abs=1e-9)
    # The arrow is a lever: the tip is known less well than the centre.
    assert np.trace(covariance) > np.trace(s.pose(31).covariance[3:, 3:])
    with pytest.raises(InputError, match="not a pointer"):
        s.pointer_tip(3)


def test_what_is_not_in_the_survey_is_refused_by_name() -> None:
    s = survey()
    with pytest.raises(InputError, match="Marker 586"):
        s.row(586)
    with pytest.raises(InputError, match="no tube 'roof bar'") as caught:
        s.cuffs_of("roof bar")
    assert "main hoop" in caught.value.todo
    without = replace(s, markers=tuple(m if m < 100 else -m for m in s.markers))
    with pytest.raises(InputError, match="No cuff of the tube 'main hoop'"):
        without.cuffs_of("main hoop")


def test_a_parts_markers_come_in_the_order_of_the_covariance() -> None:
    s = survey()
    assert s.of_part("trim") == [m for m in s.markers if 30 <= m < 38]
    assert s.of_part("bonnet") == []
