"""The lens check: silent while the model fits, one sentence when the lens does what it cannot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scenes import Shots, small_scene, survey_of, take_photos, well_seen

from fitscan.adjust.problem import IntArray
from fitscan.geometry.rotation import Array
from fitscan.survey.lens_check import LensCheck, check_lens

CENTRE, SIZE = np.array([2010.0, 1495.0]), (4032, 3024)
HALF_DIAGONAL = 2520.0


def squares(seed: int, count: int = 600) -> tuple[Array, IntArray]:
    """Corners (n, 4, 2) of squares all over the photos, and the photo (n,) of each."""
    rng = np.random.default_rng(seed)
    middle = rng.uniform([100.0, 100.0], [3930.0, 2920.0], (count, 2))
    box = 25.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return middle[:, None] + box, rng.integers(0, 20, count).astype(np.intp)


def checked(field: Callable[[Array], Array], seed: int = 1, noise: float = 0.1) -> LensCheck:
    corners, photo = squares(seed)
    away = (corners - CENTRE) / HALF_DIAGONAL
    noisy = field(away) + np.random.default_rng([seed, 1]).normal(0, noise, corners.shape)
    return check_lens(corners, noisy, photo, CENTRE, SIZE)


def test_a_ring_that_is_left_over_is_found_with_its_size() -> None:
    def ring(away: Array) -> Array:
        radius = np.linalg.norm(away, axis=-1, keepdims=True)
        of_square = np.linalg.norm(away.mean(axis=1, keepdims=True), axis=-1, keepdims=True)
        there = (of_square > 0.65) & (of_square < 0.75)
        return np.asarray(0.4 * there * away / radius)

    check = checked(ring)
    found = next(b for b in check.rings if b.low == pytest.approx(0.65))
    assert found.radial == pytest.approx(0.4, abs=4 * found.radial_u)
    assert abs(found.tangential) < 4 * found.tangential_u
    assert [b.proven > 0 for b in check.rings] == [b is found for b in check.rings]
    assert check.sentence is not None
    assert "from 65 to 75 % of the way from the middle to a corner" in check.sentence
    assert "0.4 px" in check.sentence


def test_a_side_that_is_left_over_is_named_as_the_sensor_sees_it() -> None:
    def upper_left(away: Array) -> Array:
        there = (away[..., :1] < 0) & (away[..., 1:] < 0)
        turned = np.stack([-away[..., 1], away[..., 0]], axis=-1)
        return np.asarray(0.5 * there * turned / np.linalg.norm(away, axis=-1, keepdims=True))

    check = checked(upper_left)
    worst = max(check.sectors, key=lambda b: b.proven)
    assert worst.tangential == pytest.approx(0.5, abs=0.1)
    assert check.sentence is not None
    assert "towards the upper left corner of the frame" in check.sentence


@pytest.mark.parametrize("seed", range(20))
def test_chance_alone_is_never_blamed_on_the_lens(seed: int) -> None:
    assert checked(lambda away: 0.0 * away, seed, noise=0.6).sentence is None


def test_photos_that_err_as_a_whole_are_not_blamed_on_the_lens() -> None:
    corners, photo = squares(5)
    of_photo = np.random.default_rng(5).normal(0, 0.5, (20, 2))
    assert check_lens(corners, of_photo[photo][:, None] + 0 * corners, photo, CENTRE,
                      SIZE).sentence is None  # fmt: skip


def test_what_is_significant_but_tiny_is_not_worth_a_sentence() -> None:
    check = checked(lambda away: 0.05 * away, noise=0.02)
    assert any(abs(b.radial) > 5 * b.radial_u for b in check.rings)
    assert check.sentence is None


def test_without_squares_there_is_nothing_to_say() -> None:
    check = check_lens(np.zeros((0, 4, 2)), np.zeros((0, 4, 2)), np.zeros(0, int), CENTRE, SIZE)
    assert check.sentence is None
    assert all(b.squares == 0 for b in (*check.rings, *check.sectors))


def bent(shots: Shots, size_px: float) -> Shots:
    """The photos through a lens that waves: a radial shift that no polynomial of Brown's follows.

    sin(5 pi r) with r the radius over the half diagonal swings five times; k1, k2 and k3 bend
    three times at most.
    """

    def shifted(corners: Array) -> Array:
        away = corners - shots.scene.lens.values[2:4]
        radius = np.linalg.norm(away, axis=-1, keepdims=True)
        wave = np.sin(5.0 * np.pi * radius / HALF_DIAGONAL)
        return np.asarray(corners + size_px * wave * away / np.maximum(radius, 1e-9))

    n = len(shots.geometry)
    observed = shots.observed.copy()
    observed[:, :8] = shifted(observed[:, :8].reshape(n, 4, 2)).reshape(n, 8)
    return replace(shots, first=shifted(shots.first), observed=observed)


def test_a_survey_with_a_lens_beyond_browns_model_says_so_once() -> None:
    shots = take_photos(well_seen(small_scene(3, 20)), 3)
    told = [w for w in survey_of(bent(shots, 2.0)).quality.warnings if "lens model" in w]
    assert len(told) == 1
    assert "Calibrate this phone" in told[0]
    assert not [w for w in survey_of(shots).quality.warnings if "lens" in w]


def test_a_lens_that_is_a_little_off_makes_no_marker_seem_to_have_moved() -> None:
    shots = bent(take_photos(well_seen(small_scene(4, 20)), 4), 0.2)
    quality = survey_of(shots).quality
    # Too little for a sentence, but ten times what a marker's break is proven with.
    assert not [w for w in quality.warnings if "lens" in w]
    assert not [d for d in quality.dropped if not d.photo]
