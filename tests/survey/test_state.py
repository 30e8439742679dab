"""Rows of the unknowns: packing, stepping, and groups without members."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scenes import small_scene

from fitscan.geometry.rigid import Rigid
from fitscan.survey.state import State, pack_markers, pack_photos, rigid_of, step_markers


def poses(count: int) -> list[Rigid]:
    rng = np.random.default_rng(count)
    return [Rigid.from_tangent(rng.normal(size=6) * [1, 1, 1, 300, 300, 300]) for _ in range(count)]


def test_a_row_gives_its_transform_back() -> None:
    for row, pose in zip(pack_photos(poses(3)), poses(3), strict=True):
        assert np.array_equal(rigid_of(row).rotation, pose.rotation)
        assert np.array_equal(rigid_of(row).translation, pose.translation)
    assert pack_photos(poses(3)).shape == (3, 16)
    assert np.all(pack_photos(poses(3))[:, 12:] == 0.0)


def test_rows_step_as_transforms_do_and_nuisances_by_addition() -> None:
    rng = np.random.default_rng(1)
    step = rng.normal(size=(3, 10)) * np.r_[[0.1] * 3, [5.0] * 3, [1.0] * 4]
    after = step_markers(pack_photos(poses(3)), step)
    for row, pose, change in zip(after, poses(3), step, strict=True):
        assert np.allclose(rigid_of(row).rotation, pose.step(change[:6]).rotation)
        assert np.allclose(rigid_of(row).translation, pose.step(change[:6]).translation)
        assert np.array_equal(row[12:], change[6:])


def test_stepping_leaves_the_values_alone() -> None:
    before = pack_markers(poses(2))
    kept = before.copy()
    step_markers(before, np.ones((2, 6)))
    assert np.array_equal(before, kept)


def test_a_state_without_cuffs_has_no_group_of_forms_and_reads_back() -> None:
    scene = small_scene(1, 3)
    full = scene.state
    assert "form" in {g.name for g in full.groups()}
    assert all(len(g.values) for g in full.groups())
    bare = replace(full, form=np.zeros((0, 3)))
    values = {g.name: g.values for g in bare.groups()}
    assert "form" not in values
    assert State.of(values).form.shape == (0, 3)
    assert np.array_equal(State.of(values).photo, full.photo)
