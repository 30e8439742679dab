"""What stands in the way, against rays cast by a general 3-D library; and where a phone fits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.markers.kit import CuffSpec, Kit, PointerSpec, TagSpec
from fitscan.plan.stage import Bar, Box, Stage, bars_of, discs_of

NONE = np.zeros((0, 2, 3))


def stage(
    bars: tuple[Bar, ...] = (), boxes: tuple[Box, ...] = (), discs: np.ndarray = NONE
) -> Stage:
    return Stage(Kit(), {}, bars, discs, boxes)


def rays(seed: int, count: int = 3000) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(-900, 900, (count, 3)), rng.uniform(-900, 900, (count, 3))


def hit(mesh: Any, eyes: np.ndarray, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Whether Open3D's rays meet a mesh before their end, and where (share of the way)."""
    import open3d as o3d

    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(o3d.t.geometry.TriangleMesh.from_legacy(mesh))
    cast = np.concatenate([eyes, ends - eyes], axis=1).astype(np.float32)
    share = scene.cast_rays(o3d.core.Tensor.from_numpy(cast))["t_hit"].numpy()
    return share < 1.0, share


def test_a_tube_blocks_what_a_ray_caster_says_it_blocks() -> None:
    import open3d as o3d

    turn = exp(np.array([0.3, -0.8, 0.2]))
    mesh = o3d.geometry.TriangleMesh.create_cylinder(0.95 * 22.5, 900.0, 180, 4)
    mesh.rotate(turn, np.zeros(3))
    eyes, ends = rays(1, 8000)
    axis = 450.0 * turn[:, 2]
    bar = Bar("hoop", -axis, axis, 22.5)
    # A solid's round ends are not a cylinder's flat ones, and a mesh is a prism.
    along = np.stack([(eyes + t * (ends - eyes)) @ turn[:, 2] for t in np.linspace(0, 1, 50)])
    near_end = np.abs(np.abs(along) - 450.0) < 60.0
    said = stage((bar,)).blocked(eyes, ends)
    true, _ = hit(mesh, eyes, ends)
    clear = ~near_end.any(axis=0)
    inside = np.zeros(len(eyes), dtype=bool)
    for p in (eyes, ends):
        away = np.linalg.norm(p - np.outer(p @ turn[:, 2], turn[:, 2]), axis=1)
        inside |= away < 25.0
    assert 25 < true[clear].sum() < clear.sum()
    assert np.mean(said[clear & ~inside] == true[clear & ~inside]) > 0.998


def test_a_box_blocks_what_a_ray_caster_says_it_blocks() -> None:
    import open3d as o3d

    mesh = o3d.geometry.TriangleMesh.create_box(500.0, 300.0, 200.0)
    mesh.translate((-250.0, -150.0, -100.0))
    eyes, ends = rays(2)
    box = Box(np.array([-250.0, -150.0, -100.0]), np.array([250.0, 150.0, 100.0]))
    outside = np.ones(len(eyes), dtype=bool)
    for p in (eyes, ends):
        outside &= np.any(np.abs(p) > np.array([300.0, 200.0, 150.0]), axis=1)
    true, _ = hit(mesh, eyes, ends)
    said = stage(boxes=(box,)).blocked(eyes, ends)
    assert 200 < true[outside].sum() < outside.sum()
    assert np.mean(said[outside] == true[outside]) > 0.999


def test_a_panel_hides_what_is_behind_it_and_not_the_tag_on_it() -> None:
    panel = np.array([[[0.0, 0.0, 0.0], [0.0, 0.0, 1.0]]])
    there = stage(discs=panel)
    eye = np.array([[50.0, 0.0, 800.0]])
    assert there.blocked(eye, np.array([[0.0, 0.0, -400.0]]))[0]
    assert not there.blocked(eye, np.array([[600.0, 0.0, -400.0]]))[0]
    assert not there.blocked(eye, np.array([[0.0, 0.0, 0.0]]))[0]
    assert not there.blocked(eye, np.array([[0.0, 0.0, 300.0]]))[0]


def test_a_phone_fits_neither_in_a_box_nor_at_a_tube_nor_in_a_panel() -> None:
    box = Box(np.full(3, -100.0), np.full(3, 100.0))
    bar = Bar("hoop", np.array([500.0, 0.0, -500.0]), np.array([500.0, 0.0, 500.0]), 20.0)
    panel = np.array([[[0.0, 900.0, 0.0], [0.0, 0.0, 1.0]]])
    eyes = np.array([[0.0, 0, 0], [500.0, 90, 0], [500.0, 90, 800], [0.0, 900, 50], [0.0, 500, 0]])
    assert stage((bar,), (box,), panel).free(eyes).tolist() == [False, False, True, False, True]


def test_tubes_run_through_their_cuffs_and_panels_lie_behind_tags_only() -> None:
    cuffs = tuple(
        CuffSpec(first_id=i, od_mm=40.0, columns=6, rows=2, side_mm=15.0, row_pitch_mm=20.0,
                 part="cage", tube="hoop", straight=s)
        for i, s in ((100, 1), (112, 1), (124, 2))
    )  # fmt: skip
    tag = TagSpec(id=1, side_mm=40.0, part="shell")
    pointer = PointerSpec(id=2, side_mm=20.0, reach_mm=25.0, part="shell", name="lip")
    kit = Kit(tag=(tag,), pointer=(pointer,), cuff=cuffs)
    poses = {m: Rigid(np.eye(3), np.array([0.0, 0.0, z])) for m, z in
             ((100, 0.0), (112, 600.0), (1, 5.0), (2, 9.0))}  # fmt: skip
    bars = bars_of(kit, poses)
    assert [b.name for b in bars] == ["hoop"]
    assert sorted([bars[0].start[2], bars[0].end[2]]) == pytest.approx([-60.0, 660.0])
    assert bars[0].radius_mm == 20.0
    assert discs_of(kit, poses)[:, 0, 2].tolist() == [5.0]
