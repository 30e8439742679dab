"""Measure, in one photo, every square that the survey says should be there.

Tags that the first look missed are found here too: a square is accepted only when its own code's
borders are where the survey puts them. Reading the borders is left to `fitscan.detect.edges`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray, Values
from fitscan.detect.edges import EdgeResult, measure_edges
from fitscan.detect.field import LATTICE, carry
from fitscan.detect.search import find_pattern
from fitscan.detect.tags import Detections
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS
from fitscan.markers.layout import CORNERS
from fitscan.survey.tag_block import TagGeometry, inward, predict_pixels, view

__all__ = [
    "Acceptance",
    "PhotoMeasurement",
    "expected_squares",
    "measure_photo",
    "measure_unseen",
    "own_errors",
]


@dataclass(frozen=True)
class Acceptance:
    """When a square counts as seen.

    Attributes:
        smallest_px: shortest predicted side.
        steepest_cos, grazing_cos: cosine of the steepest view of a square's middle, and of its
            corners.
        seen_if_found: share of borders that must agree when the first look found the tag.
        seen_if_sought: the same when it did not: the code must read as a whole (a wrong code
            agrees in 60 % of its borders, one in twenty in 70 %, none in 80 %).
        scatter_px: largest scatter of the borders, for a blur of a pixel or less; more blur allows
            more in proportion.
        contrast: smallest difference of black and white, grey levels.
        moved_share, moved_px: largest distance from where it was found or predicted, as a share
            of the side and at least in pixels; a sought tag gets half.
        found_share: how far from the prediction, as a share of the side, a found tag may be.
    """

    smallest_px: float = 14.0
    steepest_cos: float = 0.37
    grazing_cos: float = 0.15
    seen_if_found: float = 0.5
    seen_if_sought: float = 0.8
    scatter_px: float = 0.3
    contrast: float = 14.0
    moved_share: float = 0.08
    moved_px: float = 2.0
    found_share: float = 0.5


_HIDDEN_DOUBT = 25.0
"""A square of which half is hidden counts as seven times less certain than its borders say."""


_WHOLE, _PALE_SHARE = 0.8, 0.4
"""A code that reads like a sought one's, and a contrast below this share of its photo's median."""

_OWN_SHIFT_PX = 0.15
"""By how much squares of one photo differ in their edge shift: light, and white that is clipped."""


_UNEVEN_PX = (0.003, 0.3)
"""By how much the edge shift may change from the middle of a flat square and of one round a tube to
its side: flat paper is lit evenly, round a tube it burns out on the lit side."""

_OWN_INWARD_PX = 0.04
"""By how much the borders of one square lie inwards or outwards together, beyond what its border
points scatter: blur and light differ from the model from square to square (measured on the sample
photos against truth: 0.03 to 0.05 px at every size)."""

_SMALL_PX, _SMALL_SIDE_PX = 0.08, 22.0
"""What a corner of a square with cells of three pixels errs by although its borders agree (measured
there too); of larger squares less, with the fourth power of the side."""


_SOFT_PX = 0.075
"""What a corner errs by where the photo is out of focus, times blur^2 - 1: a lens's blur is no
Gaussian (measured there)."""


_STEADY_PX, _RESHAPED_PX = 0.3, 0.05
"""A measured square is measured again when its prediction moved by more, or was bent by more. (On
the sample photos squares that a prediction up to so far off gave are as near to the truth as when
they are measured again on the better one.)"""

_RETRIED_PX, _NEARLY_SEEN, _NEARLY_PX = 0.5, 0.7, 0.05
"""What was not accepted is tried again when its prediction moved so far, or so much was seen and it
moved at all. (On the sample photos no square of which less was seen was won back by less than 1.5
px.)"""


@dataclass(frozen=True)
class PhotoMeasurement:
    """Accepted squares of one photo.

    Attributes:
        tag_ids: (n,).
        observed, covariance: (n, 9), (n, 9, 9), see `EdgeResult`.
        px_per_mm: (n,).
        sought: (n,) accepted although the first look had not found them.
        expected: (m,) ids that should be visible.
        tone: of the photo.
        blur_px: (n,).
        predicted: (m, 25, 2) where the expected squares' `LATTICE` was when they were measured.
        carried: (n, 8) by how much the corners in `observed` were moved since, because a later
            prediction had another shape, see `carry`.
        seen: (m,) share of their borders that agreed.
        contrast: (m,) grey levels between their black and white.
        size_px: width and height of the photo.
    """

    tag_ids: IntArray
    observed: Array
    covariance: Array
    px_per_mm: Array
    sought: npt.NDArray[np.bool_]
    expected: tuple[int, ...]
    tone: float
    blur_px: Array
    predicted: Array = field(default_factory=lambda: np.zeros((0, len(LATTICE), 2)))
    carried: Array = field(default_factory=lambda: np.zeros((0, 8)))
    seen: Array = field(default_factory=lambda: np.zeros(0))
    contrast: Array = field(default_factory=lambda: np.zeros(0))
    size_px: tuple[int, int] = (0, 0)

    @property
    def pale(self) -> tuple[int, ...]:
        """Ids whose code reads as a whole, but hardly differs in black and white.

        That is glare or deep shadow: what is hidden does not read.
        """
        whole = self.seen >= _WHOLE
        if whole.sum() < 4:
            return ()
        usual = float(np.median(self.contrast[whole]))
        pale = whole & (self.contrast < _PALE_SHARE * usual)
        return tuple(t for t, p in zip(self.expected, pale, strict=True) if p)

    def only(self, ids: IntArray) -> PhotoMeasurement:
        """What was measured, or not, of some of the expected squares."""
        rows, asked = np.isin(self.tag_ids, ids), np.isin(np.array(self.expected), ids)
        return PhotoMeasurement(
            self.tag_ids[rows], self.observed[rows], self.covariance[rows], self.px_per_mm[rows],
            self.sought[rows], tuple(np.array(self.expected)[asked].tolist()), self.tone,
            self.blur_px[rows], self.predicted[asked], self.carried[rows],
            self.seen[asked], self.contrast[asked], self.size_px,
        )  # fmt: skip

    def carried_to(self, ids: IntArray, shift: Array) -> PhotoMeasurement:
        """The same with corners of some ids (m,) moved by `shift` (m, 4, 2) since measured."""
        place = {int(t): i for i, t in enumerate(ids)}
        rows = [place[t] for t in self.tag_ids.tolist()]
        carried = shift[rows].reshape(-1, 8)
        observed = self.observed.copy()
        observed[:, :8] += carried - self.carried
        return replace(self, observed=observed, carried=carried)


def expected_squares(
    geometry: TagGeometry, values: Values, size: tuple[int, int], rule: Acceptance
) -> npt.NDArray[np.bool_]:
    """Which squares (all flat or all on cuffs) should be visible: in frame, facing, big enough.

    Args:
        geometry: candidate squares.
        values: of the state.
        size: (width, height) of the photo in px.
        rule: when a square counts.
    """
    if len(geometry) == 0:
        return np.zeros(0, dtype=bool)
    corners = CORNERS * geometry.side_mm[:, None, None]
    p = view(geometry, corners, values)
    # The distortion polynomial folds back far outside the frame: look at the straight ray first.
    straight = np.abs(p.x_in_cam[..., :2] / np.maximum(p.x_in_cam[..., 2:], 1.0))
    lens = values["lens"][0]
    limit = 0.62 * np.array(size) / lens[0]
    margin = 3.0
    inside = np.all((p.pixels > margin) & (p.pixels < np.array(size) - 1.0 - margin), axis=(1, 2))
    inside &= np.all(straight < limit, axis=(1, 2)) & np.all(p.x_in_cam[..., 2] > 50.0, axis=1)
    side = np.linalg.norm(p.pixels - np.roll(p.pixels, 1, axis=1), axis=2)
    # The height of a steeply seen square is what its cells have to be told apart by.
    a, b = p.pixels[:, 2] - p.pixels[:, 0], p.pixels[:, 3] - p.pixels[:, 1]
    area = 0.5 * np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    height = area / np.maximum(side.max(axis=1), 1e-9)
    big = (side.min(axis=1) > 0.6 * rule.smallest_px) & (height > 0.6 * rule.smallest_px)
    big &= side.max(axis=1) > rule.smallest_px
    faces = (p.facing.mean(axis=1) > rule.steepest_cos) & (p.facing.min(axis=1) > rule.grazing_cos)
    return np.asarray(inside & big & faces)


def measure_photo(
    grey: npt.NDArray[np.uint8],
    geometry: TagGeometry,
    values: Values,
    found: Detections,
    *,
    doubles: frozenset[int] = frozenset(),
    rough: frozenset[int] = frozenset(),
    before: PhotoMeasurement | None = None,
    rule: Acceptance | None = None,
) -> PhotoMeasurement:
    """Measure every expected square of one photo.

    Args:
        grey: (h, w).
        geometry: all squares of the network, with this photo's row.
        values: of the state.
        found: by the first look.
        doubles: ids that stand at two places of this photo: left alone.
        rough: ids whose marker is placed only roughly: looked for round there as a whole.
        before: an earlier round's measurement of this photo. What it accepted is kept where the
            prediction nearly stayed; what it did not accept is tried again unless neither the
            prediction moved nor much was seen.
        rule: when a square counts.
    """
    rule = rule or Acceptance()
    height, width = grey.shape
    kept, again = _sorted(geometry, values, (width, height), doubles, rough, before, rule)
    parts = list(kept)
    # A photo that was placed elsewhere then may have shown another tone, too.
    stayed = before is not None and 2 * sum(len(p.tag_ids) for p in kept) >= len(before.tag_ids)
    tone = before.tone if before is not None and stayed else None
    for part, predicted in again:
        start, known = _start(part, values, found, rule)
        _place_rough(grey, part, values, rough, start, known)
        edges = _edges(grey, part, values, start, tone)
        tone = edges.tone
        good = _accepted(part, edges, known, rule)
        parts.append(_measured(part, edges, good, predicted, found))
    return _together(parts, before, tone if tone is not None else 0.0, (width, height))


def measure_unseen(
    geometry: TagGeometry,
    values: Values,
    before: PhotoMeasurement,
    *,
    doubles: frozenset[int] = frozenset(),
    rough: frozenset[int] = frozenset(),
    rule: Acceptance | None = None,
) -> PhotoMeasurement | None:
    """What `measure_photo` gives where nothing has to be measured again, else None."""
    rule = rule or Acceptance()
    if not len(before.tag_ids) or 0 in before.size_px:
        return None
    kept, again = _sorted(geometry, values, before.size_px, doubles, rough, before, rule)
    return None if again else _together(kept, before, before.tone, before.size_px)


def _sorted(
    geometry: TagGeometry,
    values: Values,
    size: tuple[int, int],
    doubles: frozenset[int],
    rough: frozenset[int],
    before: PhotoMeasurement | None,
    rule: Acceptance,
) -> tuple[list[PhotoMeasurement], list[tuple[TagGeometry, Array]]]:
    """Of the expected squares, flat ones and those on cuffs apart, what is known of some from
    before, and the others with where their `LATTICE` is predicted (n, 25, 2).
    """
    kept: list[PhotoMeasurement] = []
    again: list[tuple[TagGeometry, Array]] = []
    for on_cuff in (False, True):
        part = geometry.take((geometry.cuff >= 0) == on_cuff)
        part = part.take(np.array([int(t) not in doubles for t in part.tag_id], dtype=bool))
        part = part.take(expected_squares(part, values, size, rule))
        predicted = predict_pixels(part, LATTICE * (part.side_mm / CELLS)[:, None, None], values)
        known, shift = _as_before(part.tag_id, predicted, before, rough)
        if before is not None and known.any():
            ids = part.tag_id[known]
            kept.append(before.only(ids).carried_to(ids, shift[known]))
        if not known.all():
            again.append((part.take(~known), predicted[~known]))
    return kept, again


def _as_before(
    ids: IntArray, predicted: Array, before: PhotoMeasurement | None, rough: frozenset[int]
) -> tuple[npt.NDArray[np.bool_], Array]:
    """Which squares (n,) need no new look, and what their new prediction does to their corners.

    A square that was measured is known unless its prediction has moved far or changed its shape,
    and one that showed too few borders still does.

    Returns:
        (n,); (n, 4, 2) px since the corners were measured.
    """
    kept, shift = np.zeros(len(ids), dtype=bool), np.zeros((len(ids), 4, 2))
    if before is None or len(before.predicted) != len(before.expected):
        return kept, shift
    place = {t: i for i, t in enumerate(before.expected)}
    known = [r for r, t in enumerate(ids.tolist()) if t in place and t not in rough]
    then = [place[int(t)] for t in ids[known]]
    if not known:
        return kept, shift
    moved = np.abs(predicted[known] - before.predicted[then]).max(axis=(1, 2))
    shift[known], bent = carry(before.predicted[then], predicted[known])
    measured = np.isin(ids[known], before.tag_ids)
    few = before.seen[then] < _NEARLY_SEEN
    hopeless = moved < np.where(few, _RETRIED_PX, _NEARLY_PX)
    kept[known] = np.where(measured, (moved < _STEADY_PX) & (bent < _RESHAPED_PX), hopeless)
    return kept, shift


def _edges(
    grey: npt.NDArray[np.uint8],
    part: TagGeometry,
    values: Values,
    start: Array,
    tone: float | None,
) -> EdgeResult:
    mm_per_cell = part.side_mm / CELLS

    def project(uv: Array) -> Array:
        return predict_pixels(part, uv * mm_per_cell[:, None, None], values)

    return measure_edges(
        grey,
        part.tag_id.tolist(),
        project,
        start=start,
        tone=tone,
        uneven_px=_UNEVEN_PX[bool((part.cuff >= 0).any())],
    )


def _start(
    part: TagGeometry, values: Values, found: Detections, rule: Acceptance
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Where the first look saw the corners, less the prediction; and which squares it saw there.

    A survey that is still rough predicts worse than the first look sees.
    """
    predicted = predict_pixels(part, CORNERS * part.side_mm[:, None, None], values)
    side = np.linalg.norm(predicted - np.roll(predicted, 1, axis=1), axis=2).max(axis=1)
    place = {int(t): i for i, t in enumerate(found.ids)}
    start, known = np.zeros_like(predicted), np.zeros(len(part), dtype=bool)
    for row, tag_id in enumerate(part.tag_id.tolist()):
        if tag_id in place:
            shift = found.corners_px[place[tag_id]] - predicted[row]
            far = float(np.linalg.norm(shift, axis=1).max())
            known[row] = far < max(rule.found_share * side[row], 8.0)
            # Near the prediction, the model's corners are better than the detector's.
            if known[row] and far > max(0.03 * side[row], 1.2):
                start[row] = shift
    return start, known


