"""Alignment of point sets: Umeyama's own example, SciPy, and sets that fix nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fitscan.errors import DataError
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp

# S. Umeyama, "Least-squares estimation of transformation parameters between two point patterns",
# IEEE PAMI 13(4), 1991: the example's points. The second set is a mirror image of the first, so
# a method without the determinant guard answers with a reflection.
UMEYAMA_A = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
UMEYAMA_B = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])


def test_umeyamas_example_gives_the_published_rotation_shift_and_scale() -> None:
    fit = align_points(UMEYAMA_A, UMEYAMA_B, with_scale=True)
    rotation = [[0.83205, 0.55470], [-0.55470, 0.83205]]
    assert fit.b_from_a.rotation == pytest.approx(np.array(rotation), abs=5e-6)
    assert fit.b_from_a.translation == pytest.approx([-0.8, 0.4], abs=1e-12)
    assert fit.scale == pytest.approx(0.72111, abs=5e-6)


def test_umeyamas_example_at_scale_one_keeps_the_rotation_and_shifts_less() -> None:
    fit = align_points(UMEYAMA_A, UMEYAMA_B, with_scale=False)
    # Recomputed from the paper's formulas with scale 1; the paper prints the scaled case only.
    assert fit.b_from_a.translation == pytest.approx([-0.98048, 0.29687], abs=5e-6)
    assert fit.scale == 1.0
    assert np.linalg.det(fit.b_from_a.rotation) == pytest.approx(1.0)


def test_no_neighbouring_similarity_fits_umeyamas_example_better() -> None:
    fit = align_points(UMEYAMA_A, UMEYAMA_B, with_scale=True)
    best = float(((UMEYAMA_B - fit.apply(UMEYAMA_A)) ** 2).sum())
    for sign in (1.0, -1.0):
        angle = sign * 1e-3
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        base, shift = fit.apply(UMEYAMA_A), fit.b_from_a.translation
        neighbours = [
            (base - shift) @ turn.T + shift,
            (base - shift) * (1.0 + angle) + shift,
            base + np.array([angle, 0.0]),
            base + np.array([0.0, angle]),
        ]
        assert all(best < float(((UMEYAMA_B - n) ** 2).sum()) for n in neighbours)


@given(seed=st.integers(0, 2**32 - 1), flat=st.booleans(), mirror=st.booleans())
def test_the_rotation_of_noisy_points_is_the_one_that_scipy_finds(
    seed: int, flat: bool, mirror: bool
) -> None:
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(6, 3)) * [400.0, 200.0, 0.0 if flat else 50.0]
    b_from_a = Rigid.from_tangent(rng.normal(size=6) * [1, 1, 1, 300, 300, 300])
    b = b_from_a.apply(a * ([-1.0, 1.0, 1.0] if mirror else [1.0, 1.0, 1.0]))
    b = b + rng.normal(0, 1.0, b.shape)
    fit = align_points(a, b, with_scale=False)
    reference, _ = Rotation.align_vectors(b - b.mean(axis=0), a - a.mean(axis=0))
    assert np.abs(fit.b_from_a.rotation - reference.as_matrix()).max() < 1e-9
    assert fit.apply(a).mean(axis=0) == pytest.approx(b.mean(axis=0), abs=1e-9)


@given(seed=st.integers(0, 2**32 - 1), scale=st.floats(0.5, 2.0))
def test_an_exact_similarity_comes_back_with_its_scale(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(4, 3)) * 300.0
    rotation, shift = exp(rng.normal(size=3)), rng.normal(size=3) * 500.0
    fit = align_points(a, scale * a @ rotation.T + shift, with_scale=True)
    assert fit.scale == pytest.approx(scale, rel=1e-9)
    assert np.abs(fit.b_from_a.rotation - rotation).max() < 1e-9
    assert fit.b_from_a.translation == pytest.approx(shift, abs=1e-6)


ON_A_LINE = np.outer(np.arange(5.0), [1.0, 2.0, 3.0])


@pytest.mark.parametrize(
    "points",
    [ON_A_LINE, ON_A_LINE[:2], np.ones((4, 3)), np.full((4, 3), 0.1)],
    ids=["on a line", "only two", "one place", "one place that rounds"],
)
def test_points_that_leave_a_turn_free_are_refused(points: Array) -> None:
    with pytest.raises(DataError, match="do not fix an alignment"):
        align_points(points, points + 5.0, with_scale=False)
