"""Squares placed by the rays of all photos: right however they lie, and honest about two places."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scenes import Scene, small_scene, visible_squares, well_seen

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.layout import CORNERS
from fitscan.survey.rays import misses, place_by_rays
from fitscan.survey.state import rigid_of

SQUARE = 40.0 * CORNERS


@lru_cache(maxsize=1)
def scene() -> Scene:
    return well_seen(small_scene(3, 14, nuisances=False))


def sights(marker: int, noise_px: float = 0.0) -> list[tuple[Rigid, Array]]:
    geometry, corners = visible_squares(scene())
    rng = np.random.default_rng(marker)
    return [
        (rigid_of(scene().state.photo[geometry.photo[i]]),
         corners[i] + noise_px * rng.normal(size=(4, 2)))
        for i in np.flatnonzero(geometry.tag_id == marker)
    ]  # fmt: skip


def shell() -> list[int]:
    return [m for m in scene().markers if m < 24 and len(sights(m)) >= 3]


def test_every_flat_tag_is_placed_and_never_turned_over() -> None:
    for marker in shell():
        exact = place_by_rays(sights(marker), scene().lens, SQUARE)
        assert exact is not None
        true = scene().poses[marker]
        assert exact.translation == pytest.approx(true.translation, abs=1e-5)
        assert exact.rotation == pytest.approx(true.rotation, abs=1e-6)
        rough = place_by_rays(sights(marker, 0.4), scene().lens, SQUARE)
        assert rough is not None
        assert rough.rotation[:, 2] @ true.rotation[:, 2] > np.cos(np.radians(10.0))
        assert misses(sights(marker, 0.4), scene().lens, SQUARE, rough) < 0.03


def test_a_tag_that_moved_by_a_fifth_of_its_side_misses_in_some_photo() -> None:
    for marker in shell():
        seen = sights(marker)
        moved = [
            (cam, quad + (0.4 * (quad[1] - quad[0]) if i % 2 else 0.0))
            for i, (cam, quad) in enumerate(seen)
        ]
        pose = place_by_rays(moved, scene().lens, SQUARE)
        assert pose is not None
        assert misses(moved, scene().lens, SQUARE, pose) > 0.1


def test_one_photo_or_two_from_one_place_give_no_pose() -> None:
    one = sights(shell()[0])[:1]
    assert place_by_rays(one, scene().lens, SQUARE) is None
    assert place_by_rays(one * 2, scene().lens, SQUARE) is None
