"""Keep the part of a network that the observations tie together.

Leaving out wrong squares can leave a photo or a marker hanging in the air; what is left of it is
taken out before the adjustment, and whoever built the network is told by its names.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray
from fitscan.errors import DataError
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.start import groups_of_photos
from fitscan.survey.state import State

__all__ = ["Restricted", "restrict"]

_SIGHTS = 2
"""Photos that a marker needs: from one alone it ties nothing together."""


@dataclass(frozen=True)
class Restricted:
    """The part that hangs together.

    Attributes:
        network, state: numbered anew.
        seen: its squares, numbered anew.
        places: (n,) their places among the squares given.
    """

    network: Network
    state: State
    seen: SquareObservations
    places: IntArray


def restrict(
    network: Network, state: State, given: SquareObservations, keep: npt.NDArray[np.bool_]
) -> Restricted:
    """Take out photos and markers that the kept squares do not tie to the rest.

    Args:
        network: of the squares given.
        state: of the network.
        given: (m,) squares.
        keep: (m,) which of them count.

    Raises:
        DataError: fewer than two photos are left.
    """
    alive = keep.copy()
    photo, marker = given.geometry.photo, given.geometry.marker
    while True:
        before = int(alive.sum())
        pairs = np.unique(marker[alive] * len(network.photos) + photo[alive])
        sights = np.bincount(pairs // len(network.photos), minlength=len(network.markers))
        alive &= sights[marker] >= _SIGHTS
        if alive.any():
            alive &= _largest_group(marker, photo, alive, len(network.photos))[photo]
        if int(alive.sum()) == before:
            break
    photos, markers = np.unique(photo[alive]), np.unique(marker[alive])
    if len(photos) < 2:
        raise DataError(
            "Fewer than two photos agree with each other",
            "survey",
            "take more photos that show the same markers from different sides, sharp and well lit",
        )
    return _renumbered(network, state, given, np.flatnonzero(alive), photos, markers)


def _largest_group(
    marker: IntArray, photo: IntArray, alive: npt.NDArray[np.bool_], count: int
) -> npt.NDArray[np.bool_]:
    """Which of `count` photos hang together, by markers that squares (m,) show in several."""
    shows = np.zeros((count, int(marker.max()) + 1), dtype=np.bool_)
    shows[photo[alive], marker[alive]] = True
    used = np.asarray(shows.any(axis=1), dtype=np.bool_)
    # Most often all do, which is soon seen from any of them.
    reached = np.arange(count) == np.argmax(used)
    while True:
        grown = np.asarray(shows[:, shows[reached].any(axis=0)].any(axis=1), dtype=np.bool_)
        if np.array_equal(grown, reached):
            break
        reached = grown
    if np.array_equal(reached, used):
        return used
    groups = groups_of_photos([set(np.flatnonzero(row).tolist()) for row in shows])
    out = np.zeros(count, dtype=np.bool_)
    out[[i for i in groups[0] if used[i]]] = True
    return out


def _renumbered(
    network: Network,
    state: State,
    given: SquareObservations,
    places: IntArray,
    photos: IntArray,
    markers: IntArray,
) -> Restricted:
    ids = tuple(network.markers[i] for i in markers)
    cuffs = tuple(c for c in network.cuffs if c in ids)
    cuff_rows = np.array([network.cuff_row[c] for c in cuffs], dtype=np.intp)
    small = replace(
        network, photos=tuple(network.photos[i] for i in photos), markers=ids, cuffs=cuffs
    )
    less = replace(
        state,
        photo=state.photo[photos],
        marker=state.marker[markers],
        form=state.form[cuff_rows],
    )
    seen = given.take(places)
    g = seen.geometry
    new_cuff = np.full(len(network.cuffs) + 1, -1, dtype=np.intp)
    new_cuff[cuff_rows] = np.arange(len(cuffs))
    geometry = replace(
        g,
        photo=np.searchsorted(photos, g.photo),
        marker=np.searchsorted(markers, g.marker),
        cuff=np.where(g.cuff >= 0, new_cuff[g.cuff], -1),
    )
    return Restricted(small, less, replace(seen, geometry=geometry), places)
