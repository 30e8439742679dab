"""The adjustment against COLMAP's bundle adjustment (Ceres), an independent implementation.

How tags become a problem for COLMAP, and its sources, stand in `colmap_shoots`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pycolmap
from colmap_shoots import (
    FIXED,
    HALF,
    SIGMA_PX,
    camera_of,
    colmaps_shoot,
    exact,
    image_number,
    model_of,
    rigid3d,
    rigid_from,
    shoot,
)

from fitscan.adjust.problem import Block, Group, IntArray, PriorBlock
from fitscan.adjust.solve import Options, Solution, solve
from fitscan.adjust.statistics import Covariance, covariance_of
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.lens.board_block import BoardBlock, FactorPrior, pack_photo, step_photos
from fitscan.lens.model import Lens, project
from fitscan.markers.layout import CORNERS
from fitscan.survey.network import SquareObservations
from fitscan.survey.state import State, rigid_of
from fitscan.survey.tag_block import predict

PHOTOS = 8


# ---------------------------------------------------------------- a shoot


@lru_cache(maxsize=1)
def adjusted() -> Solution:
    """The shoot, adjusted by the survey's own network."""
    _, network, state, given = shoot(PHOTOS)
    first = network.solve(state, given, robust=None, steps=60)
    # It stops when the cost falls by less than 1e-9 of itself; once more goes to the last digit.
    return network.solve(State.of(first.values), given, robust=None, steps=60)


def test_a_shoot_of_tags_has_the_minimum_that_colmap_finds() -> None:
    _, network, _, given = shoot(PHOTOS)
    solution = adjusted()
    assert solution.converged
    world, adjuster = colmaps_shoot(PHOTOS, exact())
    assert adjuster.solve().is_solution_usable()
    theirs = np.array(
        [
            [world.images[image_number(given, j, i)].project_point(x) for x in _corners(given, k)]
            for k, (j, i) in enumerate(
                zip(given.geometry.marker.tolist(), given.geometry.photo.tolist(), strict=True)
            )
        ]
    )
    ours = predict(
        given.geometry, CORNERS * given.geometry.side_mm[:, None, None], solution.values
    ).pixels
    assert len(ours) > 90
    assert np.abs(theirs - HALF - ours).max() < 1e-6
    moved = ours - given.observed[:, :8].reshape(-1, 4, 2)
    assert np.sqrt(np.mean(moved**2)) > 0.5 * SIGMA_PX  # there was something to adjust
    first = rigid_of(solution.values["photo"][0])
    for j in range(len(network.markers)):
        pose = first @ rigid_of(solution.values["marker"][j])
        other = rigid_from(world.frame(j + 1).rig_from_world)
        assert np.abs(pose.translation - other.translation).max() < 1e-4  # mm
        assert np.abs(pose.rotation - other.rotation).max() < 1e-6


def _corners(given: SquareObservations, k: int) -> Array:
    side = float(given.geometry.side_mm[k])
    return np.column_stack([CORNERS * side, np.zeros(4)])


# ---------------------------------------------------------------- a board

PLAIN = Lens(np.array([3020.0, 1.001, 2010.0, 1505.0, 0.04, -0.09, 0.0, 4e-4, -3e-4]), 4032, 3024)
"""Without k3, which COLMAP's OPENCV model has not."""

SPOTS = np.array([[x, y, 0.0] for x in range(0, 182, 26) for y in range(0, 234, 26)], dtype=float)


@lru_cache(maxsize=1)
def board() -> tuple[Solution, Covariance, IntArray, Array]:
    """The calibration's own block with a free lens: solution, covariance, photo, image px."""
    rng = np.random.default_rng(3)
    photo, spots, image = [], [], []
    rows = []
    for i in range(PHOTOS):
        tilt = exp(np.array([0.45 * np.cos(2.3 * i), 0.45 * np.sin(2.3 * i), 0.3 * i]))
        pose = Rigid(tilt, np.array([30.0 * np.cos(i), 30.0 * np.sin(2 * i), 330.0 + 20 * i]))
        centred = SPOTS - SPOTS.mean(axis=0)
        pixels, *_ = project(pose.apply(centred), PLAIN.values, 0.0)
        inside = np.all((pixels > 0) & (pixels < [4031, 3023]), axis=1)
        assert inside.sum() > 30
        photo += [i] * int(inside.sum())
        spots.append(SPOTS[inside])
        image.append(pixels[inside] + rng.normal(0, SIGMA_PX, (int(inside.sum()), 2)))
        rows.append(pack_photo(pose.rotation, pose.translation))
    middle, half = SPOTS.mean(axis=0)[:2], np.ptp(SPOTS, axis=0)[:2] / 2
    seen = np.concatenate(image)
    block = BoardBlock(
        np.array(photo, dtype=np.intp), np.concatenate(spots), middle, half, seen, SIGMA_PX, None
    )
    free = np.full((1, 9), np.inf)
    free[0, 6] = FIXED
    groups = [
        Group("lens", PLAIN.values[None].copy(), 9),
        Group("board", np.zeros((1, 4)), 4),
        Group("photo", np.array(rows), 7, step_photos),
    ]
    blocks: list[Block] = [
        block,
        FactorPrior(PHOTOS, FIXED),
        PriorBlock.independent("lens", "lens", PLAIN.values[None], free),
        PriorBlock.independent("board", "board", np.zeros((1, 4)), np.full((1, 4), FIXED)),
    ]
    solution = solve(groups, blocks, Options(steps=100, tolerance=1e-14))
    return solution, covariance_of(solution), block.photo, seen


