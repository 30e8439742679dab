"""A shoot's adjustment: covariance by an independent dense way, and what sampling says of it."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from jacobians import dense_jacobian
from scenes import Scene, redrawn, small_scene, take_photos, well_seen
from scipy.linalg import null_space
from solved import adjusted, edges_of

from fitscan.adjust.problem import Group, IntArray
from fitscan.adjust.solve import Solution
from fitscan.adjust.statistics import Covariance, block_test
from fitscan.geometry.align import align_points
from fitscan.geometry.rotation import Array
from fitscan.markers.layout import Layout
from fitscan.survey.network import Network, corner_observations
from fitscan.survey.state import State, rigid_of
from fitscan.survey.tag_block import inward


@lru_cache(maxsize=1)
def small_adjustment() -> tuple[Network, Solution, Covariance]:
    return adjusted(redrawn(well_seen(small_scene(4, 12)), 4), 4)


@lru_cache(maxsize=1)
def dense_parts() -> tuple[Array, list[Group], list[Array]]:
    """The full Jacobian of everything, photos included, its groups, and each block's rows."""
    _, solution, _ = small_adjustment()
    groups = [
        Group(g.name, solution.values[g.name], g.tangent, g.step) for g in solution.groups
    ]  # fmt: skip
    rows = []
    for block in solution.blocks:
        parts = dense_jacobian(block, groups)
        n, m = block.residual(solution.values).shape
        rows.append(np.concatenate([parts[g.name].reshape(n * m, -1) for g in groups], axis=1))
    return np.concatenate(rows), groups, rows


def columns_of(groups: list[Group], name: str) -> IntArray:
    offset = 0
    for g in groups:
        size = len(g.values) * g.tangent
        if g.name == name:
            return np.arange(offset, offset + size).reshape(len(g.values), g.tangent)
        offset += size
    raise KeyError(name)


def dense_covariance() -> Array:
    """Covariance of all unknowns under inner constraints on the centres, by a pseudo-inverse.

    The unknowns are written in a basis of what the constraints allow; nothing is eliminated.
    """
    jacobian, groups, _ = dense_parts()
    marker = columns_of(groups, "marker")
    centres = next(g for g in groups if g.name == "marker").values[:, 9:12]
    centres = centres - centres.mean(axis=0)
    constraint = np.zeros((jacobian.shape[1], 6))
    for axis in range(3):
        constraint[marker[:, 3 + axis], axis] = 1.0
        turned = np.cross(np.eye(3)[axis], centres)
        for k in range(3):
            constraint[marker[:, 3 + k], 3 + axis] = turned[:, k] / 1e3
    scale = 1.0 / np.linalg.norm(jacobian, axis=0)
    allowed = null_space((scale[:, None] * constraint).T)
    inverse = np.linalg.pinv((jacobian * scale) @ allowed, rcond=1e-13)
    root = (scale[:, None] * allowed) @ inverse
    return np.asarray(root @ root.T)


def relative_error(found: Array, wanted: Array) -> float:
    size = np.sqrt(np.outer(np.diag(wanted), np.diag(wanted)))
    return float(np.abs((found - wanted) / size).max())


def test_the_covariance_is_that_of_one_dense_matrix_to_eight_digits() -> None:
    network, solution, covariance = small_adjustment()
    _, groups, _ = dense_parts()
    dense = dense_covariance()
    for name in ("marker", "form", "lens", "printer", "ink", "split"):
        own = columns_of(groups, name).reshape(-1)
        assert relative_error(covariance.of(name), dense[np.ix_(own, own)]) < 1e-8, name
    some = np.array([5, 17])
    own = columns_of(groups, "marker")[some].reshape(-1)
    assert relative_error(covariance.of("marker", some), dense[np.ix_(own, own)]) < 1e-8
    for photo in (0, 7):
        own = columns_of(groups, "photo")[photo]
        assert relative_error(covariance.eliminated(photo), dense[np.ix_(own, own)]) < 1e-8
    assert len(network.markers) == len(solution.values["marker"])


