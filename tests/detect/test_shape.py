"""Predicted shapes: what the polynomial between the nodes makes of planes and tubes."""

from __future__ import annotations

import numpy as np
import pytest
from tag_pictures import flat_square, tube_square

from fitscan.detect.field import LATTICE, carry
from fitscan.detect.pattern import edge_points
from fitscan.detect.shape import shapes_of
from fitscan.geometry.rotation import Array

TAGS = (3, 77, 410)


@pytest.mark.parametrize("make", [flat_square, tube_square])
def test_borders_and_their_neighbours_are_where_the_projection_puts_them(make: object) -> None:
    rng = np.random.default_rng(2)
    surfaces = [make(rng, 80.0, 132) for _ in TAGS]  # type: ignore[operator]

    def project(uv: Array) -> Array:
        return np.stack([s.pixels(p) for s, p in zip(surfaces, uv, strict=True)])

    shapes = shapes_of(project, len(TAGS))
    for row, tag in enumerate(TAGS):
        points = edge_points(tag)
        shape = shapes.at(np.tile(points.number, (len(TAGS), 1)))
        own = np.eye(2)[points.axis]
        at, on, back = (surfaces[row].pixels(points.uv + s * own) for s in (0.0, 1.0, -1.0))
        far, near = (surfaces[row].pixels(points.uv + s * own[:, ::-1]) for s in (1.0, -1.0))
        right = (at, 0.5 * (on - back), on - 2.0 * at + back, 0.5 * (far - near))
        got = (shape.base, shape.ahead, shape.bend, shape.run)
        for a, b in zip(got, right, strict=True):
            assert np.abs(a[row] - b).max() < 2e-3


def test_a_move_that_a_plane_can_make_leaves_measured_corners_where_they_are() -> None:
    rng = np.random.default_rng(3)
    squares = [flat_square(rng, 40.0, 132, slant=s) for s in np.linspace(0.1, 0.45, 8)]
    before = np.stack([s.pixels(LATTICE) for s in squares])
    turn = np.array([[1.005, 0.01], [-0.015, 0.995]])
    shift, bent = carry(before, (before - 66.0) @ turn + 66.2)
    # Of the half pixel a fiftieth is left, for the second order of perspective.
    assert np.abs(shift).max() < 0.01
    assert bent.max() < 0.01
    even = 5.0 * LATTICE[None] * np.array([1.0, -1.0])
    shift, bent = carry(even, even @ turn + 0.2)
    assert max(np.abs(shift).max(), bent.max()) < 1e-9


def test_a_bend_moves_the_corners_by_what_they_cannot_take_up() -> None:
    flat = 5.0 * LATTICE[None] * np.array([1.0, -1.0])
    bow = np.zeros_like(flat)
    bow[..., 0] = 0.02 * (LATTICE[:, 1] ** 2)
    shift, bent = carry(flat, flat + bow)
    # The best straight line through a parabola at five places: its ends lie 0.2 of it further out.
    assert 0.02 < np.abs(shift[..., 0]).max() < 0.32
    assert np.abs(shift[..., 1]).max() < 1e-9
    assert 0.05 < bent[0] < 0.32
