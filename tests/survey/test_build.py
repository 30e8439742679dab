"""The whole survey on simulated corners and edges with known truth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scenes import (
    Noise,
    Scene,
    Shots,
    centre_errors,
    lens_prior,
    photo_name,
    small_scene,
    survey_of,
    take_photos,
    with_motions,
)

from fitscan.detect.tags import Detections
from fitscan.errors import DataError
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.markers.kit import PrinterSpec
from fitscan.survey.quality import SCALE_WARNING
from fitscan.survey.survey import Survey

PHOTOS = 24


@lru_cache(maxsize=4)
def scene(*, rules: bool = True, nuisances: bool = True) -> Scene:
    return small_scene(1, PHOTOS, rules=rules, nuisances=nuisances)


@lru_cache(maxsize=4)
def shots(*, rules: bool = True, nuisances: bool = True) -> Shots:
    return take_photos(scene(rules=rules, nuisances=nuisances), 1)


@lru_cache(maxsize=4)
def survey(*, rules: bool = True, nuisances: bool = True) -> Survey:
    rng = np.random.default_rng(7)
    prior = lens_prior(scene().lens, rng)
    return survey_of(shots(rules=rules, nuisances=nuisances), prior=prior)


def fewer(*, rules: bool = True) -> Shots:
    """Every other photo, where a question does not need them all."""
    given = shots(rules=rules)
    return given.only(given.geometry.photo % 2 == 0)


def scale_error(s: Survey, truth: Scene) -> float:
    found = np.array([p.translation for p in s.poses])
    true = np.array([truth.poses[m].translation for m in s.markers])
    return 1.0 / align_points(found, true, with_scale=True).scale - 1.0


def test_centres_are_right_to_a_tenth_of_a_millimetre_over_a_cabin() -> None:
    # The bound of the main job is 0.3 mm; edges here scatter by 0.05 px.
    assert np.sqrt(np.mean(centre_errors(survey(), scene()) ** 2)) < 0.1
    assert len(survey().markers) >= 34


def test_tube_axes_are_right_to_a_hundredth_of_a_degree_for_the_true_wrap() -> None:
    s = survey()
    found = np.array([p.translation for p in s.poses])
    true = np.array([scene().poses[m].translation for m in s.markers])
    world_from_survey = align_points(found, true, with_scale=False).b_from_a
    for cuff in (100, 120, 140, 160):
        axis = world_from_survey.turn(s.axis_at(cuff).direction)
        wanted = scene().poses[cuff].rotation[:, 2]
        # A wrap's skew tilts the axis's look by itself; it is among the unknowns.
        assert np.degrees(np.arccos(np.clip(axis @ wanted, -1, 1))) < 0.1


def test_the_printers_scale_comes_back_within_its_uncertainty() -> None:
    q = survey().quality
    for found, u, true in zip(q.printer, q.printer_u, (0.997, 0.9985), strict=True):
        assert abs(found - true) < 3.0 * u
        # Rules of 0.2 mm in 0.8 and 0.9 m: about 0.02 %.
        assert u < 4e-4


def test_ink_and_edge_shift_are_told_apart_by_the_sizes_of_tags() -> None:
    assert survey().quality.ink_mm == pytest.approx(0.04, abs=0.01)


def test_each_photos_focal_factor_is_found() -> None:
    s = survey()
    true = np.exp(scene().state.photo[:, 12])
    rows = {photo_name(i): i for i in range(len(true))}
    # What all photos share belongs to the lens; photos with fewer than ten squares say little.
    pairs = [(p.focal_factor, true[rows[p.name]]) for p in s.photos if len(p.tags) >= 10]
    difference = np.array([a - b for a, b in pairs])
    assert len(pairs) >= 12
    assert np.std(difference) < 3e-4


def test_how_each_cuff_was_wrapped_is_found() -> None:
    for row, cuff in enumerate(scene().kit.cuff):
        skew, radius, pitch = survey().forms[cuff.first_id]
        true = scene().state.form[row]
        assert skew == pytest.approx(true[0], abs=7e-4)
        assert radius == pytest.approx(true[1], abs=0.03)
        assert pitch == pytest.approx(true[2], abs=7e-4)


def test_nuisances_that_are_absent_are_not_invented_and_do_no_harm() -> None:
    s, truth = survey(nuisances=False), scene(nuisances=False)
    assert np.sqrt(np.mean(centre_errors(s, truth) ** 2)) < 0.1
    q = s.quality
    assert np.all(np.abs(np.array(q.printer) - 1.0) < 3.0 * np.array(q.printer_u))
    assert abs(q.ink_mm) < 0.01
    for skew, radius, pitch in s.forms.values():
        assert abs(skew) < 7e-4
        assert abs(radius) < 0.03
        assert abs(pitch) < 7e-4


def test_residuals_are_the_noise_that_was_put_in() -> None:
    q = survey().quality
    assert q.rms_px == pytest.approx(0.047, abs=0.005)
    assert q.flat_factor == pytest.approx(1.0, abs=0.07)
    assert q.cuff_factor == pytest.approx(1.0, abs=0.07)
    for photo in survey().photos:
        if len(photo.tags) >= 10:
            assert photo.rms_px == pytest.approx(0.047, abs=0.012)


def test_wrong_standard_deviations_are_put_right_for_flat_tags_and_cuffs_apart() -> None:
    given = fewer()
    on_cuff = given.geometry.cuff >= 0
    stated = np.where(on_cuff, 3.0, 0.5)[:, None, None] ** 2 * given.covariance
    q = survey_of(replace(given, covariance=stated)).quality
    assert q.flat_factor == pytest.approx(2.0, rel=0.1)
    assert q.cuff_factor == pytest.approx(1.0 / 3.0, rel=0.1)


def test_rules_carry_the_scale_and_its_uncertainty_is_theirs() -> None:
    s = survey()
    assert s.quality.scale_source == "rules"
    assert SCALE_WARNING not in s.quality.warnings
    # Two rules of 0.2 mm over 0.8 and 0.9 m, weighted: 1 / sqrt((800/0.2)^2 + (900/0.2)^2).
    assert s.quality.scale_u == pytest.approx(1.66e-4, rel=0.05)
    assert abs(scale_error(s, scene())) < 3.0 * s.quality.scale_u


def test_each_rule_says_how_far_off_it_is_and_what_error_it_would_show() -> None:
    first, second = survey().quality.rules
    assert (first.ids, first.length_mm, first.u_mm) == ((50, 51), 800.0, 0.2)
    s = survey()
    for rule in (first, second):
        a, b = (s.poses[s.row(i)].translation for i in rule.ids)
        measured = float(np.linalg.norm(a - b))
        assert rule.difference_mm == pytest.approx(measured - rule.length_mm, abs=1e-6)
        assert abs(rule.difference_mm) < 0.5
        assert 0.3 < rule.redundancy < 0.7
        assert rule.smallest_error_mm == pytest.approx(
            4.1321 * rule.u_mm / np.sqrt(rule.redundancy), rel=1e-6
        )
    # The two rules share the control of one scale (and of nothing else).
    assert first.redundancy + second.redundancy == pytest.approx(1.0, abs=0.02)


def test_rules_that_contradict_each_other_are_named_in_a_warning() -> None:
    rules = scene().kit.rule
    wrong = rules[1].model_copy(update={"length_mm": 905.0})
    kit = scene().kit.model_copy(update={"rule": (rules[0], wrong)})
    q = survey_of(fewer(), kit=kit).quality
    assert any("rules contradict each other" in w and "905" in w for w in q.warnings)
    assert q.scale_u > 2e-4
    assert not any("contradict" in w for w in survey().quality.warnings)


def test_a_wrong_rule_does_not_throw_out_the_tags_of_the_right_one() -> None:
    # Ten photos only: each tag of a rule is seen so seldom that the rule could overrule them.
    thin = small_scene(1, 20)
    few = take_photos(thin, 1)
    rules = thin.kit.rule
    wrong = rules[1].model_copy(update={"length_mm": 905.0})
    kit = thin.kit.model_copy(update={"rule": (rules[0], wrong)})
    s = survey_of(few.only(few.geometry.photo % 2 == 0), kit=kit)
    assert [r.ids for r in s.quality.rules] == [(50, 51), (52, 53)]
    assert any("rules contradict each other" in w for w in s.quality.warnings)


def test_one_rule_that_contradicts_the_printed_sizes_is_named_in_a_warning() -> None:
    wrong = scene().kit.rule[0].model_copy(update={"length_mm": 860.0})
    q = survey_of(fewer(), kit=scene().kit.model_copy(update={"rule": (wrong,)})).quality
    assert any("contradict the printed sizes" in w and "860" in w for w in q.warnings)


def test_without_a_rule_the_scale_is_a_guess_and_every_result_says_so() -> None:
    s, truth = survey(rules=False), scene(rules=False)
    assert SCALE_WARNING in s.quality.warnings
    assert s.quality.scale_source == "printed size"
    assert any("rule" in line for line in s.quality.advice)
    assert abs(scale_error(s, truth)) < 3.0 * s.quality.scale_u
    # Shape does not need a rule: after scaling, centres are as good as ever.
    found = np.array([p.translation for p in s.poses])
    true = np.array([truth.poses[m].translation for m in s.markers])
    left = align_points(found, true, with_scale=True).apply(found) - true
    assert np.sqrt(np.mean(np.sum(left**2, axis=1))) < 0.1


def test_without_a_rule_the_scale_is_stated_as_a_printers_guess() -> None:
    # Printer, wrap and tube diameter together; a rule is ten times as good.
    assert 0.001 < survey(rules=False).quality.scale_u < 0.006


def test_a_printer_that_was_measured_with_a_steel_rule_is_believed() -> None:
    printer = PrinterSpec(across=0.997, along=0.9985)
    kit = scene(rules=False).kit.model_copy(update={"printer": printer})
    s = survey_of(fewer(rules=False), kit=kit)
    assert s.quality.scale_u < 1.2e-3
    assert abs(scale_error(s, scene(rules=False))) < 3.0 * s.quality.scale_u


def moved_after_half(marker: int, shift_mm: float) -> Survey:
    """The survey of a shoot in whose middle one marker was moved."""
    truth, before = scene(), shots()
    step = Rigid(np.eye(3), np.array([shift_mm, 0.0, 0.0]))
    after = take_photos(with_motions(truth, {marker: step}), 1)
    row = truth.markers.index(marker)
    photos = np.unique(before.geometry.photo[before.geometry.marker == row])
    cut = photos[len(photos) // 2]
    return survey_of(
        before.only(before.geometry.photo < cut).joined(after.only(after.geometry.photo >= cut))
    )


@pytest.mark.parametrize(
    ("marker", "shift_mm"),
    [
        pytest.param(14, 4.0, id="a tag a little"),
        pytest.param(100, 4.0, id="a cuff", marks=pytest.mark.slow),
        pytest.param(23, 60.0, id="a tag far", marks=pytest.mark.slow),
        pytest.param(50, 60.0, id="a rule's tag", marks=pytest.mark.slow),
    ],
)
def test_a_marker_that_moved_during_the_shoot_is_left_out_and_named(
    marker: int, shift_mm: float
) -> None:
    s = moved_after_half(marker, shift_mm)
    assert not s.has(marker)
    reasons = [d.reason for d in s.quality.dropped if d.tag_id == marker and not d.photo]
    assert any("moved" in reason for reason in reasons)
    assert centre_errors(s, scene()).max() < 0.25


def test_single_wrong_squares_are_left_out_one_by_one_and_named_with_their_photos() -> None:
    given = shots()
    rng = np.random.default_rng(3)
    bad = rng.choice(len(given.geometry), 6, replace=False)
    observed = given.observed.copy()
    observed[bad, :8] += np.tile(rng.choice([-1.0, 1.0], (6, 2)) * 1.5, 4)
    s = survey_of(replace(given, observed=observed))
    told = {(d.photo, d.tag_id) for d in s.quality.dropped if d.photo}
    g = given.geometry
    for i in bad:
        place = (photo_name(int(g.photo[i])), int(g.tag_id[i]))
        if scene().markers[int(g.marker[i])] in s.markers:
            assert place in told
    assert len(told) <= 10
    assert np.sqrt(np.mean(centre_errors(s, scene()) ** 2)) < 0.1


@lru_cache(maxsize=1)
def survey_with_strangers() -> Survey:
    """Tag 7 is at two places of one photo, and one photo shows a tag that no kit has."""
    given = shots()

    def first(row: int) -> Detections:
        seen = given.geometry.photo == row
        ids, corners = given.geometry.tag_id[seen], given.first[seen]
        twice = (7,) if row == 10 else ()
        own = ids != (7 if row == 10 else -1)
        return Detections(ids[own], corners[own], twice)

    return survey_of(given, first_of=first, unknown={301: ("photo03.jpg",)})


def test_an_id_at_two_places_is_left_out_of_every_photo_and_warned_of() -> None:
    assert not survey_with_strangers().has(7)
    assert any("Tag 7 is there twice" in w for w in survey_with_strangers().quality.warnings)


def test_ids_that_the_kit_does_not_know_are_warned_of() -> None:
    assert any("301" in w for w in survey_with_strangers().quality.warnings)


def test_tags_that_the_first_look_missed_are_counted_as_sought() -> None:
    missed = take_photos(scene(), 1, Noise(missed=0.25))
    s = survey_of(missed)
    assert s.quality.sought == pytest.approx(0.25 * s.quality.squares, rel=0.25)
    assert np.sqrt(np.mean(centre_errors(s, scene()) ** 2)) < 0.1


def test_groups_of_photos_that_share_no_marker_are_named() -> None:
    g = shots().geometry
    ids = np.array([scene().markers[m] for m in g.marker])
    one = (g.photo < 12) & (ids < 100) & (ids % 2 == 0)
    other = (g.photo >= 12) & (ids < 100) & (ids % 2 == 1)
    with pytest.raises(DataError, match="2 groups that share no marker") as caught:
        survey_of(shots().only(one | other))
    assert "photo05.jpg" not in caught.value.what  # four of each group are enough
    assert "photo00.jpg" in caught.value.what
    assert "photo13.jpg" in caught.value.what
    assert "two groups together" in caught.value.todo


def test_a_photo_that_shares_no_marker_is_refused_by_name_and_the_others_go_on() -> None:
    g = shots().geometry
    ids = np.array([scene().markers[m] for m in g.marker])
    lonely = 16
    alone = [int(t) for t in np.unique(ids[(g.photo == lonely) & (ids < 100)])]
    rest = (g.photo != lonely) & ~np.isin(ids, alone)
    s = survey_of(shots().only(rest | ((g.photo == lonely) & (ids < 100))))
    entry = next(p for p in s.photos if p.name == photo_name(lonely))
    assert entry.refused == "it shares no marker with the other photos"
    assert entry.cam_from_survey is None
    assert len(s.markers) > 10


@pytest.mark.parametrize(
    ("photos", "message"),
    [([14], "Only one photo shows tags"), ([], "No tag of the kit"), ([13, 14], "No marker")],
    ids=["one", "none", "two"],
)
def test_too_few_photos_are_refused_with_a_sentence(photos: list[int], message: str) -> None:
    with pytest.raises(DataError, match=message):
        survey_of(shots().only(np.isin(shots().geometry.photo, photos)))


def test_the_order_of_photos_and_kit_changes_nothing() -> None:
    kit = scene().kit
    turned = kit.model_copy(
        update={"tag": kit.tag[::-1], "cuff": kit.cuff[::-1], "rule": kit.rule[::-1]}
    )
    prior = lens_prior(scene().lens, np.random.default_rng(7))
    order = np.random.default_rng(0).permutation(PHOTOS).tolist()
    other = survey_of(shots(), kit=turned, order=order, prior=prior)
    assert [p.name for p in other.photos] == [p.name for p in survey().photos]
    assert set(other.markers) == set(survey().markers)
    for m in survey().markers:
        a, b = survey().pose(m), other.pose(m)
        assert a.b_from_a.translation == pytest.approx(b.b_from_a.translation, abs=1e-5)
        assert a.covariance == pytest.approx(b.covariance, abs=1e-8)


def test_the_frame_stands_upright_on_the_markers_middle() -> None:
    s = survey()
    found = np.array([p.translation for p in s.poses])
    true = np.array([scene().poses[m].translation for m in s.markers])
    world_from_survey = align_points(found, true, with_scale=False).b_from_a
    # As upright as people hold phones: the scene's cameras are rolled by 6 degrees.
    assert world_from_survey.rotation[2, 2] > np.cos(np.radians(6.0))
    assert np.linalg.norm(found.mean(axis=0)) < 60.0


def test_photos_know_where_they_were_taken_from() -> None:
    s = survey()
    found = np.array([p.translation for p in s.poses])
    true = np.array([scene().poses[m].translation for m in s.markers])
    world_from_survey = align_points(found, true, with_scale=False).b_from_a
    errors = []
    for entry in s.photos:
        if entry.cam_from_survey is None or len(entry.tags) < 10:
            continue
        row = int(entry.name[5:7])
        values = scene().state.photo[row]
        eye = -values[:9].reshape(3, 3).T @ values[9:12]
        place = world_from_survey.apply(entry.cam_from_survey.inverse().translation)
        errors.append(float(np.linalg.norm(place - eye)))
    assert len(errors) >= 12
    assert np.median(errors) < 1.5
