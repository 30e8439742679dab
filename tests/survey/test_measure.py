"""Squares sought where the survey expects them: found with their own code only."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pytest
from painter import Phone, paint
from scenes import Scene, small_scene, visible_squares

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections, find_tags
from fitscan.geometry.rotation import Array
from fitscan.survey.expected import Asked, expected_in, expected_in_each, expected_squares
from fitscan.survey.measure import measure_expected
from fitscan.survey.measurement import Acceptance, PhotoMeasurement
from fitscan.survey.state import step_photos
from fitscan.survey.tag_block import TagGeometry

PHOTO = 10

WRONG = 13
"""A tag of the scene in whose place another one was printed."""

COVERED = 17
"""A tag of the scene over which a glove lies."""


@lru_cache(maxsize=1)
def scene() -> Scene:
    return small_scene(1, 24)


@lru_cache(maxsize=1)
def truth() -> tuple[TagGeometry, Array]:
    geometry, corners = visible_squares(scene(), smallest_px=14.0)
    own = geometry.photo == PHOTO
    return geometry.take(own), corners[own]


@lru_cache(maxsize=1)
def photo() -> npt.NDArray[np.uint8]:
    return paint(scene(), PHOTO, Phone(), printed={WRONG: 300})


def spoilt() -> npt.NDArray[np.uint8]:
    """The photo with a grey glove over one tag."""
    grey = photo().copy()
    geometry, corners = truth()
    quad = corners[geometry.tag_id == COVERED][0]
    (left, top), (right, low) = quad.min(axis=0) - 8, quad.max(axis=0) + 8
    grey[int(top) : int(low), int(left) : int(right)] = 90
    return grey


@lru_cache(maxsize=1)
def found() -> Detections:
    """The first look, which is made to miss every fourth id."""
    return find_tags(photo()).keep({i for i in scene().kit.tag_ids if i % 4})


def everything(photo_row: int = PHOTO) -> TagGeometry:
    """All squares of the scene, with the photo's row."""
    s = scene()
    ids = list(s.layout.tags)
    row = {m: i for i, m in enumerate(s.markers)}
    cuffs = {c.first_id: i for i, c in enumerate(s.kit.cuff)}
    return TagGeometry.of(s.layout, ids, [photo_row] * len(ids), row, cuffs)


def values() -> dict[str, Array]:
    return {g.name: g.values for g in scene().state.groups()}


def centre_errors(measured: PhotoMeasurement) -> Array:
    """Errors (n, 2) of the centres of squares that are in the truth."""
    geometry, corners = truth()
    place = {int(t): i for i, t in enumerate(geometry.tag_id)}
    own = np.array([int(t) in place for t in measured.tag_ids])
    rows = [place[int(t)] for t in measured.tag_ids[own]]
    seen = measured.observed[own, :8].reshape(-1, 4, 2).mean(axis=1)
    return np.asarray(seen - corners[rows].mean(axis=1))


def measure_photo(
    grey: npt.NDArray[np.uint8],
    geometry: TagGeometry,
    state: Values,
    seen: Detections,
    *,
    doubles: frozenset[int] = frozenset(),
    rough: frozenset[int] = frozenset(),
    before: PhotoMeasurement | None = None,
) -> PhotoMeasurement:
    """Every expected square of one photo, as a survey measures it."""
    size = (grey.shape[1], grey.shape[0])
    expected = expected_in(Asked(geometry, doubles, before, rough, size_px=size), state)
    return measure_expected(grey, expected, state, seen)


@lru_cache(maxsize=1)
def measured() -> PhotoMeasurement:
    return measure_photo(photo(), everything(), values(), found())


def test_squares_that_the_first_look_missed_are_found_where_they_must_be() -> None:
    m = measured()
    assert m.sought.sum() >= 6
    sought = set(m.tag_ids[m.sought].tolist())
    assert not sought & set(found().ids.tolist())
    assert set(m.tag_ids[~m.sought].tolist()) <= set(found().ids.tolist())
    geometry, _ = truth()
    easy = set(geometry.tag_id.tolist()) - {WRONG}
    assert len(easy & set(m.tag_ids.tolist())) >= 0.9 * len(easy)


def test_centres_are_measured_to_hundredths_of_a_pixel() -> None:
    error = centre_errors(measured())
    assert np.sqrt(np.mean(error**2)) < 0.04
    assert np.abs(error).max() < 0.25


def test_another_code_in_a_tags_place_is_not_taken_for_it() -> None:
    assert WRONG in measured().expected
    assert WRONG not in measured().tag_ids


def test_a_covered_tag_is_not_measured() -> None:
    grey = spoilt()
    assert COVERED in measured().tag_ids
    m = measure_photo(grey, everything(), values(), find_tags(grey))
    assert COVERED in m.expected
    assert COVERED not in m.tag_ids


