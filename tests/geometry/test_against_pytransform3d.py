"""Rotations and transforms against pytransform3d, a general reference library.

A. Fabisch, "pytransform3d: 3D transformations for Python", JOSS 4(33), 1159, 2019.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytransform3d import rotations as pr
from pytransform3d import transformations as pt

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp, log

SEEDS = st.integers(0, 2**32 - 1)
NEARLY = 1e-12


def turn(seed: int, largest: float) -> Array:
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    return np.asarray(axis / np.linalg.norm(axis) * rng.uniform(0, largest))


def transform(seed: int) -> Rigid:
    rng = np.random.default_rng(seed)
    return Rigid(exp(turn(seed, np.pi)), rng.normal(0, 800.0, 3))


def matrix(t: Rigid) -> Array:
    return np.asarray(pt.transform_from(t.rotation, t.translation))


@given(SEEDS, st.sampled_from([1e-12, 1e-6, 1e-3, 1.0, np.pi - 1e-6]))
def test_exp_and_log_are_those_of_the_library(seed: int, largest: float) -> None:
    w = turn(seed, largest)
    theirs = pr.matrix_from_compact_axis_angle(w)
    assert np.abs(exp(w) - theirs).max() < NEARLY
    # Near the half turn the arc cosine, by which the library goes, loses half of the digits.
    slack = 1e-6 if largest > 3.0 or largest < 1e-2 else 1e-9
    assert np.abs(log(theirs) - pr.compact_axis_angle_from_matrix(theirs)).max() < slack


@given(SEEDS, SEEDS)
def test_products_and_inverses_are_those_of_the_library(first: int, second: int) -> None:
    c_from_b, b_from_a = transform(first), transform(second)
    product = pt.concat(matrix(b_from_a), matrix(c_from_b))
    assert np.abs(matrix(c_from_b @ b_from_a) - product).max() < 1e-9
    assert np.abs(matrix(b_from_a.inverse()) - pt.invert_transform(matrix(b_from_a))).max() < 1e-9


@given(SEEDS)
def test_points_and_directions_go_where_the_library_takes_them(seed: int) -> None:
    b_from_a = transform(seed)
    x = np.random.default_rng([seed, 1]).normal(0, 500.0, (6, 3))
    points = pt.transform(matrix(b_from_a), pt.vectors_to_points(x))[:, :3]
    turned = pt.transform(matrix(b_from_a), pt.vectors_to_directions(x))[:, :3]
    assert np.abs(b_from_a.apply(x) - points).max() < 1e-9
    assert np.abs(b_from_a.turn(x) - turned).max() < 1e-9


@pytest.mark.parametrize("seed", range(20))
def test_a_small_step_is_the_left_one_of_the_library(seed: int) -> None:
    """R' = exp(w) R: the library's derivative of a rotation by its left tangent."""
    b_from_a = transform(seed)
    w = turn(seed + 100, 1e-3)
    stepped = b_from_a.step(np.concatenate([w, np.zeros(3)])).rotation
    jacobian = pr.left_jacobian_SO3(np.zeros(3))
    assert np.abs(jacobian - np.eye(3)).max() < NEARLY
    wanted = pr.matrix_from_compact_axis_angle(w) @ b_from_a.rotation
    assert np.abs(stepped - wanted).max() < NEARLY
