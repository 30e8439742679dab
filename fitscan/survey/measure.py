"""Measure, in one photo, every square that the survey says should be there.

Tags that the first look missed are found here too: a square is accepted only when its own code's
borders are where the survey puts them. Which squares those are is `expected`'s business; reading
the borders is left to `fitscan.detect.edges`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import Values
from fitscan.detect.edges import Earlier, EdgeResult, measure_edges
from fitscan.detect.search import find_pattern
from fitscan.detect.tags import Detections
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS
from fitscan.markers.layout import CORNERS
from fitscan.survey.expected import Expected
from fitscan.survey.measurement import Acceptance, PhotoMeasurement
from fitscan.survey.tag_block import TagGeometry, inward, predict_pixels

__all__ = ["measure_expected", "own_errors"]

_HIDDEN_DOUBT = 25.0
"""A square of which half is hidden counts as seven times less certain than its borders say."""


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


def measure_expected(
    grey: npt.NDArray[np.uint8],
    expected: Expected,
    values: Values,
    found: Detections,
) -> PhotoMeasurement:
    """Measure what needs a look in one photo; the rest is as it was.

    Args:
        grey: (h, w).
        expected: what the photo should show; what is placed roughly is looked for round there as a
            whole.
        values: of the state.
        found: by the first look.
    """
    part, tone, asked = expected.part, expected.tone, expected.asked
    if len(part) == 0:
        return expected.joined()
    rule = Acceptance()
    corners = _pixels(part, CORNERS * part.side_mm[:, None, None], values)
    start, known = _start(part, corners, found, rule)
    _place_rough(grey, part, corners, asked.rough, start, known)
    earlier = _earlier(part, corners, asked.before, asked.rough) if tone is not None else None
    edges = _edges(grey, part, values, start, tone, earlier)
    good = _accepted(part, edges, known, rule)
    measured = _measured(part, edges, good, expected.predicted, found)
    return expected.joined(measured)


def _pixels(part: TagGeometry, uv_mm: Array, values: Values) -> Array:
    """Pixels (n, k, 2) of places on squares, flat ones before those on cuffs."""
    flat = int((part.cuff < 0).sum())
    rows = (slice(None, flat), slice(flat, None))
    return np.concatenate([predict_pixels(part.take(r), uv_mm[r], values) for r in rows])


def _edges(
    grey: npt.NDArray[np.uint8],
    part: TagGeometry,
    values: Values,
    start: Array,
    tone: float | None,
    earlier: Earlier | None,
) -> EdgeResult:
    mm_per_cell, on_cuff = part.side_mm / CELLS, part.cuff >= 0

    def project(uv: Array) -> Array:
        return _pixels(part, uv * mm_per_cell[:, None, None], values)

    return measure_edges(
        grey,
        part.tag_id.tolist(),
        project,
        start=start,
        tone=tone,
        # Flat paper says more of the photo than paper that shines on a tube.
        toned=~on_cuff if not on_cuff.all() else None,
        uneven_px=np.array(_UNEVEN_PX)[on_cuff.astype(np.intp)],
        earlier=earlier,
    )


def _earlier(
    part: TagGeometry,
    predicted: Array,
    before: PhotoMeasurement | None,
    rough: frozenset[int],
) -> Earlier | None:
    """What was measured of some squares near to where they are predicted now.

    What was measured elsewhere may have been something else: it is sought anew.
    """
    if before is None or not len(before.tag_ids):
        return None
    place = {int(t): i for i, t in enumerate(before.tag_ids)}
    rows = np.array([place.get(int(t), -1) for t in part.tag_id], dtype=np.intp)
    observed = before.observed[rows]
    far = np.linalg.norm(observed[:, :8].reshape(-1, 4, 2) - predicted, axis=2).max(axis=1)
    known = (rows >= 0) & (far < _near_px(_longest_px(predicted)))
    known &= np.array([int(t) not in rough for t in part.tag_id], dtype=bool)
    return Earlier(known, observed, before.blur_px[rows])


def _longest_px(corners: Array) -> Array:
    """Longest sides (n,) of squares (n, 4, 2)."""
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    return np.asarray(sides.max(axis=1))


def _near_px(side: Array) -> Array:
    """How near (n,) to its prediction the model knows a square better than the detector does."""
    return np.asarray(np.maximum(0.03 * side, 1.2))


def _start(
    part: TagGeometry, predicted: Array, found: Detections, rule: Acceptance
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Where the first look saw the corners, less the prediction; and which squares it saw there.

    A survey that is still rough predicts worse than the first look sees.
    """
    side = _longest_px(predicted)
    near = _near_px(side)
    place = {int(t): i for i, t in enumerate(found.ids)}
    start, known = np.zeros_like(predicted), np.zeros(len(part), dtype=bool)
    for row, tag_id in enumerate(part.tag_id.tolist()):
        if tag_id in place:
            shift = found.corners_px[place[tag_id]] - predicted[row]
            far = float(np.linalg.norm(shift, axis=1).max())
            known[row] = far < max(rule.found_share * side[row], 8.0)
            if known[row] and far > near[row]:
                start[row] = shift
    return start, known


def _place_rough(
    grey: npt.NDArray[np.uint8],
    part: TagGeometry,
    predicted: Array,
    rough: frozenset[int],
    start: Array,
    known: npt.NDArray[np.bool_],
) -> None:
    """Begin roughly placed markers where their whole pattern fits the photo best.

    A marker that one photo alone has placed may be predicted several pixels off in the others;
    all its squares together still say where it is when none of them can be read alone.
    """
    wanted = np.array([int(t) in rough for t in part.tag_id], dtype=bool) & ~known
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


def own_errors(corners_px: Array, side_px: Array, blur_px: Array) -> tuple[Array, Array]:
    """What whole squares err by, which their own points cannot show.

    Returns:
        variance (n,) of each corner's x and of its y; and (n, 8) one standard deviation of what all
        of them have in common, in px: the covariance is diagonal but for its square.
    """
    small = _SMALL_PX * np.minimum(1.0, (_SMALL_SIDE_PX / side_px) ** 4)
    soft = _SOFT_PX * np.maximum(blur_px**2 - 1.0, 0.0)
    return small**2 + soft**2, _OWN_INWARD_PX * inward(corners_px).reshape(-1, 8)


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
    alone, common = own_errors(corners, side, edges.blur_px[good])
    covariance[:, :8, :8] += common[:, :, None] * common[:, None, :]
    covariance[:, :8, :8] += alone[:, None, None] * np.eye(8)
    sought = ~np.isin(part.tag_id[good], found.ids)
    return PhotoMeasurement(
        part.tag_id[good], edges.observed[good], covariance, side / part.side_mm[good], sought,
        tuple(part.tag_id.tolist()), edges.tone, edges.blur_px[good], predicted,
        np.zeros((int(good.sum()), 8)), edges.seen, edges.contrast,
    )  # fmt: skip
