"""Propagation of uncertainty through functions of markers, against algebra and sampling."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from cage_surveys import known_before
from scenes import drawn

from fitscan.geometry.rotation import Array
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.survey.survey import Survey


@lru_cache(maxsize=1)
def survey() -> Survey:
    return known_before()


def test_a_linear_function_gets_exactly_its_covariance() -> None:
    markers = (100, 54, 7)
    rng = np.random.default_rng(1)
    rows = rng.normal(size=(2, 9))

    def function(poses: list[Poses]) -> Array:
        return np.asarray(rows @ np.concatenate([poses[0][m].translation for m in markers]))

    value, covariance = propagate(function, [MarkerInput(survey(), markers)])
    joint = survey().joint(list(markers)).reshape(3, 6, 3, 6)[:, 3:, :, 3:].reshape(9, 9)
    centres = np.concatenate([survey().poses[survey().row(m)].translation for m in markers])
    assert value == pytest.approx(rows @ centres)
    assert covariance == pytest.approx(rows @ joint @ rows.T, rel=1e-6)


def distance_and_angle(poses: list[Poses]) -> Array:
    """Distance of two markers, and the angle of their normals."""
    a, b = poses[0][54], poses[0][7]
    normals = a.rotation[:, 2] @ b.rotation[:, 2]
    return np.array([np.linalg.norm(a.translation - b.translation), np.arccos(normals)])


def test_a_curved_function_scatters_as_sampled_poses_do() -> None:
    value, covariance = propagate(distance_and_angle, [MarkerInput(survey(), (54, 7))])
    rng = np.random.default_rng(2)
    draws = []
    for _ in range(400):
        s = drawn(survey(), rng)
        draws.append(distance_and_angle([{m: s.poses[s.row(m)] for m in (54, 7)}]))
    spread = np.std(draws, axis=0)
    assert np.mean(draws, axis=0) == pytest.approx(value, abs=float(spread.max()))
    # 400 draws fix a standard deviation to 3.5 %.
    assert np.sqrt(np.diag(covariance)) == pytest.approx(spread, rel=0.12)


def test_independent_surveys_add_their_variances() -> None:
    def difference(poses: list[Poses]) -> Array:
        return np.asarray(poses[0][100].translation - poses[1][100].translation)

    inputs = [MarkerInput(survey(), (100,)), MarkerInput(survey(), (100,))]
    value, covariance = propagate(difference, inputs)
    own = survey().pose(100).covariance[3:, 3:]
    assert value == pytest.approx(np.zeros(3))
    assert covariance == pytest.approx(2.0 * own, rel=1e-6)
    # Within one survey the same difference is nothing at all.
    same = [MarkerInput(survey(), (100,))]
    _, none = propagate(lambda p: p[0][100].translation - p[0][100].translation, same)
    assert none == pytest.approx(np.zeros((3, 3)))
