"""U of what is wanted, against the same law taken numerically through the shapes themselves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scenes import Door, cage_scene, door_scene, survey_of, take_photos

from fitscan.errors import InputError
from fitscan.fit.gap import find_gap
from fitscan.fit.verdict import COVERAGE
from fitscan.plan.lookout import Lookout
from fitscan.plan.wish import Wish, centre_of, functional_of, marker_name
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.propagate import MarkerInput, propagate
from fitscan.shape.straight import CUFF_REACH_MM, straights_of


@pytest.fixture(scope="module")
def lookout() -> Lookout:
    return Lookout.of(survey_of(take_photos(cage_scene(seed=2, photos=14), 4)))


def expanded(lookout: Lookout, wish: Wish) -> float:
    what = functional_of(wish, lookout.survey.kit, lookout.stage.poses, "--tube")
    return lookout.expanded(what, scale=True)


def test_a_markers_wish_is_the_u_that_the_survey_tells(lookout: Lookout) -> None:
    survey = lookout.survey
    marker = survey.markers[3]
    covariance = survey.pose(marker).covariance[3:, 3:]
    own = COVERAGE * float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))
    assert lookout.expanded(centre_of(marker), scale=True) == pytest.approx(own, rel=1e-6)


@pytest.mark.parametrize("tube", ["main hoop", "stay left"])
def test_an_axis_has_the_u_that_its_own_rule_propagates(lookout: Lookout, tube: str) -> None:
    survey = lookout.survey
    straight = straights_of(survey, tube)[0]
    # The wish weighs cuffs alike: so does the rule here.
    rule = AxisRule(straight, np.ones(len(straight.cuffs)))
    axis = rule.axis({c: survey.poses[survey.row(c)] for c in straight.cuffs})
    normals = np.linalg.svd(axis.direction[None])[2][1:]
    worst = 0.0
    along = axis.along(straight.centres)
    for end in (along.min() - CUFF_REACH_MM, along.max() + CUFF_REACH_MM):
        at = axis.at(float(end))

        def across(poses: Any, at: np.ndarray = at) -> np.ndarray:
            line = rule.axis(poses[0])
            reach = (at - line.point) @ axis.direction / (line.direction @ axis.direction)
            return np.asarray(normals @ (line.point + reach * line.direction - at))

        _, covariance = propagate(across, [MarkerInput(survey, straight.cuffs)])
        worst = max(worst, COVERAGE * float(np.sqrt(np.linalg.eigvalsh(covariance)[-1])))
    wish = Wish(tube=tube, straight=straight.number)
    assert expanded(lookout, wish) == pytest.approx(worst, rel=1e-3)


def test_a_lone_cuffs_axis_is_told_by_its_own_direction(lookout: Lookout) -> None:
    survey = lookout.survey
    both = [c for c in survey.kit.cuff if c.tube == "main hoop" and c.straight == 1]
    poses = {m: p for m, p in lookout.stage.poses.items() if m != both[1].first_id}
    wish = Wish(tube="main hoop", straight=1)
    lone = functional_of(wish, survey.kit, poses, "--tube")
    assert lone.markers == (both[0].first_id,)
    pose = survey.pose(both[0].first_id)
    z = pose.b_from_a.rotation[:, 2]
    own = 0.0
    for end in (-CUFF_REACH_MM, CUFF_REACH_MM):
        # The centre's motion and the turn's lever, by hand (GUM 5.1.2): row k is e_k x lever.
        lever = np.cross(np.eye(3), end * z)
        jacobian = np.concatenate([lever.T, np.eye(3)], axis=1)
        square = np.eye(3) - np.outer(z, z)
        covariance = square @ jacobian @ pose.covariance @ jacobian.T @ square
        own = max(own, COVERAGE * float(np.sqrt(np.linalg.eigvalsh(covariance)[-1])))
    assert lookout.expanded(lone, scale=True) == pytest.approx(own, rel=1e-6)


def test_the_two_shoots_of_a_gap_add_up_to_the_gaps_own_u() -> None:
    surveys = {}
    for opened in (True, False):
        shots = take_photos(door_scene(opened=opened, door=Door()), 11 + opened)
        surveys[opened] = survey_of(shots, name="open" if opened else "shut")
    gap = find_gap(surveys[False], "door bar", surveys[True], "seat", "trim")
    worst = max(s.total_expanded_mm for s in gap.straights[0].stations)
    parts = []
    for opened, tube, straight in ((False, "door bar", 1), (True, "seat", 1)):
        lookout = Lookout.of(surveys[opened])
        wish = Wish(tube=tube, straight=straight, on="trim", gap=True)
        parts.append(expanded(lookout, wish))
    # The gap weighs the trim's markers as they are known, and is told where both are straight.
    assert float(np.linalg.norm(parts)) == pytest.approx(worst, rel=0.15)


def test_scale_counts_far_from_the_middle_and_hardly_against_what_is_near(lookout: Lookout) -> None:
    what = centre_of(max(lookout.stage.poses, key=lambda m: float(
        np.linalg.norm(lookout.stage.poses[m].translation))))  # fmt: skip
    assert lookout.expanded(what, scale=False) < 0.8 * lookout.expanded(what, scale=True)


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        (Wish(tube="roof bar"), "no tube 'roof bar'"),
        (Wish(tube="main hoop", straight=7), "no straight 7"),
        (Wish(tube="main hoop", on="bonnet"), "no part 'bonnet'"),
        (Wish(tube="main hoop", on="engine"), "no part 'engine'"),
        (Wish(marker=444), "444"),
    ],
)
def test_what_is_not_there_is_refused_by_its_name(lookout: Lookout, wish: Wish, said: str) -> None:
    with pytest.raises(InputError, match=said):
        expanded(lookout, wish)


def test_a_part_with_two_markers_carries_nothing(lookout: Lookout) -> None:
    poses = {m: p for m, p in lookout.stage.poses.items() if m not in range(32, 40)}
    with pytest.raises(InputError, match="Fewer than three markers of the part 'trim'"):
        functional_of(Wish(tube="main hoop", on="trim"), lookout.survey.kit, poses, "--tube")


def test_markers_are_called_by_what_they_are_on(lookout: Lookout) -> None:
    kit = lookout.survey.kit
    assert marker_name(kit, 3) == "tag 3 on the shell"
    assert marker_name(kit, 100) == "cuff 100 on the main hoop"
