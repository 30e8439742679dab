"""Advice after a survey: what it names, and whether the photo brings what was promised."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from plan_shoots import SHORT, one_sided, survey_with, world_from_survey

from fitscan.fit.verdict import COVERAGE
from fitscan.plan.advise import Advice, advise, advise_if_possible, with_advice
from fitscan.plan.lookout import Lookout
from fitscan.plan.plan_file import AdviceFile, advice_document
from fitscan.plan.wish import Wish, centre_of, functional_of
from fitscan.store.json_file import render_json
from fitscan.survey.gauge import told_among
from fitscan.survey.survey import Dropped, Survey


@pytest.fixture(scope="module")
def survey() -> Survey:
    return one_sided()


@pytest.fixture(scope="module")
def advice(survey: Survey) -> list[Advice]:
    return advise(survey)


@pytest.fixture(scope="module")
def after(survey: Survey, advice: list[Advice]) -> Survey:
    """The survey with the first photo that was advised, really taken and adjusted."""
    spot = advice[0].spot
    assert spot is not None
    return survey_with(survey, spot.cam_from_frame)


def own_u(survey: Survey, marker: int, common: list[int]) -> float:
    """U of a centre among common markers, scale aside, from the survey's own covariance."""
    centres = np.array([survey.poses[survey.row(m)].translation for m in common])
    among = told_among(centres, scale=False)
    told = among @ survey.joint(common) @ among.T
    at = slice(6 * common.index(marker) + 3, 6 * common.index(marker) + 6)
    return COVERAGE * float(np.sqrt(np.linalg.eigvalsh(told[at, at])[-1]))


def test_the_marker_that_was_seen_from_one_side_is_named_with_its_cause(
    advice: list[Advice],
) -> None:
    assert advice[0].kind == "photo"
    first = next(a for a in advice if a.marker == SHORT)
    assert first.sentence.startswith(f"Cuff {SHORT} on the main hoop is seen in two photos")
    assert "all from one side" in first.sentence
    assert f"U {first.expanded_now_mm:.2f} mm now, {first.expanded_then_mm:.2f} mm then" in (
        first.sentence
    )


def test_the_photo_brings_what_was_promised_when_it_is_taken(
    survey: Survey, advice: list[Advice], after: Survey
) -> None:
    first = advice[0]
    assert first.spot is not None
    assert first.expanded_now_mm is not None
    assert first.expanded_then_mm is not None
    assert first.marker is not None
    common = [m for m in survey.markers if after.has(m)]
    assert first.marker in common
    now, then = (own_u(s, first.marker, common) for s in (survey, after))
    assert now == pytest.approx(first.expanded_now_mm, rel=0.05)
    assert then == pytest.approx(first.expanded_then_mm, rel=0.15)
    assert then < 0.6 * now
    assert set(first.shows) <= set(after.markers)


def test_all_u_of_the_new_survey_are_foreseen_not_only_the_one_asked_for(
    survey: Survey, advice: list[Advice], after: Survey
) -> None:
    spot = advice[0].spot
    assert spot is not None
    lookout = Lookout.of(survey)
    offer = lookout.offers([spot])[0]
    common = [m for m in survey.markers if after.has(m)]
    ratios = []
    for marker in common:
        what = centre_of(marker)
        rows = what.rows(lookout.foresight, scale=False)
        built = what.expanded(rows @ lookout.foresight.covariance @ rows.T)
        foreseen = lookout.after(rows, what, [offer])[0] / built
        true = own_u(after, marker, common) / own_u(survey, marker, common)
        ratios.append(foreseen / true)
    assert np.median(ratios) == pytest.approx(1.0, abs=0.05)
    assert np.mean(np.abs(np.array(ratios) - 1.0) < 0.15) > 0.9


def test_the_phone_is_near_where_photos_were_taken_and_sees_the_marker(
    survey: Survey, advice: list[Advice]
) -> None:
    lookout = Lookout.of(survey)
    for a in advice:
        if a.spot is None or a.marker is None:
            continue
        assert a.marker in a.shows
        away = np.linalg.norm(lookout.eyes - a.spot.eye, axis=1)
        assert away.min() < 600.0
        assert a.near_photo == lookout.photos[int(np.argmin(away))].name
        centre = survey.poses[survey.row(a.marker)].translation
        assert a.distance_mm == pytest.approx(float(np.linalg.norm(a.spot.eye - centre)))


