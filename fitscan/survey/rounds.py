"""Rounds of measuring edges on the model, each on what the one before has adjusted.

What is measured is `measure_all`'s business, what contradicts the rest `clean`'s; where the first
round begins is left to `build`, and to `beside` where an earlier survey has ended.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitscan.detect.tags import Detections
from fitscan.lens.model import Lens
from fitscan.markers.layout import CORNERS
from fitscan.survey.clean import Cleaned, clean, completed
from fitscan.survey.look import Looked
from fitscan.survey.measure_all import measure_all
from fitscan.survey.measure_beside import measure_again
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.quality import Finished, Told
from fitscan.survey.start import place_markers
from fitscan.survey.state import State, rigid_of
from fitscan.survey.tag_block import NEAREST_MM, pixels_and_depth
from fitscan.survey.workers import Progress

__all__ = [
    "Begun",
    "added",
    "in_front",
    "measure_in_rounds",
    "observations",
    "stayed",
    "taught",
    "with_single_sights",
]


@dataclass(frozen=True)
class Begun:
    """Where the rounds begin.

    Attributes:
        network, state: all that is placed.
        looked: photos of the network.
        found: the first look, photo by photo.
        gone: markers that are not looked for, since they contradict themselves.
        rough: ids whose marker is placed only roughly.
        factors: by how much the standard deviations of flat and cuff squares were scaled.
        measured: per photo, where a first round was measured already.
    """

    network: Network
    state: State
    looked: Looked
    found: list[Detections]
    gone: frozenset[int]
    rough: frozenset[int]
    factors: tuple[float, float] = (1.0, 1.0)
    measured: tuple[PhotoMeasurement, ...] = ()


def measure_in_rounds(
    begun: Begun, doubles: set[int], workers: int | None, tell: Progress, told: Told
) -> Finished:
    """Rounds of edges on the model: the first finds, the second refines, a third catches up.

    Args:
        begun: what the first round predicts from, or the second where the first was measured.
        doubles: ids that are left alone.
        workers: processes for the photos.
        tell: progress.
        told: what was left out on the way; grows.

    Raises:
        DataError: what was measured does not hang together.
    """
    network, state, rough = begun.network, begun.state, begun.rough
    looked, found, measured = begun.looked, begun.found, list(begun.measured)
    gone, factors = set(begun.gone), begun.factors
    finished: Finished | None = None
    searched: frozenset[int] = frozenset()
    for number in (2, 3) if measured else (1, 2, 3):
        # A third round is for markers that the second has placed from a single photo: those that
        # it has looked for itself are not there. It looks at little else, see `expected_in_each`.
        if number == 3 and rough <= searched:
            break
        searched = rough
        values = {g.name: g.values for g in state.groups()}
        measure = measure_again if looked.standing else measure_all
        measured = measure(
            network, values, looked, found, doubles, measured, workers, tell, number, rough
        )
        given = observations(network, measured)
        tell("Adjusting edges", min(number, 2) - 1, 2)
        cleaned = clean(network, state, given, factors=factors, to_the_end=False)
        factors = cleaned.factors
        # A marker that contradicts itself is not looked for again: half of it would agree.
        gone |= set(cleaned.moved)
        finished = Finished(cleaned, network, given, tuple(measured), finished)
        if finished.earlier is None:
            told.dropped.extend(finished.lost())
        looked, found, measured = stayed(network, cleaned.network, looked, found, measured)
        network, state = with_single_sights(taught(cleaned).network, cleaned.state, found, gone)
        rough = added(network, cleaned.network.markers)
    assert finished is not None
    if looked.memory is not None:
        looked.memory.keep()
    finished = replace(finished, cleaned=completed(finished.cleaned))
    tell("Adjusting edges", 2, 2)
    return finished


def stayed(
    asked: Network,
    left: Network,
    looked: Looked,
    found: list[Detections],
    measured: list[PhotoMeasurement],
) -> tuple[Looked, list[Detections], list[PhotoMeasurement]]:
    """What a round leaves of its photos: those that are left, what is found in them, and measured.

    What the first look found has measured corners from now on, where there are any.
    """
    stay = [i for i, p in enumerate(asked.photos) if p in left.photos]
    sharper = [_sharpened(found[i], measured[i]) for i in stay]
    return looked.only(stay), sharper, [measured[i] for i in stay]


def taught(cleaned: Cleaned) -> Cleaned:
    """The same with priors that know how much this shoot's photos breathe."""
    network = cleaned.network
    variance = np.stack(
        [np.diag(cleaned.covariance.eliminated(i)) for i in range(len(network.photos))]
    )
    priors = network.priors.learnt(cleaned.state.photo, variance)
    return replace(cleaned, network=replace(network, priors=priors))


def with_single_sights(
    network: Network, state: State, found: list[Detections], gone: set[int]
) -> tuple[Network, State]:
    """Add markers that the first look found once, or not often enough to be adjusted.

    Their start values are rough, but good enough to look for them in the other photos.
    """
    missing = set(network.layout.markers) - set(network.markers) - gone
    ids = {t for m in missing for t in network.layout.markers[m]}
    photos = {i: rigid_of(state.photo[i]) for i in range(len(network.photos))}
    lens = Lens(state.lens[0], network.lens.width_px, network.lens.height_px)
    extra = place_markers([f.keep(ids) for f in found], lens, network.layout, photos)
    return network.grown(state, extra)


def added(network: Network, markers: tuple[int, ...]) -> frozenset[int]:
    """Tag ids of what a network has beside some markers."""
    more = set(network.markers) - set(markers)
    return frozenset(t for m in more for t in network.layout.markers[m])


def _sharpened(found: Detections, measured: PhotoMeasurement) -> Detections:
    """What a first look found, with measured corners where there are any."""
    rest = found.keep(set(found.ids.tolist()) - set(measured.tag_ids.tolist()))
    corners = measured.observed[:, :8].reshape(-1, 4, 2)
    return Detections(
        np.concatenate([rest.ids, measured.tag_ids]),
        np.concatenate([rest.corners_px, corners]),
        found.doubles,
    )


def observations(network: Network, measured: list[PhotoMeasurement]) -> SquareObservations:
    """All squares that were measured, photo by photo of the network."""
    ids = [int(t) for m in measured for t in m.tag_ids]
    photos = [row for row, m in enumerate(measured) for _ in m.tag_ids]
    geometry = network.geometry(ids, photos)
    covariance = np.concatenate([m.covariance for m in measured])
    whitening = np.linalg.inv(np.linalg.cholesky(covariance))
    return SquareObservations(
        geometry,
        np.concatenate([m.observed for m in measured]),
        whitening,
        np.concatenate([m.px_per_mm for m in measured]),
        np.full(len(ids), 9, dtype=np.intp),
    )


def in_front(state: State, given: SquareObservations) -> SquareObservations:
    """Leave out squares that the start values put behind their camera.

    A marker or photo that was placed badly is put right by the others; from behind a camera
    there is no way. What is left out here is measured again on the model.
    """
    values = {g.name: g.values for g in state.groups()}
    good = np.zeros(len(given), dtype=np.bool_)
    for on_cuff in (False, True):
        rows = np.flatnonzero((given.geometry.cuff >= 0) == on_cuff)
        if len(rows):
            some = given.geometry.take(rows)
            _, depth = pixels_and_depth(some, CORNERS * some.side_mm[:, None, None], values)
            good[rows] = (depth > NEAREST_MM).all(axis=1)
    return given.take(good)
