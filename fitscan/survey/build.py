"""From what was found in photos to a survey: place, adjust, measure on the model, adjust, sum up.

Each step is a module of its own (`start`, `network`, `measure`, `clean`, `quality`); this one
only keeps their order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fitscan.adjust.threads import one_thread
from fitscan.detect.tags import Detections
from fitscan.errors import DataError
from fitscan.geometry.rigid import Rigid
from fitscan.lens.match import LensPrior
from fitscan.lens.model import Lens
from fitscan.markers.kit import Kit
from fitscan.markers.layout import CORNERS, Layout
from fitscan.survey.beside import begin_beside
from fitscan.survey.clean import Cleaned, clean
from fitscan.survey.ended_before import End, Ended
from fitscan.survey.look import Looked, no_photo_left, where_refused
from fitscan.survey.measured_before import Memory
from fitscan.survey.network import Network, SquareObservations, corner_observations
from fitscan.survey.priors import Priors
from fitscan.survey.quality import MOVED, Finished, Told, sum_up
from fitscan.survey.rays import misses, place_by_rays
from fitscan.survey.rounds import (
    Begun,
    added,
    in_front,
    measure_in_rounds,
    taught,
    with_single_sights,
)
from fitscan.survey.start import Placement, Sighted, groups_of_photos, place
from fitscan.survey.state import State, rigid_of
from fitscan.survey.survey import Dropped, Survey
from fitscan.survey.workers import Progress

__all__ = ["build_survey"]

_ONE_PLACE = 0.1
"""Distance of a square from its marker's place, in sides, up to which it may be there."""

_CORNER_SIGMA_PX = 0.4
"""Sub-pixel corners of phone photos, cuffs included, before the edge shift is modelled."""


def build_survey(
    name: str,
    looked: Looked,
    refused: dict[Path, str],
    kit: Kit,
    camera: LensPrior,
    *,
    priors: Priors | None = None,
    workers: int | None = None,
    cache: Path | None = None,
    progress: Progress | None = None,
    sighted: Sighted | None = None,
) -> Survey:
    """Solve a shoot.

    Args:
        name: of the shoot.
        looked: what the first look found in photos of one camera.
        refused: files already left out (another phone, a damaged file), with the reason.
        kit: what is printed.
        camera: prior of the lens.
        priors: of the nuisances.
        workers: processes for the photos; all cores if None.
        cache: folder in which is kept what was found and measured, by the photos' content.
        progress: told what happens.
        sighted: what was worked out of the findings with this camera and kit already.

    Raises:
        DataError: no tags, too few photos, or groups of photos that share no marker.
    """
    tell = progress or (lambda sentence, done, total: None)
    # What priors of a caller's own gave is no start for a survey without them.
    end = End(cache, name, kit, camera) if cache is not None and priors is None else None
    sighted = sighted or Sighted(camera.lens, Layout.of(kit))
    asked = _Asked(name, kit, camera, priors, workers, tell, sighted, end)
    if cache is not None:
        looked = replace(looked, memory=Memory(cache, kit))
    told = Told(list(looked.dropped), {**refused, **looked.refused})
    doubles = {d for f in looked.found for d in f.doubles}
    found = [f.keep(set(f.ids.tolist()) - doubles) for f in looked.found]
    with one_thread():
        return _solved(asked, looked, found, doubles, told)


@dataclass(frozen=True)
class _Asked:
    """What a survey is asked with, see `build_survey`.

    Attributes:
        sighted: poses of markers in photos, worked out while others are still looked at.
        end: where the shoot's last survey ended is kept, if anywhere.
    """

    name: str
    kit: Kit
    camera: LensPrior
    priors: Priors | None
    workers: int | None
    tell: Progress
    sighted: Sighted
    end: End | None