def _place_rough(
    grey: npt.NDArray[np.uint8],
    part: TagGeometry,
    values: Values,
    rough: frozenset[int],
    start: Array,
    known: npt.NDArray[np.bool_],
) -> None:
    """Begin roughly placed markers where their whole pattern fits the photo best.

    A marker that one photo alone has placed may be predicted several pixels off in the others;
    all its squares together still say where it is when none of them can be read alone.
    """
    wanted = np.array([int(t) in rough for t in part.tag_id], dtype=bool) & ~known
    predicted = predict_pixels(part, CORNERS * part.side_mm[:, None, None], values)
    for marker in np.unique(part.marker[wanted]):
        rows = np.flatnonzero(wanted & (part.marker == marker))
        ids = [int(t) for t in part.tag_id[rows]]
        shift = find_pattern(grey, ids, predicted[rows])
        if shift is not None:
            start[rows] = shift


def _accepted(
    part: TagGeometry,
    edges: EdgeResult,
    known: npt.NDArray[np.bool_],
    rule: Acceptance,
) -> npt.NDArray[np.bool_]:
    needed = np.where(known, rule.seen_if_found, rule.seen_if_sought)
    corners = edges.observed[:, :8].reshape(-1, 4, 2)
    side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    whole = np.maximum(rule.moved_share * side, rule.moved_px)
    near = edges.moved_px <= whole * np.where(known, 1.0, 0.5)
    # A first look sees bent squares badly; what then lies where the survey expects it is right.
    near |= (edges.away_px <= 0.5 * whole) & (edges.seen >= rule.seen_if_sought)
    return np.asarray(
        (edges.seen >= needed)
        & (edges.scatter_px <= rule.scatter_px * np.maximum(edges.blur_px, 1.0))
        & (edges.contrast >= rule.contrast)
        & near
        & (edges.points >= 40)
    )


