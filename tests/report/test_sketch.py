"""Sketches of where to hold the phone: every place is where it is said to be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plan_shoots import PLACES, one_sided, scene

from fitscan.errors import FitscanError
from fitscan.markers.kit import RuleSpec
from fitscan.plan.advise import Advice, advise
from fitscan.plan.greedy import Plan, plan_shoot
from fitscan.plan.places_file import read_places
from fitscan.plan.project import project_of_places
from fitscan.plan.wish import Wish
from fitscan.report.sketch import (
    advice_sketch,
    plan_sketch,
    write_advice_sketch,
    write_plan_sketch,
)
from fitscan.report.words import SHORT_CAUTION
from fitscan.shape.datum import car_axes


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    file = tmp_path_factory.mktemp("sketch") / "places.toml"
    file.write_text(PLACES, encoding="utf-8")
    rule = (RuleSpec(ids=(50, 51), length_mm=800.0, u_mm=0.2),)
    kit = scene().kit.model_copy(update={"rule": rule})
    project = project_of_places(read_places(file), kit, None, "places.toml")
    return plan_shoot(project, [Wish(tube="main hoop", on="shell", wanted_mm=0.5)])


@pytest.fixture(scope="module")
def advice() -> list[Advice]:
    return advise(one_sided())


def badges(axes: Any, gid: str) -> list[np.ndarray]:
    return [np.array(line.get_xydata()) for line in axes.get_lines() if line.get_gid() == gid]


def words_of(figure: Any) -> str:
    return " ".join(t.get_text() for t in figure.texts)


def test_places_of_a_plan_stand_in_both_views_where_they_are(plan: Plan) -> None:
    figure = plan_sketch(plan)
    above, beside = figure.axes
    for p in plan.places:
        for axes, (a, b) in ((above, (0, 1)), (beside, (0, 2))):
            (found,) = badges(axes, f"place {p.number}")
            assert found[0] == pytest.approx(p.spot.eye[[a, b]])
    numbers = {t.get_text() for t in above.texts}
    assert {str(p.number) for p in plan.places} <= numbers
    assert len(badges(above, "tube")) == len(plan.project.stage.bars)
    assert badges(beside, "ground")


def test_views_have_one_scale_and_the_cars_front_on_the_right(plan: Plan) -> None:
    figure = plan_sketch(plan)
    figure.canvas.draw()
    scales = []
    for axes in figure.axes:
        (x0, y0), (x1, y1) = axes.transData.transform([(0.0, 0.0), (1000.0, 1000.0)])
        assert x1 - x0 == pytest.approx(y1 - y0, rel=1e-3)
        assert x1 > x0
        scales.append(x1 - x0)
        assert "the car's front is on the right" in axes.get_title(loc="left")
    assert scales[0] == pytest.approx(scales[1], rel=1e-3)


def test_every_place_is_also_told_in_words(plan: Plan) -> None:
    said = words_of(plan_sketch(plan))
    for p in plan.places:
        assert f"{p.number}: {p.where.split()[0]}" in said
        assert ("phone upright" if p.spot.upright else "phone across") in said
    assert all(w in said for w in SHORT_CAUTION.split())


def test_advice_is_drawn_in_the_cars_axes_beside_the_photos_taken(advice: list[Advice]) -> None:
    survey = one_sided()
    figure = advice_sketch(survey, advice)
    above = figure.axes[0]
    turn = car_axes(survey).car_from_survey
    photos = [a for a in advice if a.spot is not None]
    for n, a in enumerate(photos, 1):
        assert a.eye_mm is not None
        (found,) = badges(above, f"place {n}")
        assert found[0] == pytest.approx(turn.apply(a.eye_mm)[:2])
    (taken,) = badges(above, "taken")
    assert len(taken) == sum(p.refused is None for p in survey.photos)
    said = words_of(figure)
    assert f"U {photos[0].expanded_now_mm:.2f} mm now" in said


def test_an_advice_without_a_photo_is_a_sketch_of_words() -> None:
    figure = advice_sketch(one_sided(), [Advice("limit", "Read the rule again")])
    assert "Read the rule again." in words_of(figure)
    assert "No photo would help" in words_of(figure)


def test_sketches_are_written_whole_and_never_over_another(
    plan: Plan, advice: list[Advice], tmp_path: Path
) -> None:
    first = write_plan_sketch(plan, tmp_path / "job", replace=False)
    second = write_advice_sketch(one_sided(), advice, tmp_path / "job", replace=False)
    assert [first.name, second.name] == ["job-plan.png", "job-advice.png"]
    assert first.read_bytes()[:4] == b"\x89PNG"
    with pytest.raises(FitscanError, match="exists"):
        write_plan_sketch(plan, tmp_path / "job", replace=False)
    write_plan_sketch(plan, tmp_path / "job", replace=True)
