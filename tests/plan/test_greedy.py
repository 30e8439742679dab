"""Plans before a shoot: what they promise, against the shoot that follows them; and refusals."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from plan_shoots import PLACES, one_sided, scene
from scenes import Scene, survey_of, take_photos

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.markers.kit import Kit, RuleSpec
from fitscan.markers.layout import Layout
from fitscan.plan.greedy import Plan, plan_shoot
from fitscan.plan.lookout import Lookout
from fitscan.plan.places_file import read_places
from fitscan.plan.plan_file import PlanFile, plan_document
from fitscan.plan.project import Project, project_of_places, project_of_survey
from fitscan.plan.spots import HIGHEST_MM, LOWEST_MM, photo_rows
from fitscan.plan.wish import Wish, functional_of
from fitscan.store.json_file import render_json
from fitscan.survey.state import State, pack_markers

WISH = Wish(tube="main hoop", straight=1, on="shell", wanted_mm=0.35)


@pytest.fixture(scope="module")
def kit() -> Kit:
    plan = scene().kit
    return plan.model_copy(update={"rule": (RuleSpec(ids=(50, 51), length_mm=800.0, u_mm=0.2),)})


@pytest.fixture(scope="module")
def project(kit: Kit, tmp_path_factory: pytest.TempPathFactory) -> Project:
    file = tmp_path_factory.mktemp("plan") / "places.toml"
    file.write_text(PLACES, encoding="utf-8")
    return project_of_places(read_places(file), kit, None, "places.toml")


@pytest.fixture(scope="module")
def plan(project: Project) -> Plan:
    return plan_shoot(project, [WISH])


def shoot_of(plan: Plan, seed: int) -> Scene:
    """The car as it really is, a hand's width off the rough list, photographed as planned."""
    rng = np.random.default_rng(seed)
    project = plan.project
    poses = {
        m: Rigid(exp(rng.normal(0, 0.08, 3)) @ p.rotation, p.translation + rng.normal(0, 25.0, 3))
        for m, p in project.stage.poses.items()
    }
    photo = photo_rows([p.spot for p in plan.places])
    photo[:, 12] = rng.normal(0, 0.001, len(photo))
    photo[:, 13] = rng.normal(0.3, 0.1, len(photo))
    photo[:, 14:16] = rng.normal(0, 0.7, (len(photo), 2))
    photo[:, 9:12] += rng.normal(0, 25.0, (len(photo), 3))
    kit = project.stage.kit
    ends = [poses[i].translation for i in (50, 51)]
    length = float(np.linalg.norm(ends[0] - ends[1]))
    kit = kit.model_copy(update={"rule": (RuleSpec(ids=(50, 51), length_mm=length, u_mm=0.2),)})
    form = rng.normal(size=(len(kit.cuff), 3)) * np.array([0.006, 0.05, 0.002])
    lens = project.network.lens
    state = State(photo, pack_markers(list(poses.values())), form, lens.values[None],
                  np.array([[0.997, 0.9985]]), np.array([[0.04]]))  # fmt: skip
    return Scene(kit, Layout.of(kit), tuple(poses), state, lens)


def test_the_shoot_that_follows_the_plan_has_the_u_that_it_promised(plan: Plan) -> None:
    assert plan.reached
    survey = survey_of(take_photos(shoot_of(plan, 3), 4))
    lookout = Lookout.of(survey)
    what = functional_of(WISH, survey.kit, lookout.stage.poses, "--tube")
    promised = plan.planned[0]
    assert lookout.expanded(what, scale=True) == pytest.approx(promised.expanded_mm, rel=0.15)
    assert survey.quality.scale_u == pytest.approx(plan.scale_u, rel=0.15)


