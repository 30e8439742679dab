"""Begin a survey where an earlier one of nearly all its photos ended: place what is new beside it.

The new photos alone are measured and brought to rest against all that stands; the rounds that
follow (`rounds`) look at everything, and adjust everything.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitscan.detect.tags import Detections
from fitscan.survey.ended_before import Ended
from fitscan.survey.look import Looked
from fitscan.survey.measure_beside import measure_new
from fitscan.survey.network import Network
from fitscan.survey.restrict import restrict
from fitscan.survey.rounds import Begun, added, in_front, observations, stayed, with_single_sights
from fitscan.survey.state import State
from fitscan.survey.workers import Progress

__all__ = ["begin_beside"]


def begin_beside(
    ended: Ended,
    network: Network,
    state: State,
    looked: Looked,
    found: list[Detections],
    doubles: set[int],
    workers: int | None,
    tell: Progress,
) -> Begun:
    """Measure the new photos and place them beside what stands.

    Args:
        ended: where the earlier survey ended.
        network: of all that is placed.
        state: its start, from the placement alone.
        looked: photos of the network, with a memory and those that stand.
        found: the first look, photo by photo.
        doubles: ids that are left alone.
        workers: processes for the photos.
        tell: progress.

    Raises:
        DataError: what was measured does not hang together.
    """
    network = replace(network, priors=ended.priors)
    state = ended.state_of(network, state, list(looked.sha256))
    network, state = with_single_sights(network, state, found, set())
    values = {g.name: g.values for g in state.groups()}
    rough = added(network, ended.markers)
    measured = measure_new(network, values, looked, found, doubles, workers, tell, rough)
    tell("Adjusting edges", 0, 2)
    # What was measured of a marker that has been given up since may lie anywhere.
    given = in_front(state, observations(network, measured).scaled_by(ended.factors))
    part = restrict(network, state, given, np.ones(len(given), dtype=bool))
    looked, found, measured = stayed(network, part.network, looked, found, measured)
    network = part.network
    free = {
        "photo": np.flatnonzero([s not in looked.standing for s in looked.sha256]),
        "marker": np.flatnonzero(~np.isin(network.markers, ended.markers)),
        "form": np.flatnonzero(~np.isin(network.cuffs, ended.cuffs)),
    }
    state = network.at_rest(part.state, part.seen, free)
    network, state = with_single_sights(network, state, found, set())
    rough = added(network, part.network.markers)
    return Begun(network, state, looked, found, frozenset(), rough, ended.factors, tuple(measured))