def _solved(
    asked: _Asked, looked: Looked, found: list[Detections], doubles: set[int], told: Told
) -> Survey:
    kit, camera, workers, tell = asked.kit, asked.camera, asked.workers, asked.tell
    tell("Placing photos and markers", 0, 1)
    ended = asked.end.recall() if asked.end is not None else None
    if ended is not None and not ended.begins(looked.sha256):
        ended = None
    known = ended.placement(looked.sha256) if ended is not None else None
    rows, placement = _placed(asked, looked, found, told, known)
    names = [looked.paths[i].name for i in rows]
    markers = _twice_seen(found, rows, placement, kit)
    if ended is not None:
        markers = [m for m in Layout.of(kit).markers if m in {*markers, *ended.markers}]
    network = Network.of(
        kit, names, markers, camera.lens, camera.covariance, asked.priors or Priors()
    )
    if ended is not None:
        some = replace(looked.only(rows), standing=frozenset(ended.photos))
        begun = begin_beside(
            ended, network, network.start(placement, rows), some, [found[i] for i in rows], doubles,
            workers, tell,
        )  # fmt: skip
    else:
        state, given = _first_observations(network, placement, found, rows)
        tell("Adjusting corners", 0, 1)
        # Corners differ much in quality; only what cannot be one at all is left out here.
        cleaned = clean(
            network, state, given, rounds=8, gross=20.0, start_only=True, to_the_end=False
        )
        told.dropped.extend(Dropped("", m, MOVED) for m in cleaned.moved)
        rows = [i for i in rows if looked.paths[i].name in cleaned.network.photos]
        begun = _from_corners(cleaned, looked.only(rows), [found[i] for i in rows])
    finished = measure_in_rounds(begun, doubles, workers, tell, told)
    if asked.end is not None:
        _keep_end(asked.end, finished, looked, told)
    return sum_up(asked.name, finished, looked, camera, told, tell)


def _keep_end(end: End, finished: Finished, looked: Looked, told: Told) -> None:
    """Keep where this survey ended, unless a marker moved: which of its places is right?"""
    moved = any(r.cleaned.moved for r in finished.rounds())
    if moved or any(d.reason == MOVED for d in told.dropped):
        end.forget()
        return
    cleaned = finished.cleaned
    network = taught(cleaned).network
    sha256 = {p.name: s for p, s in zip(looked.paths, looked.sha256, strict=True)}
    end.keep(
        Ended(
            looked=looked.sha256,
            photos=tuple(sha256[name] for name in network.photos),
            markers=network.markers,
            cuffs=network.cuffs,
            state=cleaned.state,
            priors=network.priors,
            factors=cleaned.factors,
        )
    )


def _placed(
    asked: _Asked,
    looked: Looked,
    found: list[Detections],
    told: Told,
    known: Placement | None,
) -> tuple[list[int], Placement]:
    """Start values; photos that do not connect are told, groups that do not are an error.

    What is `known` of an earlier survey is where it begins.
    """
    layout = Layout.of(asked.kit)
    seen = [{layout.tags[int(t)].marker_id for t in f.ids} for f in found]
    if not seen:
        raise no_photo_left(looked.folder, told.refused)
    if not any(seen):
        raise DataError(
            "No tag of the kit was found in any photo",
            where_refused(looked.folder, told.refused),
            "check that the kit belongs to these photos, and that the tags are sharp and lit",
        )
    for i, markers in enumerate(seen):
        if not markers:
            told.refused[looked.paths[i]] = "no tag of the kit was found in it"
    usable = [i for i in range(len(seen)) if seen[i]]
    if len(usable) < 2:
        raise DataError(
            f"Only one photo shows tags of the kit: {looked.paths[usable[0]].name}",
            where_refused(looked.folder, told.refused),
            "take at least two photos from different places, better eight or more",
        )
    groups = [[usable[k] for k in g] for g in groups_of_photos([seen[i] for i in usable])]
    apart = [g for g in groups[1:] if len(g) > 1]
    if apart or len(groups[0]) < 2:
        named = "; ".join(
            ", ".join(looked.paths[i].name for i in g[:4]) + (" ..." if len(g) > 4 else "")
            for g in groups[:4]
        )
        raise DataError(
            f"The photos fall into {len(groups)} groups that share no marker: {named}",
            str(looked.folder),
            "add photos that show markers of two groups together",
        )
    for g in groups[1:]:
        told.refused[looked.paths[g[0]]] = "it shares no marker with the other photos"
    # Only the main group: a photo of another one might be taken for the place to start from.
    main = [f if i in groups[0] else f.keep(set()) for i, f in enumerate(found)]
    placement = place(main, [asked.camera.lens] * len(main), layout, known, asked.sighted)
    rows = sorted(placement.photos)
    for i in groups[0]:
        if i not in placement.photos:
            told.refused[looked.paths[i]] = (
                "its position could not be found: too few markers are known in it"
            )
    if len(rows) < 2:
        raise DataError(
            "The photos could not be placed against each other",
            str(looked.folder),
            "add photos that show four or more markers each, from different sides",
        )
    return rows, placement