def test_directions_are_the_cars_when_the_kit_knows_them(
    survey: Survey, advice: list[Advice]
) -> None:
    first = advice[0]
    assert first.eye_in_car_mm is not None
    world = world_from_survey(survey)
    assert first.spot is not None
    true = world.apply(first.spot.eye)
    # The scene's world is the car but for the datum's origin, midway between tags 54 and 55.
    assert first.eye_in_car_mm + np.array([50.0, 0.0, 20.0]) == pytest.approx(true, abs=5.0)
    assert first.marker is not None
    way = true - world.apply(survey.poses[survey.row(first.marker)].translation)
    for word, sign, axis in (("ahead", 1, 0), ("behind", -1, 0), ("left", 1, 1), ("right", -1, 1),
                             ("above", 1, 2), ("below", -1, 2)):  # fmt: skip
        if word in first.where.split(" (")[0]:
            assert sign * way[axis] > 0


def test_without_a_datum_one_goes_by_an_earlier_photo_or_a_named_tube(survey: Survey) -> None:
    kit = survey.kit.model_copy(update={"datum": None})
    first = advise(replace(survey, kit=kit))[0]
    assert first.eye_in_car_mm is None
    assert ("of where photo" in first.where) or ("the other side of the" in first.where)
    assert not any(w in first.where for w in ("behind", "ahead", "on the left", "on the right"))


def test_a_wish_is_answered_with_its_own_u_before_and_after(survey: Survey) -> None:
    wish = Wish(marker=SHORT, on="cage")
    found = advise(survey, wish, most=2)
    photos = [a for a in found if a.kind == "photo"]
    assert photos
    lookout = Lookout.of(survey)
    what = functional_of(wish, survey.kit, lookout.stage.poses, "--tube")
    assert photos[0].expanded_now_mm == pytest.approx(lookout.expanded(what, scale=True))
    assert photos[0].wish == wish.words
    falls = [photos[0].expanded_now_mm, *(a.expanded_then_mm for a in photos)]
    assert all(b is not None and a is not None and b < a for a, b in pairwise(falls))


def test_what_is_good_already_needs_no_photo(survey: Survey) -> None:
    found = advise(survey, Wish(marker=survey.markers[0], wanted_mm=5.0))
    assert [a.kind for a in found if a.kind in ("photo", "limit")] == ["limit"]
    assert "no photo needed" in found[0].sentence


def test_what_only_the_rules_can_mend_is_said(survey: Survey) -> None:
    quality = replace(survey.quality, scale_u=0.002)
    centres = np.array([p.translation for p in survey.poses])
    away = np.zeros((len(centres), 6))
    away[:, 3:] = centres - centres.mean(axis=0)
    flat = away.reshape(-1)
    # The scale of all lengths, two parts in a thousand, and nothing else.
    poor = replace(
        survey, quality=quality, covariance=survey.covariance + 0.002**2 * np.outer(flat, flat)
    )
    far = survey.markers[int(np.argmax(np.linalg.norm(away[:, 3:], axis=1)))]
    found = advise(poor, Wish(marker=far, wanted_mm=0.2))
    limits = [a.sentence for a in found if a.kind == "limit"]
    assert len(limits) == 1
    assert "which no photo mends" in limits[0]


def test_markers_that_got_no_place_are_named(survey: Survey) -> None:
    dropped = (Dropped("", 128, "it was measured in fewer than two photos"),)
    poor = replace(survey, quality=replace(survey.quality, dropped=dropped))
    lost = [a for a in advise(poor) if a.kind == "lost"]
    assert len(lost) == 1
    assert "uff 128 on the main hoop got no place" in lost[0].sentence


def test_a_lens_that_was_changed_and_squares_too_small_are_told(survey: Survey) -> None:
    photos = tuple(
        replace(p, focal_factor=1.011) if i == 2 else p for i, p in enumerate(survey.photos)
    )
    tags = tuple(
        t.model_copy(update={"side_mm": 5.0}) if t.id == survey.markers[0] else t
        for t in survey.kit.tag
    )
    kit = survey.kit.model_copy(update={"tag": tags})
    said = [
        a.sentence for a in advise(replace(survey, photos=photos, kit=kit)) if a.kind == "shoot"
    ]
    assert any("photo02.jpg was taken with the lens set 1.1 % away" in s for s in said)
    assert any(f"ag {survey.markers[0]} on the" in s and "go nearer" in s for s in said)


def test_advice_goes_into_the_survey_once_and_into_a_file(
    survey: Survey, advice: list[Advice]
) -> None:
    told = with_advice(with_advice(survey, advice), advice)
    assert told.quality.advice == (*survey.quality.advice, *(a.sentence for a in advice))
    document = advice_document(survey, advice)
    again = AdviceFile.model_validate_json(document.model_dump_json())
    assert again.advice[0].U_now_mm == advice[0].expanded_now_mm
    assert again.caution
    assert '"kind": "fitscan.advice"' in render_json(document)


def test_a_survey_that_cannot_be_asked_gets_no_advice(survey: Survey) -> None:
    none = tuple(replace(p, tags=()) for p in survey.photos)
    assert advise_if_possible(replace(survey, photos=none)) == []