def test_ids_that_are_there_twice_are_left_alone() -> None:
    one = int(measured().tag_ids[0])
    m = measure_photo(photo(), everything(), values(), found(), doubles=frozenset({one}))
    assert one not in m.tag_ids
    assert one not in m.expected


def shifted(pixels: float) -> Values:
    """The survey with this photo's pose wrong by a turn that moves its squares by some pixels."""
    v = values()
    step = np.zeros((len(v["photo"]), 10))
    step[PHOTO, 1] = pixels / float(v["lens"][0, 0])
    return {**v, "photo": step_photos(v["photo"], step)}


def test_a_survey_that_is_a_pixel_off_measures_the_same_places() -> None:
    m = measure_photo(photo(), everything(), shifted(1.0), found())
    both, here, there = np.intersect1d(m.tag_ids, measured().tag_ids, return_indices=True)
    assert len(both) >= 0.9 * len(measured().tag_ids)
    difference = (m.observed[here] - measured().observed[there])[:, :8].reshape(-1, 4, 2)
    assert np.sqrt(np.mean(difference.mean(axis=1) ** 2)) < 0.03


def test_a_survey_that_is_far_off_still_measures_what_the_first_look_saw() -> None:
    m = measure_photo(photo(), everything(), shifted(5.0), found())
    assert len(m.tag_ids) >= 0.7 * (~measured().sought).sum()
    assert np.sqrt(np.mean(centre_errors(m) ** 2)) < 0.06


def test_a_round_whose_predictions_stayed_looks_at_nothing_again() -> None:
    blank = np.full_like(photo(), 128)
    sure = measured()
    m = measure_photo(blank, everything(), values(), found(), before=sure)
    assert set(m.tag_ids.tolist()) == set(sure.tag_ids.tolist())
    order = np.argsort(m.tag_ids), np.argsort(sure.tag_ids)
    assert np.array_equal(m.observed[order[0]], sure.observed[order[1]])
    assert m.sought.sum() == sure.sought.sum()


def test_a_small_move_of_the_prediction_leaves_measured_corners_where_they_are() -> None:
    blank = np.full_like(photo(), 128)
    m = measure_photo(blank, everything(), shifted(0.4), found(), before=measured())
    both, here, there = np.intersect1d(m.tag_ids, measured().tag_ids, return_indices=True)
    assert len(both) == len(measured().tag_ids)
    assert np.abs(m.observed[here] - measured().observed[there]).max() < 1e-3
    back = measure_photo(blank, everything(), values(), found(), before=m)
    order = np.argsort(back.tag_ids), np.argsort(measured().tag_ids)
    assert np.allclose(back.observed[order[0]], measured().observed[order[1]], rtol=0, atol=1e-9)
    assert np.abs(back.carried).max() < 1e-9


def reshaped(wider_mm: float) -> Values:
    """The survey with all cuffs round wider tubes."""
    v = values()
    return {**v, "form": v["form"] + np.array([0.0, wider_mm, 0.0])}


def test_corners_are_carried_to_where_another_bend_would_measure_them() -> None:
    wider = reshaped(0.15)
    again = measure_photo(photo(), everything(), wider, found())
    m = measure_photo(photo(), everything(), wider, found(), before=measured())
    kept = np.abs(m.carried).max(axis=1) > 0.0
    assert kept.sum() >= 5
    _, here, there = np.intersect1d(m.tag_ids[kept], again.tag_ids, return_indices=True)
    _, _, old = np.intersect1d(m.tag_ids[kept], measured().tag_ids, return_indices=True)
    right = again.observed[there, :8]
    carried = np.linalg.norm(m.observed[kept][here, :8] - right)
    # What is left is what two measurements from different starts scatter by.
    assert carried < 0.8 * np.linalg.norm(measured().observed[old, :8] - right)


def test_a_later_round_measures_what_moved_and_what_is_placed_roughly() -> None:
    blank = np.full_like(photo(), 128)
    # A turn that moves even the squares near its axis by more than is carried along.
    gone = measure_photo(blank, everything(), shifted(16.0), found(), before=measured())
    assert len(gone.tag_ids) == 0
    rough = frozenset(measured().tag_ids[:3].tolist())
    m = measure_photo(blank, everything(), values(), found(), before=measured(), rough=rough)
    assert set(measured().tag_ids.tolist()) - set(m.tag_ids.tolist()) == set(rough)