def own_errors(corners_px: Array, side_px: Array, blur_px: Array) -> Array:
    """Covariance (n, 8, 8) of what whole squares err by, which their own points cannot show."""
    all_in = inward(corners_px).reshape(-1, 8)
    small = _SMALL_PX * np.minimum(1.0, (_SMALL_SIDE_PX / side_px) ** 4)
    soft = _SOFT_PX * np.maximum(blur_px**2 - 1.0, 0.0)
    own = _OWN_INWARD_PX**2 * all_in[:, :, None] * all_in[:, None, :]
    return np.asarray(own + (small**2 + soft**2)[:, None, None] * np.eye(8))


def _measured(
    part: TagGeometry,
    edges: EdgeResult,
    good: npt.NDArray[np.bool_],
    predicted: Array,
    found: Detections,
) -> PhotoMeasurement:
    """What was measured of some of a photo's squares."""
    corners = edges.observed[good, :8].reshape(-1, 4, 2)
    side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    # What hides a part of a square also bends the borders beside it.
    doubt = 1.0 + _HIDDEN_DOUBT * (1.0 - np.minimum(edges.seen[good], 1.0)) ** 2
    covariance = edges.covariance[good] * doubt[:, None, None] ** 2
    covariance[:, 8, 8] += _OWN_SHIFT_PX**2
    covariance[:, :8, :8] += own_errors(corners, side, edges.blur_px[good])
    sought = ~np.isin(part.tag_id[good], found.ids)
    return PhotoMeasurement(
        part.tag_id[good], edges.observed[good], covariance, side / part.side_mm[good], sought,
        tuple(part.tag_id.tolist()), edges.tone, edges.blur_px[good], predicted,
        np.zeros((int(good.sum()), 8)), edges.seen, edges.contrast,
    )  # fmt: skip


def _together(
    parts: list[PhotoMeasurement],
    before: PhotoMeasurement | None,
    tone: float,
    size_px: tuple[int, int],
) -> PhotoMeasurement:
    """All squares of a photo; what the first look had not found stays sought."""
    none = np.zeros(0)
    empty = PhotoMeasurement(
        np.zeros(0, dtype=np.intp), np.zeros((0, 9)), np.zeros((0, 9, 9)), none,
        np.zeros(0, dtype=bool), (), tone, none,
    )  # fmt: skip
    parts = [empty, *parts]
    names = ("tag_ids", "observed", "covariance", "px_per_mm", "sought", "blur_px", "predicted",
             "carried", "seen", "contrast")  # fmt: skip
    whole = {n: np.concatenate([getattr(p, n) for p in parts]) for n in names}
    if before is not None:
        whole["sought"] |= np.isin(whole["tag_ids"], before.tag_ids[before.sought])
    expected = tuple(t for p in parts for t in p.expected)
    return PhotoMeasurement(**whole, expected=expected, tone=tone, size_px=size_px)