@lru_cache(maxsize=1)
def colmaps_board() -> tuple[Any, Any]:
    """The same in COLMAP, one camera for all images: reconstruction and covariance."""
    solution, _, photo, seen = board()
    block = solution.blocks[0]
    assert isinstance(block, BoardBlock)
    world = pycolmap.Reconstruction()
    world.add_camera_with_trivial_rig(camera_of(PLAIN, 1, "OPENCV"))
    config = pycolmap.BundleAdjustmentConfig()
    tracks: dict[tuple[float, ...], Any] = {}
    for i in range(PHOTOS):
        mine = np.flatnonzero(photo == i)
        image = pycolmap.Image(
            name=str(i), keypoints=seen[mine] + HALF, camera_id=1, image_id=i + 1
        )
        pose = rigid_of(solution.groups[2].values[i])
        world.add_image_with_trivial_frame(image, rigid3d(pose))
        config.add_image(i + 1)
        for row, k in enumerate(mine):
            track = tracks.setdefault(tuple(block.object_mm[k]), pycolmap.Track())
            track.add_element(i + 1, row)
    for place, track in tracks.items():
        centred = np.array(place) - SPOTS.mean(axis=0)
        config.add_constant_point(world.add_point3D(centred, track, np.zeros(3, np.uint8)))
    options = exact()
    options.refine_principal_point = True
    adjuster = pycolmap.create_default_ceres_bundle_adjuster(options, config, world)
    assert adjuster.solve().is_solution_usable()
    wanted = pycolmap.BACovarianceOptions()
    wanted.damping = 0.0
    covariance = pycolmap.estimate_ba_covariance(wanted, world, adjuster)
    assert covariance is not None
    return world, covariance


def test_a_board_has_the_lens_and_the_residuals_that_colmap_finds() -> None:
    solution, _, photo, _ = board()
    world, _ = colmaps_board()
    block = solution.blocks[0]
    assert isinstance(block, BoardBlock)
    ours = block.residual(solution.values) * SIGMA_PX
    rows = [int(np.sum(photo[:k] == photo[k])) for k in range(len(photo))]
    theirs = []
    for k, row in enumerate(rows):
        image = world.images[int(photo[k]) + 1]
        place = world.points3D[image.points2D[row].point3D_id].xyz
        theirs.append(image.project_point(place) - image.points2D[row].xy)
    assert np.abs(np.array(theirs) - ours).max() < 1e-6
    lens = np.array(model_of(solution.values["lens"][0]))[:8]
    assert np.abs(world.cameras[1].params[:4] - lens[:4]).max() < 1e-5
    assert np.abs(world.cameras[1].params[4:] - lens[4:]).max() < 1e-8


def test_a_boards_lens_and_poses_have_the_covariance_that_colmap_finds() -> None:
    solution, covariance, _, _ = board()
    world, theirs = colmaps_board()
    f, aspect = solution.values["lens"][0, :2]
    by_lens = np.zeros((8, 9))  # d (fx, fy, cx, cy, k1, k2, p1, p2) / d lens
    by_lens[0, 0], by_lens[1, 0], by_lens[1, 1] = 1.0, aspect, f
    for row, column in enumerate((2, 3, 4, 5, 7, 8)):
        by_lens[2 + row, column] = 1.0
    ours = by_lens @ covariance.of("lens") @ by_lens.T
    other = theirs.get_other_params_cov(world.cameras[1].params) * SIGMA_PX**2
    assert relative(ours, other) < 0.01
    # Ceres's quaternion step is half the angle of the turn.
    half = np.diag([2.0, 2.0, 2.0, 1.0, 1.0, 1.0])
    for i in range(PHOTOS):
        own = covariance.of("photo", np.array([i]))[:6, :6]
        pose = half @ theirs.get_cam_cov_from_world(i + 1) @ half * SIGMA_PX**2
        assert relative(own, pose) < 0.01


def relative(a: Array, b: Array) -> float:
    size = np.sqrt(np.outer(np.diag(b), np.diag(b)))
    return float(np.abs((a - b) / size).max())
