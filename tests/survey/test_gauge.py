"""Telling markers against all of them together: what it takes out, and what it leaves alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitscan.geometry.rotation import exp
from fitscan.survey.gauge import told_among, told_blocks, told_covariance, told_rows


def tangents(centres: np.ndarray, turn: np.ndarray, shift: np.ndarray, grow: float) -> np.ndarray:
    """Small motions (6 n,) of markers that all move as one, from two nearby similarities."""
    step = 1e-6
    moved = (1.0 + step * grow) * centres @ exp(step * turn).T + step * shift
    out = np.concatenate([np.tile(turn, (len(centres), 1)), (moved - centres) / step], axis=1)
    return np.asarray(out.reshape(-1))


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_a_common_motion_is_taken_out_and_the_scale_only_when_asked(seed: int) -> None:
    rng = np.random.default_rng(seed)
    centres = rng.normal(0, 700, (7, 3)) + rng.normal(0, 5000, 3)
    motion = tangents(centres, rng.normal(size=3), rng.normal(0, 100, 3), 0.0)
    assert np.abs(told_among(centres) @ motion)[3::6].max() < 1e-2
    assert np.linalg.norm(told_among(centres) @ motion) < 1e-4 * np.linalg.norm(motion)
    growth = tangents(centres, np.zeros(3), np.zeros(3), 1.0)
    left = told_among(centres) @ growth
    away = centres - centres.mean(axis=0)
    assert left.reshape(-1, 6)[:, 3:] == pytest.approx(away, abs=1e-2)
    assert np.linalg.norm(told_among(centres, scale=False) @ growth) < 1e-4 * np.linalg.norm(growth)


@pytest.mark.parametrize("scale", [True, False])
def test_taking_it_out_twice_changes_nothing_more(scale: bool) -> None:
    centres = np.random.default_rng(3).normal(0, 500, (5, 3))
    among = told_among(centres, scale=scale)
    assert among @ among == pytest.approx(among, abs=1e-9)


def test_distances_between_markers_are_told_as_before() -> None:
    rng = np.random.default_rng(4)
    centres = rng.normal(0, 500, (6, 3))
    root = rng.normal(size=(36, 36))
    covariance = root @ root.T
    way = centres[1] - centres[0]
    row = np.zeros(36)
    row[9:12] = way / np.linalg.norm(way)
    row[3:6] = -row[9:12]
    among = told_among(centres)
    assert row @ among @ covariance @ among.T @ row == pytest.approx(row @ covariance @ row)


@pytest.mark.parametrize("scale", [True, False])
def test_taken_out_of_rows_covariances_and_blocks_it_is_what_the_whole_matrix_takes_out(
    scale: bool,
) -> None:
    rng = np.random.default_rng(5)
    centres = rng.normal(0, 500, (6, 3)) + 3000.0
    root, rows = rng.normal(size=(36, 36)), rng.normal(size=(4, 36))
    among, covariance = told_among(centres, scale=scale), root @ root.T
    whole = among @ covariance @ among.T
    small = 1e-9 * np.abs(whole).max()
    assert told_rows(rows, centres, scale=scale) == pytest.approx(rows @ among, abs=1e-9)
    assert told_covariance(covariance, centres, scale=scale) == pytest.approx(whole, abs=small)
    blocks = whole.reshape(6, 6, 6, 6)[np.arange(6), :, np.arange(6)]
    assert told_blocks(covariance, centres, scale=scale) == pytest.approx(blocks, abs=small)
