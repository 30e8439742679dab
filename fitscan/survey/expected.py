"""Which squares a photo should show, and which of them need a look, a first or a new one.

Looking is left to `measure`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray, Values
from fitscan.detect.field import LATTICE, carry
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS
from fitscan.markers.layout import CORNERS
from fitscan.survey.measurement import Acceptance, PhotoMeasurement
from fitscan.survey.tag_block import TagGeometry, predict_pixels, view

__all__ = ["Expected", "expected_in", "expected_squares"]

_STEADY_PX, _RESHAPED_PX = 0.3, 0.05
"""A measured square is measured again when its prediction moved by more, or was bent by more. (On
the sample photos squares that a prediction up to so far off gave are as near to the truth as when
they are measured again on the better one.)"""

_RETRIED_PX, _NEARLY_SEEN, _NEARLY_PX = 0.5, 0.7, 0.05
"""What was not accepted is tried again when its prediction moved so far, or so much was seen and it
moved at all. (On the sample photos no square of which less was seen was won back by less than 1.5
px.)"""


_SETTLED = 1.5
"""How many times as far predictions may be off where the survey before has ended: with it some were
nearly so far already, and whole photos would be decoded again for a hundredth of a pixel more."""


@dataclass(frozen=True)
class Expected:
    """The expected squares of one photo, flat ones before those on cuffs.

    Attributes:
        size_px: width and height of the photo.
        before: an earlier measurement, if any.
        kept: what it still says.
        part: the other squares (n), which need a look.
        predicted: (n, 25, 2) where their `LATTICE` should be, px.
    """

    size_px: tuple[int, int]
    before: PhotoMeasurement | None
    kept: tuple[PhotoMeasurement, ...]
    part: TagGeometry
    predicted: Array

    @property
    def tone(self) -> float | None:
        """The photo's tone as an earlier round has found it.

        A photo that was placed elsewhere then may have shown another one.
        """
        if self.before is None or len(self.before.tag_ids) == 0:
            return None
        stayed = 2 * sum(len(k.tag_ids) for k in self.kept) >= len(self.before.tag_ids)
        return self.before.tone if stayed else None

    def joined(self, measured: PhotoMeasurement | None = None) -> PhotoMeasurement:
        """All squares of the photo: what is kept, and what was measured of the others.

        What the first look had not found stays sought.
        """
        last = measured or self.before
        tone = last.tone if last is not None else 0.0
        none = np.zeros(0)
        empty = PhotoMeasurement(
            np.zeros(0, dtype=np.intp), np.zeros((0, 9)), np.zeros((0, 9, 9)), none,
            np.zeros(0, dtype=bool), (), tone, none,
        )  # fmt: skip
        parts = [empty, *self.kept, *([measured] if measured else [])]
        names = ("tag_ids", "observed", "covariance", "px_per_mm", "sought", "blur_px",
                 "predicted", "carried", "seen", "contrast")  # fmt: skip
        whole = {n: np.concatenate([getattr(p, n) for p in parts]) for n in names}
        if self.before is not None:
            whole["sought"] |= np.isin(whole["tag_ids"], self.before.tag_ids[self.before.sought])
        ids = tuple(t for p in parts for t in p.expected)
        return PhotoMeasurement(**whole, expected=ids, tone=empty.tone, size_px=self.size_px)


def expected_in(
    size_px: tuple[int, int],
    geometry: TagGeometry,
    values: Values,
    *,
    doubles: frozenset[int] = frozenset(),
    rough: frozenset[int] = frozenset(),
    before: PhotoMeasurement | None = None,
    settled: bool = False,
) -> Expected:
    """Sort out what a photo should show.

    Args:
        size_px: width and height of the photo.
        geometry: all squares of the network, with this photo's row.
        values: of the state.
        doubles: ids that stand at two places of this photo: left alone.
        rough: ids whose marker is placed only roughly: they always need a look.
        before: an earlier round's measurement of this photo. What it accepted is kept where the
            prediction nearly stayed; what it did not accept is tried again unless neither the
            prediction moved nor much was seen.
        settled: whether that was the last round of a survey that has ended.
    """
    patience = _SETTLED if settled else 1.0
    kept: list[PhotoMeasurement] = []
    allowed = np.array([int(t) not in doubles for t in geometry.tag_id], dtype=bool)
    again, places = [], []
    for on_cuff in (False, True):
        part = geometry.take(np.flatnonzero(allowed & ((geometry.cuff >= 0) == on_cuff)))
        part = part.take(expected_squares(part, values, size_px, Acceptance()))
        predicted = predict_pixels(part, LATTICE * (part.side_mm / CELLS)[:, None, None], values)
        known, shift = _as_before(part.tag_id, predicted, before, rough, patience)
        if before is not None and known.any():
            ids = part.tag_id[known]
            kept.append(before.only(ids).carried_to(ids, shift[known]))
        again.append(part.take(~known))
        places.append(predicted[~known])
    together = again[0].joined(again[1])
    return Expected(size_px, before, tuple(kept), together, np.concatenate(places))


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


def _as_before(
    ids: IntArray,
    predicted: Array,
    before: PhotoMeasurement | None,
    rough: frozenset[int],
    patience: float,
) -> tuple[npt.NDArray[np.bool_], Array]:
    """Which squares (n,) need no new look, and what their new prediction does to their corners.

    A square that was measured is known unless its prediction has moved far or changed its shape,
    and one that showed too few borders still does; how far is multiplied by `patience`.

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
    moved, bent = moved / patience, bent / patience
    hopeless = moved < np.where(few, _RETRIED_PX, _NEARLY_PX)
    kept[known] = np.where(measured, (moved < _STEADY_PX) & (bent < _RESHAPED_PX), hopeless)
    return kept, shift
