"""Rotation maps: laws of the exponential, near its singular places too, and SciPy's values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm
from scipy.spatial.transform import Rotation

from fitscan.errors import DataError
from fitscan.geometry.rotation import (
    Array,
    angle_between,
    check_rotation,
    exp,
    log,
    nearest_rotation,
    skew,
)

# Where series take over, where sine and cosine lose digits, where the half turn is.
NASTY_RAD = (
    0.0, 1e-300, 1e-16, 1e-9, 9.9e-5, 1e-4, 1.01e-4, 1e-3, 1.0, np.pi / 2,
    np.pi - 1e-3, np.pi - 1e-7, np.pi - 1e-12, np.pi,
)  # fmt: skip

angles = st.one_of(st.sampled_from(NASTY_RAD), st.floats(0.0, np.pi))
units = st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda v: float(np.linalg.norm(v)) > 1e-3)


@st.composite
def rotation_vectors(draw: st.DrawFn) -> Array:
    axis = np.array(draw(units))
    return np.asarray(draw(angles) * axis / np.linalg.norm(axis))


vectors = st.tuples(*[st.floats(-1e3, 1e3)] * 3).map(np.array)


@given(v=vectors, x=vectors)
def test_skew_times_a_vector_is_the_cross_product(v: Array, x: Array) -> None:
    assert np.allclose(skew(v) @ x, np.cross(v, x), rtol=0, atol=1e-9)


@given(w=rotation_vectors())
def test_exp_gives_a_proper_rotation_to_rounding(w: Array) -> None:
    r = exp(w)
    assert np.abs(r @ r.T - np.eye(3)).max() < 4e-15
    assert np.linalg.det(r) == pytest.approx(1.0, abs=4e-15)


@given(w=rotation_vectors())
def test_exp_agrees_with_scipys_rotation_to_rounding(w: Array) -> None:
    assert np.abs(exp(w) - Rotation.from_rotvec(w).as_matrix()).max() < 4e-15


@pytest.mark.parametrize("angle", NASTY_RAD)
def test_exp_is_the_matrix_exponential_of_the_skew_matrix(angle: float) -> None:
    w = angle * np.array([2.0, -1.0, 2.0]) / 3.0
    assert np.abs(exp(w) - expm(skew(w))).max() < 2e-14


@given(w=rotation_vectors())
def test_log_undoes_exp_and_at_the_half_turn_either_sense_counts(w: Array) -> None:
    back = log(exp(w))
    assert np.linalg.norm(back) <= np.pi + 1e-15
    if np.linalg.norm(w) > np.pi - 1e-7:
        assert np.abs(exp(back) - exp(w)).max() < 1e-14
        assert min(np.abs(back - w).max(), np.abs(back + w).max()) < 1e-6
    else:
        assert np.abs(back - w).max() < 1e-14 + 1e-8 * (np.linalg.norm(w) > 3.0)


@given(w=rotation_vectors())
def test_log_agrees_with_scipys_rotation(w: Array) -> None:
    r = exp(w)
    ours, theirs = log(r), Rotation.from_matrix(r).as_rotvec()
    either = min(np.abs(ours - theirs).max(), np.abs(ours + theirs).max())
    apart = either if np.linalg.norm(w) > np.pi - 1e-7 else np.abs(ours - theirs).max()
    assert apart < 2e-14


@given(w=rotation_vectors())
def test_a_rotation_and_its_inverse_have_opposite_logs(w: Array) -> None:
    assert np.abs(exp(-w) - exp(w).T).max() < 4e-15


@given(w=rotation_vectors(), s=st.floats(-1, 1), t=st.floats(-1, 1))
def test_turns_about_one_axis_add_up(w: Array, s: float, t: float) -> None:
    assert np.abs(exp(s * w) @ exp(t * w) - exp((s + t) * w)).max() < 1e-14


@given(w=rotation_vectors(), v=rotation_vectors())
def test_turning_a_rotation_vector_turns_its_rotation(w: Array, v: Array) -> None:
    r = exp(v)
    assert np.abs(exp(r @ w) - r @ exp(w) @ r.T).max() < 2e-14


def test_many_rotations_at_once_are_the_single_ones() -> None:
    rng = np.random.default_rng(4)
    w = rng.normal(size=(5, 7, 3))
    w[0, 0] = 0.0
    together = exp(w)
    assert together.shape == (5, 7, 3, 3)
    assert np.array_equal(together[3, 2], exp(w[3, 2]))
    assert np.array_equal(together[0, 0], np.eye(3))
    assert np.array_equal(log(together)[3, 2], log(together[3, 2]))
    assert log(np.zeros((0, 3, 3))).shape == (0, 3)


@given(w=rotation_vectors(), scale=st.floats(0.1, 10.0), seed=st.integers(0, 2**32 - 1))
def test_the_nearest_rotation_beats_every_other_one_tried(
    w: Array, scale: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    matrix = scale * exp(w) + 0.2 * scale * rng.normal(size=(3, 3))
    best = nearest_rotation(matrix)
    assert np.abs(best @ best.T - np.eye(3)).max() < 1e-14
    assert np.linalg.det(best) > 0
    distance = np.linalg.norm(matrix - best)
    for small in rng.normal(size=(20, 3)) * rng.choice([1e-3, 1e-1, 1.0], size=(20, 1)):
        assert distance <= np.linalg.norm(matrix - exp(small) @ best) + 1e-12


def test_the_nearest_rotation_to_a_mirror_image_is_still_a_rotation() -> None:
    stack = np.stack([np.diag([1.0, 1.0, -1.0]), np.eye(3)])
    assert np.linalg.det(nearest_rotation(stack)) == pytest.approx([1.0, 1.0])


def test_a_rotation_read_from_outside_is_returned_as_float64() -> None:
    out = check_rotation(np.eye(3, dtype=np.float32), "here")
    assert out.dtype == np.float64


@pytest.mark.parametrize(
    "matrix",
    [
        np.eye(4),
        np.diag([1.0, 1.0, -1.0]),
        1.001 * np.eye(3),
        np.full((3, 3), np.nan),
        np.zeros((3, 3)),
    ],
    ids=["shape", "mirror", "stretched", "not a number", "nothing"],
)
def test_what_is_no_rotation_is_refused_with_its_place(matrix: Array) -> None:
    with pytest.raises(DataError, match=r"not a rotation \(survey\.json\)"):
        check_rotation(matrix, "survey.json")


@given(
    angle=st.one_of(st.sampled_from(NASTY_RAD[3:]), st.floats(1e-9, np.pi)), w=rotation_vectors()
)
def test_the_angle_between_directions_is_exact_for_tiny_and_for_straight_angles(
    angle: float, w: Array
) -> None:
    r = exp(w)
    a = r @ np.array([2.0, 0.0, 0.0])
    b = r @ (0.5 * np.array([np.cos(angle), np.sin(angle), 0.0]))
    assert angle_between(a, b) == pytest.approx(angle, rel=1e-6, abs=1e-15)
