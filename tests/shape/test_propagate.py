"""Propagation of uncertainty through functions of markers, against algebra and sampling."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from cage_surveys import known_before
from known_surveys import known_survey
from scenes import drawn

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit, TagSpec
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


def test_the_end_gauge_of_gum_h1_has_the_published_length_and_uncertainty() -> None:
    """JCGM 100:2008 (GUM) H.1: l = ls + d - ls (d_alpha theta + alpha_s d_theta).

    Six input quantities stand in for the centres of two markers: 50.000 838 mm, u 32 nm.
    """
    inputs = [(215.0, 9.7), (11.5, 1.2), (-0.1, 0.41), (0.0, 0.58), (0.0, 0.029), (0.0, 25.0)]
    x, u = np.array(inputs).T
    kit = Kit(tag=tuple(TagSpec(id=i, side_mm=40.0, part="shell") for i in range(2)))
    poses = {i: Rigid(np.eye(3), x[3 * i : 3 * i + 3]) for i in range(2)}
    end = known_survey(kit, poses, survey_from_car=Rigid.identity())
    sigma = np.concatenate([np.full(3, 1e-9), u[:3], np.full(3, 1e-9), u[3:]])
    end = replace(end, covariance=np.diag(sigma**2))

    def length_nm(seen: list[Poses]) -> Array:
        d, alpha_s, theta = seen[0][0].translation
        d_alpha, d_theta, ls_error = seen[0][1].translation
        ls = 50_000_623.0 + ls_error
        return np.array([d + ls_error - ls * 1e-6 * (d_alpha * theta + alpha_s * d_theta)])

    value, covariance = propagate(length_nm, [MarkerInput(end, (0, 1))])
    assert 50.000623 + value[0] * 1e-6 == pytest.approx(50.000838, abs=5e-7)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(32.0, abs=0.5)