def test_places_are_where_a_person_can_stand_and_numbered_as_a_walk(plan: Plan) -> None:
    stage = plan.project.stage
    eyes = np.array([p.spot.eye for p in plan.places])
    assert np.all(eyes[:, 2] - plan.project.ground_mm >= LOWEST_MM - 1.0)
    assert np.all(eyes[:, 2] - plan.project.ground_mm <= HIGHEST_MM + 1.0)
    assert stage.free(eyes).all()
    assert [p.number for p in plan.places] == list(range(1, len(plan.places) + 1))
    assert sorted(p.rank for p in plan.places) == [p.number for p in plan.places]
    middle = stage.centres.mean(axis=0)
    way = np.arctan2(*(eyes - middle).T[[1, 0]]) % (2 * np.pi)
    assert np.all(np.diff(way) >= -1e-9)
    for p in plan.places:
        assert p.height_mm == pytest.approx(p.spot.eye[2] + 300.0)


def test_what_is_wanted_is_seen_three_times_and_u_falls_with_the_photos(plan: Plan) -> None:
    for cuff in (100, 114):
        assert sum(cuff in p.markers for p in plan.places) >= 3
    steps = plan.planned[0].steps
    assert steps[-1] == (len(plan.places), plan.planned[0].expanded_mm)
    us = [u for _, u in steps]
    assert all(b <= a + 1e-9 for a, b in pairwise(us))


def test_chosen_photos_are_better_than_as_many_by_chance(project: Project, plan: Plan) -> None:
    from fitscan.plan import greedy

    blank = greedy._blank(project)
    what = functional_of(WISH, project.stage.kit, project.stage.poses, "--tube")
    offers = greedy._offers(project, blank, list(what.about), lambda *_: None)
    rows = {project.network.marker_row[m] for m in what.about}
    both = [i for i, q in enumerate(offers.squares) if rows <= set(q.marker.tolist())]
    rng = np.random.default_rng(1)
    by_chance = []
    for _ in range(12):
        pick = rng.choice(both, len(plan.places), replace=False).tolist()
        told = greedy._told(project, offers, pick, [WISH])
        if told is not None:
            by_chance.append(told[0][1])
    assert len(by_chance) >= 5
    assert plan.planned[0].scale_aside_mm < 0.75 * float(np.median(by_chance))


def test_a_plan_can_start_from_an_earlier_survey(tmp_path: Path) -> None:
    survey = one_sided()
    plan = plan_shoot(project_of_survey(survey, None, None), [replace(WISH, wanted_mm=0.3)])
    assert plan.project.ground_mm is None
    eyes = np.array([p.spot.eye for p in plan.places])
    known = Lookout.of(survey).eyes
    away = np.linalg.norm(eyes[:, None] - known[None], axis=2).min(axis=1)
    assert away.max() < 600.0
    assert plan.reached
    document = plan_document(plan)
    assert PlanFile.model_validate_json(document.model_dump_json()) == document
    assert '"kind": "fitscan.plan"' in render_json(document)


def test_without_a_rule_there_is_no_plan(project: Project, kit: Kit) -> None:
    none = kit.model_copy(update={"rule": ()})
    with pytest.raises(InputError, match="kit has no rule"):
        plan_shoot(replace(project, stage=replace(project.stage, kit=none)), [WISH])


def test_a_rule_that_is_nowhere_gives_no_scale(project: Project) -> None:
    poses = {m: p for m, p in project.stage.poses.items() if m != 51}
    with pytest.raises(InputError, match="None of the kit's rules has a place"):
        plan_shoot(replace(project, stage=replace(project.stage, poses=poses)), [WISH])


def test_a_cuff_that_nobody_can_see_is_named(kit: Kit, tmp_path: Path) -> None:
    # The hoop's left leg inside a box of its own.
    file = tmp_path / "places.toml"
    box = "\n[[block]]\nstart = [0, 480, 50]\nend = [260, 620, 1050]\n"
    file.write_text(PLACES + box, encoding="utf-8")
    project = project_of_places(read_places(file), kit, None, "places.toml")
    with pytest.raises(DataError, match="No place where a phone can be held shows cuff 100"):
        plan_shoot(project, [WISH])


def test_what_the_scale_forbids_is_said_with_what_would_help(project: Project) -> None:
    plan = plan_shoot(project, [replace(WISH, wanted_mm=0.05)], most=16)
    assert not plan.reached
    assert len(plan.places) <= 16
    assert "0.05 mm cannot be had here: the scale alone is only known to" in plan.sentences[0]