def _twice_seen(
    found: list[Detections], rows: list[int], placement: Placement, kit: Kit
) -> list[int]:
    """Placed markers that at least two placed photos show, in the kit's order."""
    layout = Layout.of(kit)
    count = dict.fromkeys(layout.markers, 0)
    for i in rows:
        for m in {layout.tags[int(t)].marker_id for t in found[i].ids}:
            count[m] += 1
    return [m for m in layout.markers if m in placement.markers and count[m] >= 2]


def _first_observations(
    network: Network, placement: Placement, found: list[Detections], rows: list[int]
) -> tuple[State, SquareObservations]:
    ids: list[int] = []
    photos: list[int] = []
    corners = []
    known = network.marker_row
    for row, i in enumerate(rows):
        for tag_id, quad in zip(found[i].ids.tolist(), found[i].corners_px, strict=True):
            if network.layout.tags[tag_id].marker_id in known:
                ids.append(tag_id)
                photos.append(row)
                corners.append(quad)
    geometry = network.geometry(ids, photos)
    quads = np.array(corners)
    state = network.start(placement, rows)
    given = corner_observations(geometry, quads, _CORNER_SIGMA_PX, np.zeros(len(ids)))
    return state, in_front(state, given)


def _from_corners(cleaned: Cleaned, looked: Looked, found: list[Detections]) -> Begun:
    """Begin with an adjustment of the first look's corners; what it had not is placed roughly."""
    again = _placed_again(cleaned, found)
    network, state = with_single_sights(
        taught(cleaned).network, cleaned.state, found, set(cleaned.moved)
    )
    network, state = network.grown(state, again)
    gone = frozenset(cleaned.moved) - set(again)
    rough = added(network, cleaned.network.markers)
    return Begun(network, state, looked, found, gone, rough)


def _placed_again(cleaned: Cleaned, found: list[Detections]) -> dict[int, Rigid]:
    """Of the flat markers that the first adjustment left out as moved, those at one place.

    A square seen nearly head-on has two poses that look alike; begun from the wrong one, a marker
    seems to contradict itself. Its corners, met by the rays of all photos, know no such doubt: if
    they come together in every sight, the edges shall decide.
    """
    network, state = cleaned.network, cleaned.state
    lens = Lens(state.lens[0], network.lens.width_px, network.lens.height_px)
    out: dict[int, Rigid] = {}
    for marker in cleaned.moved:
        if network.layout.tags[marker].cuff is not None:
            continue
        sights = [
            (rigid_of(state.photo[row]), one.corners_px[one.ids == marker][0])
            for row, one in enumerate(found)
            if marker in one.ids
        ]
        square = CORNERS * network.layout.tags[marker].side_mm
        pose = place_by_rays(sights, lens, square)
        if pose is not None and misses(sights, lens, square, pose) < _ONE_PLACE:
            out[marker] = pose
    return out
