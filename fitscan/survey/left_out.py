"""Why squares and markers were left out, in the fitter's words, with the photos that show it.

What was left out is settled in `clean` and `measure`; nothing is adjusted here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fitscan.detect.tags import Detections
from fitscan.geometry.rotation import Array
from fitscan.markers.layout import Layout
from fitscan.survey.clean import Cleaned
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.state import rigid_of
from fitscan.survey.survey import Dropped
from fitscan.survey.two_places import Place, Sights, find_places, sights_of

__all__ = ["FEW", "MOVED", "TWO_TAGS", "Evidence", "Round", "explain"]

MOVED = "it contradicts itself between photos: it moved during the shoot, or is there twice"
"""Why a marker was left out whole, before the photos were asked where they see it."""

FEW = "it was measured in fewer than two photos"

_HIDDEN = "its borders contradict the other photos: half hidden, blurred or lifted"
_UNLIKE = (
    "its borders are not where a flat, whole tag has them: half hidden, creased, peeling or blurred"
)
_BENT = (
    "its borders fit no flat square in most photos: it peels off, is creased or half hidden, or "
    "its size in the kit is wrong"
)
TWO_TAGS = "two tags carry its id"
"""How a reason ends when the marker is in the car twice."""

_FIRST_LOOK_PX, _FIRST_LOOK_SHARE = 1.5, 0.03
"""How well the first look sees corners: at least, and as a share of the square's side."""

_MEASURED_PX, _MEASURED_SIGMAS = 0.3, 4.0
_LEAST_HEIGHT = 0.4
"""Below this the first look sees corners of a steep square too badly to accuse it."""

_FEWEST_SIGHTS = 2
"""Photos without which nothing can be said of a marker."""

_MANY_PHOTOS = 3
_LEAST_AGREE = 0.75
"""Share of its sights that a flat tag's place agrees with, even of a tag that moved a little."""

_MISPLACED_SHARE = 0.15
"""Share of photos that a move need not explain, where both places are hardly apart."""


@dataclass(frozen=True)
class Round:
    """One round of measuring and adjusting.

    Attributes:
        cleaned: the adjustment.
        asked: the network whose squares were measured; `given` counts in its rows.
        given: every measured square.
        expected: per photo of `asked`, ids that should be seen well.
    """

    cleaned: Cleaned
    asked: Network
    given: SquareObservations
    expected: tuple[frozenset[int], ...]

    @cached_property
    def allowed_px(self) -> Array:
        """How far each measured corner (n,) may be off: four of its own standard deviations."""
        inverse = np.linalg.inv(self.given.whitening)[:, :8]
        sigma = np.sqrt(np.sum(inverse**2, axis=(1, 2)) / 8.0)
        factor = np.array(self.cleaned.factors)[(self.given.geometry.cuff >= 0).astype(np.intp)]
        return np.asarray(np.maximum(_MEASURED_PX, _MEASURED_SIGMAS * sigma * factor))


@dataclass(frozen=True)
class Evidence:
    """What the photos show, beside what was used of it.

    Attributes:
        rounds: of measuring, the last one first.
        names, found: per photo of the shoot, its name and what the first look found.
    """

    rounds: tuple[Round, ...]
    names: tuple[str, ...]
    found: tuple[Detections, ...]

    @property
    def cleaned(self) -> Cleaned:
        """The last adjustment."""
        return self.rounds[0].cleaned

    @property
    def layout(self) -> Layout:
        """Of the kit."""
        return self.rounds[0].asked.layout

    @cached_property
    def place(self) -> dict[str, int]:
        """Row of each adjusted photo, by its name."""
        return {name: i for i, name in enumerate(self.cleaned.network.photos)}


def explain(evidence: Evidence, whole: Sequence[Dropped]) -> list[Dropped]:
    """Reasons for squares that were left out, and better ones for markers left out whole.

    Args:
        evidence: what the photos show.
        whole: markers left out (photo ""); their reasons are replaced where the photos say more.
    """
    out: list[Dropped] = []
    lost = {d.tag_id: d for d in whole if not d.photo}
    first = _first_sights(evidence)
    for marker in evidence.layout.markers:
        if marker in lost:
            told = lost[marker]
            if told.reason in (MOVED, FEW):
                told = _why_lost(evidence, told, _case(evidence, marker, first))
            out.append(told)
        elif marker in evidence.cleaned.network.marker_row:
            squares = _gathered(evidence, marker, first)
            if not all(s.kept for s in squares):
                out += _why_squares(evidence, marker, _case_of(evidence, marker, squares))
    return out


_First = dict[int, list[tuple[int, int, Array]]]


