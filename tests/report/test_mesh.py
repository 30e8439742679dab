"""Bars and faces as triangles, against trimesh, a general library that measures them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from fitscan.report.mesh import Mesh, cone, fan, joined, round_bar


def measured(mesh: Mesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces)


@settings(max_examples=30)
@given(st.floats(5.0, 60.0), st.floats(50.0, 2000.0), st.integers(0, 2**31))
def test_a_straight_bar_is_closed_and_has_its_volume(od: float, length: float, seed: int) -> None:
    way = np.random.default_rng(seed).normal(size=3)
    way /= np.linalg.norm(way)
    bar = measured(round_bar(np.array([[1.0, 2.0, 3.0], [1.0, 2.0, 3.0] + length * way]), od, 96))
    assert bar.is_watertight
    # A regular polygon of n corners on a circle has the area n/2 r^2 sin(2 pi / n).
    area = 48.0 * (od / 2) ** 2 * np.sin(2 * np.pi / 96)
    # Positive: the faces are anticlockwise from outside.
    assert bar.volume == pytest.approx(area * length, rel=1e-9)


def test_a_bent_bar_keeps_its_diameter_on_both_legs() -> None:
    path = np.array(
        [[0.0, 0.0, 0.0], [500.0, 0.0, 0.0], [800.0, 400.0, 0.0], [800.0, 400.0, 300.0]]
    )
    mesh = round_bar(path, 38.0)
    bar = measured(mesh)
    assert bar.is_watertight
    # Mitred legs: each ring lies on the cylinders of both its legs.
    rings = mesh.vertices[:-2].reshape(4, -1, 3)
    for i, ring in enumerate(rings):
        for a, b in pairwise(path):
            if not (np.allclose(a, path[i]) or np.allclose(b, path[i])):
                continue
            way = (b - a) / np.linalg.norm(b - a)
            away = ring - a - np.outer((ring - a) @ way, way)
            assert np.linalg.norm(away, axis=1) == pytest.approx(19.0)
    # A mitred bar's volume is its cross section times the length of its axis.
    area = 12.0 * 19.0**2 * np.sin(2 * np.pi / 24)
    assert bar.volume == pytest.approx(area * (500.0 + 500.0 + 300.0), rel=1e-9)


def test_points_that_repeat_do_no_harm_and_one_point_is_no_bar() -> None:
    path = np.array([[0.0, 0, 0], [0, 0, 0], [0, 0, 100], [0, 0, 100]])
    assert measured(round_bar(path, 20.0)).is_watertight
    with pytest.raises(ValueError, match="two points"):
        round_bar(path[:2], 20.0)


def test_a_face_looks_the_way_its_border_runs() -> None:
    square = np.array([[0.0, 0, 5], [2, 0, 5], [2, 2, 5], [0, 2, 5], [0, 0, 5]])
    face = measured(fan(square))
    assert face.area == pytest.approx(4.0)
    assert face.face_normals == pytest.approx(np.tile([0.0, 0.0, 1.0], (4, 1)))


def test_an_arrows_head_is_closed_and_ends_at_its_tip() -> None:
    way = np.array([0.6, 0.0, 0.8])
    head = measured(cone(np.array([10.0, 20.0, 30.0]), way, 30.0, 64))
    assert head.is_watertight
    area = 32.0 * 10.0**2 * np.sin(2 * np.pi / 64)
    assert head.volume == pytest.approx(area * 30.0 / 3.0)
    assert (head.vertices @ way).max() == pytest.approx(np.array([10.0, 20.0, 30.0]) @ way)


def test_joined_meshes_keep_their_faces() -> None:
    bar = round_bar(np.array([[0.0, 0, 0], [0, 0, 10]]), 4.0)
    two = measured(joined([bar, Mesh(bar.vertices + np.array([50.0, 0, 0]), bar.faces)]))
    assert two.body_count == 2
    assert two.volume == pytest.approx(2 * measured(bar).volume)
