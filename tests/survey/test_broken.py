"""A marker's break: the test's number against a second pose, and what is told of it."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scenes import (
    LENS_SIGMA,
    BoolArray,
    Noise,
    Scene,
    Shots,
    lens_prior,
    photo_name,
    small_scene,
    survey_of,
    take_photos,
    well_seen,
    with_motions,
)
from scipy.stats import chi2

from fitscan.adjust.statistics import BAARDA_W, Covariance
from fitscan.geometry.rigid import Rigid
from fitscan.survey.broken import BreakTests
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.priors import Priors
from fitscan.survey.state import State
from fitscan.survey.survey import Survey

PHOTOS = 14


@lru_cache(maxsize=1)
def scene() -> Scene:
    return well_seen(small_scene(4, PHOTOS))


def shots(marker: int | None = None, shift_mm: float = 0.0, seed: int = 1) -> Shots:
    """The scene's photos, with one marker moved in the later half of those that show it."""
    before = take_photos(scene(), seed, Noise(corner_px=0.3))
    if marker is None:
        return before
    step = Rigid(np.eye(3), np.array([0.0, 0.6, 0.8]) * shift_mm)
    after = take_photos(with_motions(scene(), {marker: step}), seed, Noise(corner_px=0.3))
    cut = cut_of(before, marker)
    return before.only(before.geometry.photo < cut).joined(after.only(after.geometry.photo >= cut))


def cut_of(seen: Shots, marker: int) -> int:
    """First of the later half of the photos that show a marker."""
    row = scene().markers.index(marker)
    photos = np.unique(seen.geometry.photo[seen.geometry.marker == row])
    return int(photos[len(photos) // 2])


def well_known(count: int) -> list[int]:
    """Flat tags of the shell that most photos show."""
    g = shots().geometry
    seen = [len(np.unique(g.photo[g.marker == i])) for i in range(len(scene().markers))]
    order = sorted(range(len(seen)), key=lambda i: -seen[i])
    return [scene().markers[i] for i in order if scene().markers[i] < 24][:count]


def adjusted(seen: Shots) -> tuple[Network, SquareObservations, Covariance]:
    network = Network.of(
        scene().kit, [photo_name(i) for i in range(PHOTOS)], list(scene().markers),
        lens_prior(scene().lens).lens, np.diag(LENS_SIGMA**2), Priors(),
    )  # fmt: skip
    white = np.linalg.inv(np.linalg.cholesky(seen.covariance))
    rank = np.full(len(seen.geometry), 9, dtype=np.intp)
    squares = SquareObservations(seen.geometry, seen.observed, white, seen.px_per_mm, rank)
    solution = network.solve(scene().state, squares, robust=None)
    return network, squares, network.covariance(solution)


def square_sum(covariance: Covariance) -> float:
    return covariance.variance_factor * covariance.redundancy


def with_second_pose(
    network: Network, squares: SquareObservations, state: State, row: int, cut: int
) -> float:
    """Weighted square sum when the squares from the cut on have a marker of their own."""
    g = squares.geometry
    later = (g.marker == row) & (g.photo >= cut)
    extra = len(network.markers)
    split = replace(g, marker=np.where(later, extra, g.marker))
    larger = replace(network, markers=(*network.markers, 9999))
    more = replace(state, marker=np.vstack([state.marker, state.marker[[row]]]))
    solution = larger.solve(more, replace(squares, geometry=split), robust=None)
    return square_sum(larger.covariance(solution))


@pytest.mark.parametrize("shift_mm", [0.0, 0.15, 0.4])
def test_the_statistic_is_the_fall_of_the_square_sum_that_a_second_pose_brings(
    shift_mm: float,
) -> None:
    marker = well_known(1)[0]
    row = scene().markers.index(marker)
    network, squares, covariance = adjusted(shots(marker, shift_mm))
    found = BreakTests(covariance).best(row, (1.0, 1.0))
    assert found is not None
    state = State.of(covariance.solution.values)
    fall = square_sum(covariance) - with_second_pose(network, squares, state, row, found.cut)
    assert found.statistic == pytest.approx(fall, rel=0.02, abs=0.05)
    critical = chi2.isf(1.0 - chi2.cdf(BAARDA_W**2, 1), 6)
    assert found.excess == pytest.approx(found.statistic / critical, rel=1e-6)


def test_the_cut_is_where_the_marker_moved() -> None:
    marker = well_known(1)[0]
    seen = shots(marker, 0.4)
    found = BreakTests(adjusted(seen)[2]).best(scene().markers.index(marker), (1.0, 1.0))
    assert found is not None
    assert found.cut == cut_of(shots(), marker)


def test_markers_at_rest_break_no_more_often_than_chance_says() -> None:
    statistics: list[float] = []
    for seed in range(3):
        covariance = adjusted(shots(seed=10 + seed))[2]
        for row in range(len(scene().markers)):
            found = BreakTests(covariance).best(row, (1.0, 1.0))
            if found is not None:
                statistics.append(found.excess)
    assert len(statistics) > 60
    # `clean` wants two and a half times the critical value.
    assert max(statistics) < 2.0
    assert float(np.median(statistics)) < 0.6


def test_unit_weights_that_are_off_are_taken_out() -> None:
    marker = well_known(1)[0]
    row = scene().markers.index(marker)
    covariance = adjusted(shots(marker, 0.3))[2]
    one, four = (BreakTests(covariance).best(row, (v, v)) for v in (1.0, 4.0))
    assert one is not None
    assert four is not None
    assert four.statistic == pytest.approx(one.statistic / 4.0)


def test_a_marker_in_three_photos_cannot_break() -> None:
    g = shots().geometry
    few = [
        row for row in range(len(scene().markers)) if len(np.unique(g.photo[g.marker == row])) <= 3
    ]
    assert few
    covariance = adjusted(shots())[2]
    assert all(BreakTests(covariance).best(row, (1.0, 1.0)) is None for row in few)


def reasons(survey: Survey, tag_id: int) -> list[str]:
    return [d.reason for d in survey.quality.dropped if d.tag_id == tag_id]


def test_a_move_of_a_third_of_a_millimetre_is_found_and_harms_nothing() -> None:
    marker = well_known(1)[0]
    survey = survey_of(shots(marker, 0.35))
    assert not survey.has(marker)
    assert len(reasons(survey, marker)) == 1
    assert "moved" in reasons(survey, marker)[0]
    blamed = {d.tag_id for d in survey.quality.dropped if "moved" in d.reason}
    assert blamed == {marker}


def test_a_tag_that_goes_to_and_fro_is_told_to_be_loose() -> None:
    marker = well_known(1)[0]
    before = take_photos(scene(), 1)
    step = Rigid(np.eye(3), np.array([0.0, 0.0, 3.0]))
    after = take_photos(with_motions(scene(), {marker: step}), 1)
    row = scene().markers.index(marker)
    photos = np.unique(before.geometry.photo[before.geometry.marker == row])

    def odd(seen: Shots) -> BoolArray:
        return np.isin(seen.geometry.photo, photos[::2])

    survey = survey_of(before.only(odd(before)).joined(after.only(~odd(after))))
    assert not survey.has(marker)
    (reason,) = reasons(survey, marker)
    # Nearer than a tag is wide: no second tag can lie there.
    assert re.search(r"two places, (2\.9|3\.0|3\.1) mm apart", reason)
    assert reason.endswith("it is loose, or was touched")
    assert not any("twice" in w for w in survey.quality.warnings)