def _first_sights(evidence: Evidence) -> _First:
    """What the first look found in the adjusted photos: per marker (photo row, id, corners)."""
    network, place = evidence.cleaned.network, evidence.place
    out: _First = {}
    for name, found in zip(evidence.names, evidence.found, strict=True):
        for tag_id, quad in zip(found.ids.tolist(), found.corners_px, strict=True):
            if name in place:
                marker = network.layout.tags[tag_id].marker_id
                out.setdefault(marker, []).append((place[name], tag_id, quad))
    return out


@dataclass(frozen=True)
class _Case:
    """A marker's sights: which were measured, and which of these the adjustment kept."""

    sights: Sights
    measured: npt.NDArray[np.bool_]
    kept: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class _Square:
    """One sight of a marker's square: photo row, id, corners (4, 2), and how far they may be off;
    whether it was measured, and whether the adjustment kept it.
    """

    photo: int
    tag_id: int
    corners_px: Array
    allowed_px: float
    measured: bool
    kept: bool


def _gathered(evidence: Evidence, marker: int, first: _First) -> list[_Square]:
    """Every square of a marker in the adjusted photos: measured, else as first seen."""
    out: list[_Square] = []
    measuring = [r for r in evidence.rounds if _measured_in(r, marker).size]
    last = next(iter(measuring), None)
    if marker not in evidence.cleaned.network.marker_row:
        # Of a marker that contradicts itself a later round may have found less.
        last = max(measuring, key=lambda r: _measured_in(r, marker).size, default=None)
    if last is not None:
        rows, given = _measured_in(last, marker), last.given
        for i, row, tag_id in zip(
            rows.tolist(), given.geometry.photo[rows], given.geometry.tag_id[rows].tolist(),
            strict=True,
        ):  # fmt: skip
            photo = evidence.place.get(last.asked.photos[row])
            if photo is not None:
                quad, kept = given.observed[i, :8].reshape(4, 2), not last.cleaned.bad[i]
                out.append(_Square(photo, tag_id, quad, float(last.allowed_px[i]), True, kept))
    seen = {(s.photo, s.tag_id) for s in out}
    for photo, tag_id, quad in first.get(marker, []):
        if (photo, tag_id) not in seen and _height(quad) > _LEAST_HEIGHT:
            allowed = max(_FIRST_LOOK_PX, _FIRST_LOOK_SHARE * _side(quad))
            out.append(_Square(photo, tag_id, quad, allowed, False, False))
    return out


def _case(evidence: Evidence, marker: int, first: _First) -> _Case | None:
    """A marker's squares, if there are any."""
    squares = _gathered(evidence, marker, first)
    return _case_of(evidence, marker, squares) if squares else None


def _case_of(evidence: Evidence, marker: int, squares: list[_Square]) -> _Case:
    sights = sights_of(
        evidence.cleaned.network, evidence.cleaned.state, marker,
        [s.tag_id for s in squares], [s.photo for s in squares],
        np.array([s.corners_px for s in squares]), np.array([s.allowed_px for s in squares]),
    )  # fmt: skip
    measured, kept = ([getattr(s, name) for s in squares] for name in ("measured", "kept"))
    return _Case(sights, np.array(measured), np.array(kept))


def _measured_in(round_: Round, marker: int) -> npt.NDArray[np.intp]:
    """Squares of a marker in one round."""
    row = round_.asked.marker_row.get(marker, -1)
    return np.flatnonzero(round_.given.geometry.marker == row)


def _why_lost(evidence: Evidence, told: Dropped, case: _Case | None) -> Dropped:
    """A better reason for a marker that is not among the survey's, or the one that was told."""
    photos = len(np.unique(case.sights.geometry.photo)) if case is not None else 0
    if case is None or photos < _FEWEST_SIGHTS:
        return Dropped("", told.tag_id, FEW)
    places = find_places(case.sights)
    if len(places) == 2:
        return Dropped("", told.tag_id, _two_places(evidence, case.sights, places))
    many = photos > _MANY_PHOTOS
    unlike = not places or np.mean(places[0].agree) < _LEAST_AGREE
    # A sheet on a curve keeps its corners in one plane: only its borders show it. Of a marker that
    # no round has looked for, they say nothing.
    looked_for = told.reason == FEW or bool(case.measured.any())
    hollow = looked_for and bool(np.mean(case.measured) < 0.5)
    # Two sights that contradict each other are as well of two tags, or of one that moved.
    bent = (unlike or hollow) and (many or (told.reason == MOVED and photos > _FEWEST_SIGHTS))
    return Dropped("", told.tag_id, _BENT) if bent else told