def test_the_free_networks_only_freedoms_are_the_six_of_a_rigid_motion() -> None:
    jacobian, _, _ = dense_parts()
    values = np.linalg.svd(jacobian / np.linalg.norm(jacobian, axis=0), compute_uv=False)
    # Six for the motion, and nothing else near them.
    assert np.all(values[-6:] < 1e-10 * values[0])
    assert values[-7] > 1e-6 * values[0]


def test_redundancies_are_those_of_the_dense_residual_covariance() -> None:
    _, solution, covariance = small_adjustment()
    jacobian, _, rows = dense_parts()
    root = dense_covariance()
    ranks = sum(int(b.rank.sum()) for b in solution.blocks)
    assert covariance.redundancy == ranks - (jacobian.shape[1] - 6)
    total = 0.0
    for number, (block, part) in enumerate(zip(solution.blocks, rows, strict=True)):
        n, m = block.residual(solution.values).shape
        hat = np.einsum("ij,jk,ik->i", part, root, part).reshape(n, m).sum(axis=1)
        redundancy = block_test(covariance, number).redundancy
        assert redundancy == pytest.approx(block.rank - hat, abs=1e-6), block.name
        total += float(redundancy.sum())
    assert total == pytest.approx(covariance.redundancy, abs=1e-5)


def test_the_tests_of_squares_are_those_of_the_dense_residual_covariance() -> None:
    _, solution, covariance = small_adjustment()
    _, _, rows = dense_parts()
    dense = dense_covariance()
    block, part = solution.blocks[0], rows[0]
    n, m = block.residual(solution.values).shape
    residual = block.residual(solution.values)
    test = block_test(covariance, 0)
    for i in range(0, n, 17):
        own = part[i * m : (i + 1) * m]
        qvv = np.eye(m) - own @ dense @ own.T
        assert test.statistic[i] == pytest.approx(residual[i] @ np.linalg.solve(qvv, residual[i]),
                                                  rel=1e-5)  # fmt: skip


def test_corners_that_the_edge_shift_moved_give_the_shift_back() -> None:
    scene = redrawn(well_seen(small_scene(4, 8)), 4)
    shots = take_photos(scene, 1)
    g = shots.geometry
    true = shots.observed[:, :8].reshape(-1, 4, 2)
    moved = true + 0.4 * inward(true)
    seen = corner_observations(g, moved, 0.3, np.zeros(len(g)))
    # Residual of the true corners with a shift of 0.4 px: nothing is left.
    model = np.concatenate([true.reshape(-1, 8), np.full((len(g), 1), 0.4)], axis=1)
    left = np.einsum("nij,nj->ni", seen.whitening, model - seen.observed)
    assert np.abs(left).max() < 0.02
    assert np.all(left[:, 8] == 0.0)


def test_the_inward_move_of_a_square_is_a_diagonal_at_each_corner() -> None:
    square = np.array([[[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]]])
    assert inward(square)[0] == pytest.approx(np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]))


def centres_error(network: Network, scene: Scene, solution: Solution) -> Array:
    """True less adjusted centres (3 n,), the truth moved rigidly onto the adjusted ones."""
    adjusted_centres = solution.values["marker"][:, 9:12]
    true = scene.state.marker[:, 9:12]
    fit = align_points(true, adjusted_centres, with_scale=False)
    return np.asarray((fit.apply(true) - adjusted_centres).reshape(-1))


def centre_rows(network: Network) -> IntArray:
    return np.asarray(
        (np.arange(len(network.markers))[:, None] * 6 + [3, 4, 5]).reshape(-1), dtype=np.intp
    )


def normalised(error: Array, covariance: Array) -> float:
    """Squared error in units of its covariance, over its degrees of freedom (rank)."""
    values, vectors = np.linalg.eigh(covariance)
    use = values > 1e-9 * values[-1]
    return float(((vectors.T @ error)[use] ** 2 / values[use]).sum() / use.sum())


