"""What is kept of a network: all of it where it hangs together, else its largest part."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import Scene, small_scene, visible_squares

from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.priors import Priors
from fitscan.survey.restrict import restrict
from fitscan.survey.start import groups_of_photos


@pytest.fixture(scope="module")
def scene() -> Scene:
    return small_scene(1, 16)


def given(scene: Scene) -> tuple[Network, SquareObservations]:
    squares, _ = visible_squares(scene)
    names = [str(i) for i in range(len(scene.state.photo))]
    network = Network.of(scene.kit, names, list(scene.markers), scene.lens, np.eye(9), Priors())
    n = len(squares)
    rank = np.full(n, 9, dtype=np.intp)
    return network, SquareObservations(
        squares, np.zeros((n, 9)), np.zeros((n, 9, 9)), np.ones(n), rank
    )


def test_nothing_is_taken_out_of_photos_that_hang_together(scene: Scene) -> None:
    network, seen = given(scene)
    part = restrict(network, scene.state, seen, np.ones(len(seen), dtype=bool))
    assert part.network.photos == network.photos
    pairs = {*zip(seen.geometry.marker.tolist(), seen.geometry.photo.tolist(), strict=True)}
    twice = [m for i, m in enumerate(network.markers) if sum(p[0] == i for p in pairs) >= 2]
    assert list(part.network.markers) == twice


@pytest.mark.parametrize("first", [4, 11])
def test_of_photos_that_share_no_marker_the_larger_group_stays(scene: Scene, first: int) -> None:
    network, seen = given(scene)
    marker, photo = seen.geometry.marker, seen.geometry.photo
    # Early photos see every second marker only, later ones the others.
    keep = (photo < first) == (marker % 2 == 0)
    part = restrict(network, scene.state, seen, keep)
    sights = [set(marker[keep & (photo == i)].tolist()) for i in range(len(network.photos))]
    count = [sum(m in s for s in sights) for m in range(len(network.markers))]
    sights = [{m for m in s if count[m] >= 2} for s in sights]
    largest = groups_of_photos(sights)[0]
    assert 2 <= len(largest) < len(network.photos)
    assert part.network.photos == tuple(network.photos[i] for i in largest)
    kept = {part.network.markers[i] for i in part.seen.geometry.marker}
    assert kept == {network.markers[m] for i in largest for m in sights[i]}