def _why_squares(evidence: Evidence, marker: int, case: _Case) -> list[Dropped]:
    """Reasons for the squares of a marker that stayed."""
    network, last = evidence.cleaned.network, evidence.rounds[0]
    places = find_places(
        case.sights, rigid_of(evidence.cleaned.state.marker[network.marker_row[marker]])
    )
    names = [network.photos[i] for i in case.sights.geometry.photo.tolist()]
    ids = case.sights.geometry.tag_id.tolist()
    expected = dict(zip(last.asked.photos, last.expected, strict=True))
    asked = np.array([t in expected[n] for t, n in zip(ids, names, strict=True)]) | case.measured
    often = bool(asked.any()) and float(np.mean(~case.kept[asked])) > 0.5
    out = []
    for i in np.flatnonzero(~case.kept).tolist():
        reason = _why_square(evidence, case, places, i)
        if reason is None and asked[i]:
            own = _HIDDEN if case.measured[i] else _UNLIKE
            # The first look saw it where it is: that its borders are too soft is no fault.
            soft = not case.measured[i] and bool(places[0].agree[i])
            reason = _BENT if often else None if soft else own
        if reason is not None:
            out.append(Dropped(names[i], ids[i], reason))
    return out


def _why_square(evidence: Evidence, case: _Case, places: list[Place], i: int) -> str | None:
    """What another place of the marker says of a square, if anything."""
    if _proven(case.sights, places) and places[1].agree[i]:
        return _two_places(evidence, case.sights, places)
    if _elsewhere(case.sights, places[0], i):
        return "it is seen elsewhere in this photo: a second tag carries its id, or it moved"
    return None


def _proven(sights: Sights, places: list[Place]) -> bool:
    """Whether a second place is more than two wrong squares that happen to agree."""
    if len(places) < 2:
        return False
    first, second = (p.world_from_marker.translation for p in places)
    far = float(np.linalg.norm(second - first)) > 0.5 * float(sights.geometry.side_mm[0])
    return far or len(np.unique(sights.geometry.photo[places[1].agree])) >= _MANY_PHOTOS


def _elsewhere(sights: Sights, place: Place, i: int) -> bool:
    """Whether a square stands clear of where its marker is, by more than half its side."""
    one = sights.take(np.array([i]))
    miss = float(one.misses(place.world_from_marker)[0] * one.allowed_px[0])
    return miss > 0.5 * _side(sights.corners_px[i])


def _side(quad: Array) -> float:
    """Mean side of a quad (4, 2)."""
    return float(np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).mean())


def _height(quad: Array) -> float:
    """Height of a quad over its longest side: how steeply a square is seen, 1 to 0."""
    (x, y), (u, v) = quad[2] - quad[0], quad[3] - quad[1]
    longest = np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).max()
    return float(0.5 * abs(x * v - y * u) / longest**2)


def _two_places(evidence: Evidence, sights: Sights, places: list[Place]) -> str:
    """What two places mean: a move if one came after the other, else two tags, or a loose one."""
    first, second = (p.world_from_marker for p in places)
    far = float(np.linalg.norm(second.translation - first.translation))
    photos = np.unique(sights.geometry.photo[places[0].agree | places[1].agree])
    later = _at_second(sights, places, photos)
    names = evidence.cleaned.network.photos
    cut, wrong = _best_cut(later)
    if wrong <= _MISPLACED_SHARE * len(photos):
        before, after = names[int(photos[cut - 1])], names[int(photos[cut])]
        return f"it moved by {_length(far)} between {before} and {after}"
    counts = f"in {int(np.sum(~later))} and {int(np.sum(later))} photos by turns"
    # Two tags cannot lie on each other.
    if far > float(sights.geometry.side_mm[0]):
        return f"it is at two places, {_length(far)} apart, {counts}: {TWO_TAGS}"
    return f"it is at two places, {_length(far)} apart, {counts}: it is loose, or was touched"


def _at_second(
    sights: Sights, places: list[Place], photos: npt.NDArray[np.intp]
) -> npt.NDArray[np.bool_]:
    """Which photos see the marker nearer to its second place."""
    misses = [sights.misses(p.world_from_marker) for p in places]
    nearer = misses[1] < misses[0]
    return np.array([bool(np.mean(nearer[sights.geometry.photo == i]) > 0.5) for i in photos])


def _best_cut(later: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Before which photo a move explains most, and how many photos it does not explain."""
    n = len(later)
    cuts = np.arange(1, n)
    wrong = np.array([np.sum(later[:c]) + np.sum(~later[c:]) for c in cuts])
    wrong = np.minimum(wrong, n - wrong)
    best = int(np.argmin(wrong))
    return int(cuts[best]), int(wrong[best])


def _length(mm: float) -> str:
    return f"{mm:.1f} mm" if mm < 100.0 else f"{mm:.0f} mm"