def trial(seed: int) -> tuple[float, Array, Array, float, Array]:
    """Normalised errors of one shoot: all centres at once, each coordinate, distances, factor."""
    scene = redrawn(well_seen(small_scene(6, 16)), seed)
    network, solution, covariance = adjusted(scene, seed)
    rows = centre_rows(network)
    joint = covariance.of("marker")[np.ix_(rows, rows)]
    error = centres_error(network, scene, solution)
    rng = np.random.default_rng(seed)
    centres, true = solution.values["marker"][:, 9:12], scene.state.marker[:, 9:12]
    distances = []
    for _ in range(40):
        i, j = rng.choice(len(centres), 2, replace=False)
        span = centres[i] - centres[j]
        unit = span / np.linalg.norm(span)
        row = np.zeros(len(rows))
        row[3 * i : 3 * i + 3], row[3 * j : 3 * j + 3] = unit, -unit
        miss = np.linalg.norm(span) - np.linalg.norm(true[i] - true[j])
        distances.append(miss / np.sqrt(row @ joint @ row))
    nuisance = [
        (solution.values[name] - getattr(scene.state, name)).reshape(-1)
        / np.sqrt(np.diag(covariance.of(name)))
        for name in ("printer", "ink", "split", "form", "lens", "wrap")
    ]
    return (
        normalised(error, joint),
        error / np.sqrt(np.diag(joint)),
        np.array(distances),
        covariance.variance_factor,
        np.concatenate(nuisance),
    )


def test_a_dozen_simulated_shoots_scatter_as_their_covariance_says() -> None:
    trials = [trial(seed) for seed in range(12)]
    # About 115 freedoms a shoot: twelve shoots fix the mean to 4 %.
    assert np.mean([t[0] for t in trials]) == pytest.approx(1.0, abs=0.13)
    assert np.mean([t[3] for t in trials]) == pytest.approx(1.0, abs=0.03)
    assert 0.85 < np.mean(np.abs(np.concatenate([t[1] for t in trials])) < 1.96) <= 1.0


def test_a_kit_without_a_cuff_leaves_nothing_free() -> None:
    whole = redrawn(well_seen(small_scene(4, 8)), 4)
    flat = [i for i, m in enumerate(whole.markers) if m < 100]
    kit = whole.kit.model_copy(update={"cuff": ()})
    state = replace(whole.state, marker=whole.state.marker[flat], form=np.zeros((0, 3)))
    markers = tuple(whole.markers[i] for i in flat)
    scene = Scene(kit, Layout.of(kit), markers, state, whole.lens)
    _, solution, covariance = adjusted(scene, 4)
    assert solution.converged
    assert covariance.variance_factor == pytest.approx(1.0, abs=0.15)


def test_what_is_brought_to_rest_alone_comes_to_where_all_at_once_has_it() -> None:
    """At the least square sum of all, what is free has its least one with the rest held there."""
    scene = well_seen(small_scene(4, 12))
    network, solution, _ = adjusted(scene, 4, start=scene.state)
    seen = edges_of(network, take_photos(scene, 4))
    best = State.of(solution.values)
    cuff = network.marker_row[network.cuffs[1]]
    free = {"photo": np.array([2, 7]), "marker": np.array([0, cuff]), "form": np.array([1])}
    start = {g.name: g.values.copy() for g in best.groups()}
    rng = np.random.default_rng(8)
    for group in best.groups():
        if group.name in free:
            rows = free[group.name]
            step = np.zeros((len(group.values), group.tangent))
            step[rows, :3] = rng.normal(0, 0.002, (len(rows), 3))
            if group.name != "form":
                step[rows, 3:6] = rng.normal(0, 1.5, (len(rows), 3))
            start[group.name] = group.step(group.values, step)
    found = {g.name: g.values for g in network.at_rest(State.of(start), seen, free).groups()}
    for name, values in found.items():
        held = np.setdiff1d(np.arange(len(values)), free.get(name, ()))
        assert np.array_equal(values[held], start[name][held])
    off = found["marker"][free["marker"], 9:12] - best.marker[free["marker"], 9:12]
    assert np.linalg.norm(off, axis=1).max() < 0.005
    for row in free["photo"]:
        here, there = (rigid_of(p[row]).inverse().translation for p in (found["photo"], best.photo))
        assert np.linalg.norm(here - there) < 0.02