def test_a_second_round_agrees_with_the_first() -> None:
    m = measure_photo(photo(), everything(), values(), found(), before=
                      measure_photo(photo(), everything(), shifted(1.0), found()))  # fmt: skip
    both, here, there = np.intersect1d(m.tag_ids, measured().tag_ids, return_indices=True)
    assert len(both) >= 0.9 * len(measured().tag_ids)
    difference = (m.observed[here] - measured().observed[there])[:, :8].reshape(-1, 4, 2)
    assert np.sqrt(np.mean(difference.mean(axis=1) ** 2)) < 0.01


def test_only_squares_in_front_of_the_camera_and_facing_it_are_expected() -> None:
    rule = Acceptance()
    geometry, _ = truth()
    for cuff in (False, True):
        part = everything()
        part = part.take((part.cuff >= 0) == cuff)
        seen = expected_squares(part, values(), (4032, 3024), rule)
        expected = set(part.tag_id[seen].tolist())
        true = set(geometry.tag_id[(geometry.cuff >= 0) == cuff].tolist())
        # Every square that the scene shows well is expected; of a cuff, never more than half.
        assert true <= expected
        for first in (c.first_id for c in scene().kit.cuff):
            assert len(expected & set(range(first, first + 14))) <= 8
    assert not expected_squares(everything().take(np.zeros(0, dtype=np.intp)), values(),
                                (4032, 3024), rule).any()  # fmt: skip


def test_a_photo_without_any_expected_square_gives_an_empty_measurement() -> None:
    away = values()
    step = np.zeros((len(away["photo"]), 10))
    step[PHOTO, 0] = np.pi
    away = {**away, "photo": step_photos(away["photo"], step)}
    m = measure_photo(photo()[:600, :800], everything(), away, found())
    assert len(m.tag_ids) == 0
    assert m.observed.shape == (0, 9)
    assert m.covariance.shape == (0, 9, 9)


def test_glare_on_a_square_is_told_and_a_glove_over_it_is_not_called_glare() -> None:
    geometry, corners = truth()
    sizes = np.linalg.norm(corners[:, 0] - corners[:, 2], axis=1)
    easy = ~np.isin(geometry.tag_id, [WRONG, COVERED])
    lit = [int(i) for i in np.flatnonzero(easy)[np.argsort(-sizes[easy])][:3]]
    grey = spoilt().astype(np.float64)
    for i in lit:
        (left, top), (right, low) = corners[i].min(axis=0) - 12, corners[i].max(axis=0) + 12
        patch = grey[int(top) : int(low), int(left) : int(right)]
        # A veil of light: what is black becomes nearly as bright as what is white.
        patch[:] = 230.0 - 0.2 * (230.0 - patch)
    veiled = grey.clip(0, 255).astype(np.uint8)
    pale = measure_photo(veiled, everything(), values(), found()).pale
    assert set(pale) == {int(geometry.tag_id[i]) for i in lit}
    assert measured().pale == ()


def test_a_photo_of_which_little_stays_keeps_its_tone_but_is_not_read_by_it() -> None:
    before = replace(measured(), tone=0.4)
    few = everything().take(np.isin(everything().tag_id, before.tag_ids[:3]))
    expected = expected_in(Asked(few, before=before, size_px=before.size_px), values())
    assert len(expected.part) == 0
    assert expected.tone is None
    assert expected.joined().tone == 0.4
    whole = expected_in(Asked(everything(), before=before, size_px=before.size_px), values())
    assert whole.tone == 0.4
    nothing = before.only(np.zeros(0, dtype=np.intp))
    asked = Asked(few, before=nothing, size_px=before.size_px)
    assert expected_in(asked, values()).tone is None


def test_photos_asked_together_answer_as_each_does_alone() -> None:
    few = measured().only(measured().tag_ids[::3])
    ids = frozenset(measured().tag_ids[:4].tolist())
    size = measured().size_px
    asked = [
        Asked(everything(0), size_px=size),
        Asked(everything(), before=measured(), size_px=size),
        Asked(everything(), ids, few, rough=frozenset(few.expected[:2]), size_px=size),
        Asked(everything(2), before=few, settled=True, size_px=(size[0] // 2, size[1])),
    ]
    now = shifted(0.2)
    for one, together in zip(asked, expected_in_each(asked, now), strict=True):
        alone = expected_in(one, now)
        assert together.asked is one
        assert together.part.tag_id.tolist() == alone.part.tag_id.tolist()
        assert together.part.photo.tolist() == alone.part.photo.tolist()
        assert together.predicted == pytest.approx(alone.predicted, abs=1e-9)
        joined, own = together.joined(), alone.joined()
        assert joined.expected == own.expected
        for field in fields(PhotoMeasurement):
            if field.name != "expected":
                assert getattr(joined, field.name) == pytest.approx(getattr(own, field.name))
    counts = [len(e.part) for e in expected_in_each(asked, now)]
    assert counts[1] == 0 < min(counts[0], counts[2])
