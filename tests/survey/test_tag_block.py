"""Observed squares: every derivative by differences, and the projection against OpenCV."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from jacobians import check_jacobians, dense_jacobian
from scenes import Scene, redrawn, small_scene, visible_squares

from fitscan.geometry.rotation import Array
from fitscan.markers.layout import CORNERS
from fitscan.survey.tag_block import TagBlock, predict, predict_pixels

# Small enough for the third derivative, large enough for the last digits.
STEPS = {
    "photo": np.r_[[1e-5] * 3, [1e-2] * 3, 1e-5, 1e-3, 1e-2, 1e-2],
    "marker": np.r_[[1e-5] * 3, [1e-2] * 3],
    "lens": np.r_[1e-1, 1e-5, 1e-2, 1e-2, 1e-4, 1e-4, 1e-4, 1e-5, 1e-5],
    "printer": np.array([1e-4, 1e-4]),
    "ink": np.array([1e-3]),
    "split": np.array([1e-3]),
    "wrap": np.array([1e-3, 1e-4]),
    "form": np.array([1e-4, 1e-3, 1e-4]),
}


def nasty_scene(photos: int = 4) -> Scene:
    """Nuisances three times as large as they ever are, so that cross terms show."""
    scene = redrawn(small_scene(2, photos), 3)
    state = scene.state
    photo = state.photo.copy()
    photo[:, 12:] *= 3.0
    changed = replace(
        state, photo=photo, form=3.0 * state.form, printer=1.0 + 3.0 * (state.printer - 1.0)
    )
    return replace(scene, state=changed)


def block_of(scene: Scene, *, cuff: bool, count: int = 14) -> TagBlock:
    """Some squares of each kind, observed a little off, with a full whitening matrix."""
    geometry, corners = visible_squares(scene)
    rng = np.random.default_rng(4)
    rows = rng.permutation(np.flatnonzero((geometry.cuff >= 0) == cuff))[:count]
    n = len(rows)
    assert n >= 5
    observed = np.concatenate([corners[rows].reshape(n, 8), rng.normal(size=(n, 1))], axis=1)
    return TagBlock(
        "cuff tags" if cuff else "flat tags",
        geometry.take(rows),
        observed + rng.normal(size=(n, 9)),
        rng.normal(size=(n, 9, 9)),
        rng.uniform(0.5, 3.0, n),
        np.full(n, 9, dtype=np.intp),
    )


@pytest.mark.parametrize("cuff", [False, True], ids=["flat", "cuff"])
def test_every_derivative_of_observed_squares_is_that_of_central_differences(cuff: bool) -> None:
    scene = nasty_scene()
    block = block_of(scene, cuff=cuff)
    check_jacobians(block, scene.state.groups(), STEPS, tolerance=2e-6)


@pytest.mark.parametrize("cuff", [False, True], ids=["flat", "cuff"])
def test_a_square_depends_on_its_own_photo_marker_and_form_only(cuff: bool) -> None:
    scene = nasty_scene()
    block = block_of(scene, cuff=cuff)
    stated = dense_jacobian(block, scene.state.groups())
    g = block.geometry
    for name, own in (("photo", g.photo), ("marker", g.marker), ("form", g.cuff)):
        dependent = np.abs(stated[name]).max(axis=(1, 3)) > 0
        wanted = np.zeros_like(dependent)
        if name != "form" or cuff:
            wanted[np.arange(len(g)), own] = True
        assert np.array_equal(dependent, wanted)


def world_points(scene: Scene, block: TagBlock) -> Array:
    """Corners (n, 4, 3) in the world, by trigonometry written out here once more."""
    out = []
    g = block.geometry
    across, along = scene.state.printer[0]
    for i in range(len(g)):
        uv = CORNERS * g.side_mm[i] * [across, along]
        if g.cuff[i] < 0:
            x = np.c_[uv, np.zeros(4)]
        else:
            radius, angle, z = g.place[i]
            skew, grow, pitch = scene.state.form[g.cuff[i]]
            # On the unrolled strip: mid strip is the origin, then it is wrapped askew.
            u = angle * radius * (1.0 + pitch) + uv[:, 0]
            v = z * along + uv[:, 1]
            theta = np.pi + (u - skew * v) / (radius + grow)
            x = np.stack([(radius + grow) * np.cos(theta), (radius + grow) * np.sin(theta),
                          v + skew * u], axis=1)  # fmt: skip
        out.append(scene.poses[scene.markers[g.marker[i]]].apply(x))
    return np.array(out)


@pytest.mark.parametrize("cuff", [False, True], ids=["flat", "cuff"])
def test_corners_project_as_opencv_projects_them(cuff: bool) -> None:
    scene = nasty_scene()
    block = block_of(scene, cuff=cuff)
    values = {g.name: g.values for g in scene.state.groups()}
    prediction = predict(block.geometry, CORNERS * block.geometry.side_mm[:, None, None], values)
    for i, x in enumerate(world_points(scene, block)):
        row = scene.state.photo[block.geometry.photo[i]]
        lens = scene.lens.breathed(row[12])
        turn = cv2.Rodrigues(row[:9].reshape(3, 3))[0]
        pixels = cv2.projectPoints(x, turn, row[9:12], lens.camera_matrix, lens.distortion)[0]
        assert prediction.pixels[i] == pytest.approx(pixels.reshape(4, 2) + row[14:16], abs=1e-6)


@pytest.mark.parametrize("cuff", [False, True], ids=["flat", "cuff"])
def test_pixels_without_derivatives_are_those_with_them(cuff: bool) -> None:
    scene = nasty_scene()
    block = block_of(scene, cuff=cuff)
    values = {g.name: g.values for g in scene.state.groups()}
    uv = np.random.default_rng(1).uniform(-10, 10, (len(block.geometry), 6, 2))
    quick, full = predict_pixels(block.geometry, uv, values), predict(block.geometry, uv, values)
    assert np.allclose(quick, full.pixels, rtol=0, atol=1e-8)


def test_ink_growth_and_a_photos_edge_shift_pull_the_same_edge_opposite_ways() -> None:
    scene = nasty_scene()
    block = replace(block_of(scene, cuff=False), whitening=np.tile(np.eye(9), (14, 1, 1)))
    values = {g.name: g.values.copy() for g in scene.state.groups()}
    before = block.misfit(values)[:, 8]
    values["photo"][:, 13] += 0.25
    assert block.misfit(values)[:, 8] - before == pytest.approx(np.full(14, 0.25))
    values["ink"][0, 0] += 0.1
    assert block.misfit(values)[:, 8] - before == pytest.approx(0.25 - 0.1 * block.px_per_mm)


def test_a_square_behind_its_camera_costs_infinitely_much() -> None:
    scene = nasty_scene()
    block = block_of(scene, cuff=False)
    values = {g.name: g.values.copy() for g in scene.state.groups()}
    values["photo"][:, 9:12] -= [0.0, 0.0, 5000.0]
    assert np.all(np.isinf(block.residual(values)))


def test_flat_tags_and_cuffs_in_one_block_are_a_programmers_mistake() -> None:
    scene = nasty_scene()
    geometry, _ = visible_squares(scene)
    values = {g.name: g.values for g in scene.state.groups()}
    with pytest.raises(ValueError, match="cannot share"):
        predict(geometry, np.zeros((len(geometry), 1, 2)), values)


def test_the_ink_faces_the_camera_where_the_scene_says_so() -> None:
    scene = nasty_scene()
    for cuff in (False, True):
        block = block_of(scene, cuff=cuff)
        values = {g.name: g.values for g in scene.state.groups()}
        p = predict(block.geometry, CORNERS * block.geometry.side_mm[:, None, None], values)
        world = world_points(scene, block)
        for i, x in enumerate(world):
            pose = scene.poses[scene.markers[block.geometry.marker[i]]]
            normal = pose.rotation[:, 2]
            if cuff:
                arm = x[0] - pose.translation
                normal = arm - (arm @ pose.rotation[:, 2]) * pose.rotation[:, 2]
                normal = normal / np.linalg.norm(normal)
            row = scene.state.photo[block.geometry.photo[i]]
            eye = -row[:9].reshape(3, 3).T @ row[9:12]
            towards = (eye - x[0]) / np.linalg.norm(eye - x[0])
            assert p.facing[i, 0] == pytest.approx(normal @ towards, abs=1e-9)
