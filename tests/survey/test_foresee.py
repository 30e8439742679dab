"""Covariance without pixels: against the survey's own, and one photo more against all at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scenes import Scene, cage_scene, survey_of, take_photos, visible_squares

from fitscan.lens.model import LENS_PARAMETERS
from fitscan.survey.foresee import Foresight, Sharpness, foresee, foresight_of, information
from fitscan.survey.gauge import told_among
from fitscan.survey.measure import own_errors
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.priors import Priors
from fitscan.survey.restrict import restrict
from fitscan.survey.survey import Survey


@pytest.fixture(scope="module")
def scene() -> Scene:
    return cage_scene(seed=3, photos=14)


@pytest.fixture(scope="module")
def survey(scene: Scene) -> Survey:
    return survey_of(take_photos(scene, 5))


def centre_us(covariance: np.ndarray, centres: np.ndarray, *, scale: bool) -> np.ndarray:
    among = told_among(centres, scale=scale)
    told = among @ covariance @ among.T
    blocks = [told[i : i + 3, i : i + 3] for i in range(3, len(told), 6)]
    return np.array([2.0 * np.sqrt(np.linalg.eigvalsh(b)[-1]) for b in blocks])


@pytest.mark.parametrize("scale", [True, False])
def test_a_network_set_up_again_from_the_file_knows_what_the_survey_knew(
    survey: Survey, *, scale: bool
) -> None:
    # The survey's covariance comes from what it measured; this one from poses and ids alone.
    built = foresight_of(survey)
    rows = built.rows(list(survey.markers))
    centres = np.array([p.translation for p in survey.poses])
    own = centre_us(survey.covariance, centres, scale=scale)
    again = centre_us(built.covariance[np.ix_(rows, rows)], centres, scale=scale)
    assert np.median(again / own) == pytest.approx(1.0, abs=0.05)
    assert np.all(np.abs(again / own - 1.0) < 0.25)


def network_of(
    scene: Scene, photos: list[int], only: tuple[int, ...] | None = None
) -> tuple[Network, Foresight]:
    """The scene's own network over some photos and markers, and the covariance it would have."""
    geometry, _ = visible_squares(scene)
    keep = np.isin(geometry.photo, photos)
    if only is not None:
        keep &= np.isin(geometry.marker, [scene.markers.index(m) for m in only])
    squares = geometry.take(keep)
    squares = replace(squares, photo=np.searchsorted(photos, squares.photo))
    sigma = np.array([12.0, 1e-4, 2.0, 2.0, 0.003, 0.01, 0.01, 1e-4, 1e-4])
    assert len(sigma) == len(LENS_PARAMETERS)
    names = [f"photo {i}" for i in photos]
    network = Network.of(
        scene.kit, names, list(scene.markers), scene.lens, np.diag(sigma**2), Priors()
    )
    state = replace(scene.state, photo=scene.state.photo[photos])
    n = len(squares)
    none = SquareObservations(
        squares, np.zeros((n, 9)), np.zeros((n, 9, 9)), np.ones(n), np.full(n, 9, dtype=np.intp)
    )
    part = restrict(network, state, none, np.ones(n, dtype=bool))
    return part.network, foresee(part.network, part.state, part.seen.geometry, Sharpness())


def test_one_photo_more_gives_what_all_photos_at_once_give(scene: Scene) -> None:
    # The same markers in both: those that the first eleven photos have seen twice.
    less_network, less = network_of(scene, list(range(11)))
    geometry, _ = visible_squares(scene, photos=[11])
    row = less_network.marker_row
    ids = [int(t) for t in geometry.tag_id if less_network.layout.tags[int(t)].marker_id in row]
    squares = less_network.geometry(ids, [0] * len(ids))
    more = information(less, scene.state.photo[11:12], squares)[0]
    assert more is not None
    grown = less.grown(more)
    _, full = network_of(scene, list(range(12)), less_network.markers)
    assert full.network.markers == less_network.markers
    own, again = (f.covariance[np.ix_(r, r)] for f, r in
                  ((x, x.rows(list(less_network.markers))) for x in (full, grown)))  # fmt: skip
    scale = np.sqrt(np.outer(np.diag(own), np.diag(own)))
    assert np.abs((own - again) / scale).max() < 1e-5
    functional = np.zeros((1, less.order.size))
    functional[0, less.rows([less_network.markers[0]])[3]] = 1.0
    asked = less.seen_from(functional, more)
    assert asked == pytest.approx(functional @ grown.covariance @ functional.T, rel=1e-9)


def test_a_photo_that_shows_too_little_says_nothing(scene: Scene) -> None:
    network, built = network_of(scene, list(range(8)))
    one = network.geometry([network.markers[0]], [0])
    assert information(built, scene.state.photo[:1], one) == [None]


def test_what_only_one_photo_shows_does_not_grow_worse_elsewhere(scene: Scene) -> None:
    network, built = network_of(scene, list(range(8)))
    geometry, _ = visible_squares(scene, photos=[9])
    row = network.marker_row
    keep = [int(t) for t in geometry.tag_id if network.layout.tags[int(t)].marker_id in row]
    more = information(built, scene.state.photo[9:10], network.geometry(keep, [0] * len(keep)))[0]
    assert more is not None
    fall = built.covariance - built.grown(more).covariance
    values = np.linalg.eigvalsh(fall / np.sqrt(np.outer(np.diag(built.covariance),
                                                        np.diag(built.covariance))))  # fmt: skip
    assert values.min() > -1e-7


def test_squares_seen_steeply_or_small_are_measured_worse() -> None:
    square = 40.0 * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    corners = np.stack([square, square, 0.4 * square])
    white = Sharpness().whitening(corners, np.array([1.0, 0.5, 1.0]), on_cuff=False)
    covariance = np.linalg.inv(np.einsum("nji,njk->nik", white, white))
    sigma = np.sqrt(np.einsum("nii->ni", covariance)[:, 0])
    assert sigma[1] > 1.15 * sigma[0]
    assert sigma[2] > 1.5 * sigma[0]


@pytest.mark.parametrize("on_cuff", [False, True])
def test_a_squares_weight_is_the_inverse_square_root_of_its_covariance(*, on_cuff: bool) -> None:
    """W C W^T is the unit matrix, with C put together as edges that are measured have it."""
    rng = np.random.default_rng(4)
    square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    side = rng.uniform(8.0, 60.0, (20, 1, 1))
    corners = 500.0 + square * side + rng.normal(0, 0.1, (20, 4, 2)) * side
    facing = rng.uniform(0.05, 1.0, 20)
    sharpness = Sharpness(flat=1.3, cuff=0.8)
    factor, px = (0.8, sharpness.cuff_px) if on_cuff else (1.3, sharpness.flat_px)
    mean_side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    own, common = own_errors(corners, mean_side, np.ones(20))
    covariance = np.zeros((20, 9, 9))
    covariance[:, :8, :8] = common[:, :, None] * common[:, None, :]
    i = np.arange(8)
    covariance[:, i, i] += (px**2 / np.clip(facing, 0.1, 1.0) + own)[:, None]
    covariance[:, 8, 8] = sharpness.shift_px**2
    weight = sharpness.whitening(corners, facing, on_cuff) * factor
    unit = weight @ covariance @ weight.transpose(0, 2, 1)
    assert unit == pytest.approx(np.tile(np.eye(9), (20, 1, 1)), abs=1e-12)
