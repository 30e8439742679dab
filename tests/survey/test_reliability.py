"""Redundancy and smallest detectable errors of markers against dense algebra and by sampling."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from jacobians import dense_jacobian
from scenes import (
    LENS_SIGMA,
    lens_prior,
    redrawn,
    small_scene,
    survey_of,
    take_photos,
    well_seen,
    with_cameras,
)
from scipy.stats import norm

from fitscan.adjust.problem import Group
from fitscan.adjust.statistics import BAARDA_DELTA, BAARDA_W
from fitscan.geometry.rotation import Array
from fitscan.survey.clean import Cleaned, clean
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.priors import Priors
from fitscan.survey.reliability import check_markers, smallest_shift_px
from fitscan.survey.state import rigid_of
from fitscan.survey.survey import MarkerCheck, Survey
from fitscan.survey.survey_file import read_survey, write_survey
from fitscan.survey.tag_block import TagBlock


@lru_cache(maxsize=1)
def cleaned() -> Cleaned:
    scene = redrawn(well_seen(small_scene(4, 10)), 4)
    shots = take_photos(scene, 1)
    prior = lens_prior(scene.lens)
    network = Network.of(
        scene.kit, [f"photo{i}" for i in range(10)], list(scene.markers), prior.lens,
        np.diag(LENS_SIGMA**2), Priors(),
    )  # fmt: skip
    white = np.linalg.inv(np.linalg.cholesky(shots.covariance))
    rank = np.full(len(shots.geometry), 9, dtype=np.intp)
    seen = SquareObservations(shots.geometry, shots.observed, white, shots.px_per_mm, rank)
    return clean(network, scene.state, seen)


@lru_cache(maxsize=1)
def unseen_by_residuals() -> tuple[Array, list[tuple[TagBlock, int]]]:
    """Orthonormal columns of what the unknowns can take up (N, rank), and each block's first row.

    Residuals are the part of the observations square to these columns: no normal matrix, no datum.
    """
    solution = cleaned().solution
    groups = [Group(g.name, solution.values[g.name], g.tangent, g.step) for g in solution.groups]
    rows, places, count = [], [], 0
    for block, weight in zip(solution.blocks, solution.weights, strict=True):
        parts = dense_jacobian(block, groups)
        n, m = block.residual(solution.values).shape
        dense = np.concatenate([parts[g.name].reshape(n * m, -1) for g in groups], axis=1)
        assert np.all(weight == 1.0)
        rows.append(dense)
        if isinstance(block, TagBlock):
            places.append((block, count))
        count += n * m
    jacobian = np.concatenate(rows)
    u, s, _ = np.linalg.svd(jacobian / np.linalg.norm(jacobian, axis=0), full_matrices=False)
    return u[:, s > 1e-9 * s[0]], places


def shift_of(block: TagBlock, i: int, start: int, count: int) -> Array:
    """Whitened observations (count, 2) that move when all corners of one square move in x, in y."""
    out = np.zeros((count, 2))
    for k in range(4):
        for axis in range(2):
            out[start + 9 * i : start + 9 * i + 9, axis] += block.whitening[i][:, 2 * k + axis]
    return out


def test_the_smallest_shift_of_a_square_is_that_of_dense_algebra() -> None:
    taken, places = unseen_by_residuals()
    for (block, start), test in zip(places, cleaned().tests, strict=True):
        found = smallest_shift_px(block, test)
        for i in range(0, len(block.geometry), 13):
            moved = shift_of(block, i, start, len(taken))
            shown = moved - taken @ (taken.T @ moved)
            # Over all directions in the photo, the one whose residuals are smallest.
            turns = np.radians(np.arange(0.0, 180.0, 0.5))
            sizes = np.linalg.norm(shown @ np.stack([np.cos(turns), np.sin(turns)]), axis=0)
            assert found[i] == pytest.approx(BAARDA_DELTA / sizes.min(), rel=1e-4)


def test_a_shift_of_that_size_is_found_four_times_in_five() -> None:
    # Baarda 1968: false alarm rate 0.001 and power 0.8 give delta0 = 4.1321.
    assert norm.isf(0.0005) + norm.isf(0.2) == pytest.approx(BAARDA_DELTA, abs=1e-4)
    taken, places = unseen_by_residuals()
    block, start = places[0]
    size = float(smallest_shift_px(block, cleaned().tests[0])[5])
    moved = shift_of(block, 5, start, len(taken))
    shown = moved - taken @ (taken.T @ moved)
    way = np.linalg.eigh(shown.T @ shown)[1][:, 0]
    look = shown @ way
    rng = np.random.default_rng(3)
    found = 0
    for _ in range(4000):
        observed = rng.normal(size=len(taken)) + size * (moved @ way)
        found += abs(look @ observed) / np.linalg.norm(look) > BAARDA_W
    assert found / 4000 == pytest.approx(0.8, abs=0.03)


def test_a_markers_redundancy_is_the_mean_share_that_dense_algebra_gives() -> None:
    taken, places = unseen_by_residuals()
    shares: dict[int, list[float]] = {}
    worst: dict[int, list[float]] = {}
    for (block, start), test in zip(places, cleaned().tests, strict=True):
        hat = (taken**2).sum(axis=1)
        px = smallest_shift_px(block, test)
        for i, marker in enumerate(block.geometry.marker.tolist()):
            share = 1.0 - hat[start + 9 * i : start + 9 * i + 9].mean()
            shares.setdefault(marker, []).append(float(share))
            worst.setdefault(marker, []).append(float(px[i] / block.px_per_mm[i]))
    checks = check_markers(cleaned())
    assert len(checks) == len(cleaned().network.markers)
    for row, check in enumerate(checks):
        assert check.squares == len(shares[row])
        assert check.redundancy == pytest.approx(np.mean(shares[row]), abs=1e-6)
        told = np.inf if check.smallest_error_mm is None else check.smallest_error_mm
        assert told == pytest.approx(max(worst[row]))
        assert 0.0 < check.redundancy < 1.0


def test_more_photos_let_smaller_errors_be_found() -> None:
    base = well_seen(small_scene(2, 14))
    cams = [rigid_of(row) for row in base.state.photo]
    many, few = (survey_of(take_photos(with_cameras(base, cams[::step], 1), 1)) for step in (1, 2))
    common = [m for m in few.markers if many.has(m) and m < 30]
    assert len(common) > 8

    def checks(survey: Survey) -> list[MarkerCheck]:
        return [survey.checks[survey.row(m)] for m in common]

    controlled = [np.mean([c.redundancy for c in checks(s)]) for s in (few, many)]
    assert controlled[0] < controlled[1]
    found = [np.mean([c.smallest_error_px or 1e3 for c in checks(s)]) for s in (few, many)]
    assert found[0] > found[1]


def test_the_survey_file_keeps_each_markers_check(tmp_path: Path) -> None:
    survey = survey_of(take_photos(well_seen(small_scene(2, 8)), 1))
    assert len(survey.checks) == len(survey.markers)
    write_survey(tmp_path / "s.json", survey)
    assert read_survey(tmp_path / "s.json").checks == survey.checks
    rows = json.loads((tmp_path / "s.json").read_text())["markers"]
    for row, check in zip(rows, survey.checks, strict=True):
        assert row["squares"] == check.squares
        assert row["redundancy"] == check.redundancy
        assert row["smallest_error_px"] == check.smallest_error_px
        assert row["smallest_error_mm"] == check.smallest_error_mm
