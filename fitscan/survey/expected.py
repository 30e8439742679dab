"""Which squares a photo should show, and which of them need a look, a first or a new one.

Looking is left to `measure`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import IntArray, Values
from fitscan.detect.field import LATTICE, carry
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS
from fitscan.markers.layout import CORNERS
from fitscan.survey.measurement import Acceptance, PhotoMeasurement
from fitscan.survey.tag_block import TagGeometry, predict_pixels, view

__all__ = ["Asked", "Expected", "expected_in", "expected_in_each", "expected_squares"]

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
class Asked:
    """One photo that is asked what it should show.

    Attributes:
        geometry: all squares of the network, with this photo's row.
        doubles: ids that stand at two places of this photo: left alone.
        before: an earlier round's measurement of this photo. What it accepted is kept where the
            prediction nearly stayed; what it did not accept is tried again unless neither the
            prediction moved nor much was seen.
        rough: ids whose marker is placed only roughly: they always need a look.
        settled: whether `before` is of the last round of a survey that has ended.
        size_px: width and height of the photo; zeros while nobody knows.
    """

    geometry: TagGeometry
    doubles: frozenset[int] = frozenset()
    before: PhotoMeasurement | None = None
    rough: frozenset[int] = frozenset()
    settled: bool = False
    size_px: tuple[int, int] = (0, 0)

    @property
    def allowed(self) -> npt.NDArray[np.bool_]:
        """Squares (n,) that are not left alone."""
        return np.array([t not in self.doubles for t in self.geometry.tag_id.tolist()], dtype=bool)


@dataclass(frozen=True)
class Expected:
    """The expected squares of one photo, flat ones before those on cuffs.

    Attributes:
        asked: the photo.
        kept: what its earlier measurement still says.
        part: the other squares (n), which need a look.
        predicted: (n, 25, 2) where their `LATTICE` should be, px.
    """

    asked: Asked
    kept: tuple[PhotoMeasurement, ...]
    part: TagGeometry
    predicted: Array

    @property
    def tone(self) -> float | None:
        """The photo's tone as an earlier round has found it.

        A photo that was placed elsewhere then may have shown another one.
        """
        before = self.asked.before
        if before is None or len(before.tag_ids) == 0:
            return None
        stayed = 2 * sum(len(k.tag_ids) for k in self.kept) >= len(before.tag_ids)
        return before.tone if stayed else None

    def joined(self, measured: PhotoMeasurement | None = None) -> PhotoMeasurement:
        """All squares of the photo: what is kept, and what was measured of the others.

        What the first look had not found stays sought.
        """
        before = self.asked.before
        last = measured or before
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
        if before is not None:
            whole["sought"] |= np.isin(whole["tag_ids"], before.tag_ids[before.sought])
        ids = tuple(t for p in parts for t in p.expected)
        return PhotoMeasurement(**whole, expected=ids, tone=empty.tone, size_px=self.asked.size_px)


def expected_in(asked: Asked, values: Values) -> Expected:
    """Sort out what a photo should show, see `expected_in_each`."""
    return expected_in_each([asked], values)[0]


def expected_in_each(asked: Sequence[Asked], values: Values) -> list[Expected]:
    """Sort out what photos should show, all at once.

    Args:
        asked: photos, at least one.
        values: of the state.
    """
    kept: list[list[PhotoMeasurement]] = [[] for _ in asked]
    again: list[list[tuple[TagGeometry, Array]]] = [[] for _ in asked]
    whole = TagGeometry.joined([a.geometry for a in asked])
    allowed = np.concatenate([a.allowed for a in asked])
    photo = np.repeat(np.arange(len(asked)), [len(a.geometry) for a in asked])
    sizes = np.array([a.size_px for a in asked])
    for on_cuff in (False, True):
        rows = np.flatnonzero(allowed & ((whole.cuff >= 0) == on_cuff))
        rows = rows[expected_squares(whole.take(rows), values, sizes[photo[rows]], Acceptance())]
        part = whole.take(rows)
        predicted = predict_pixels(part, LATTICE * (part.side_mm / CELLS)[:, None, None], values)
        ends = np.searchsorted(photo[rows], np.arange(len(asked) + 1)).tolist()
        own = [slice(a, b) for a, b in pairwise(ends)]
        known, shift = _as_before(part.tag_id, predicted, asked, own)
        for i, (mine, one) in enumerate(zip(own, asked, strict=True)):
            same = known[mine]
            if one.before is not None and same.any():
                ids = part.tag_id[mine][same]
                kept[i].append(one.before.only(ids).carried_to(ids, shift[mine][same]))
            again[i].append((part.take(mine).take(~same), predicted[mine][~same]))
    return [
        Expected(
            one,
            tuple(kept[i]),
            TagGeometry.joined([g for g, _ in again[i]]),
            np.concatenate([p for _, p in again[i]]),
        )
        for i, one in enumerate(asked)
    ]


def expected_squares(
    geometry: TagGeometry, values: Values, size: npt.ArrayLike, rule: Acceptance
) -> npt.NDArray[np.bool_]:
    """Which squares (all flat or all on cuffs) should be visible: in frame, facing, big enough.

    Args:
        geometry: candidate squares.
        values: of the state.
        size: (width, height) of the photo in px, or (n, 2) of each square's.
        rule: when a square counts.
    """
    if len(geometry) == 0:
        return np.zeros(0, dtype=bool)
    edge = np.broadcast_to(np.asarray(size, dtype=np.float64), (len(geometry), 2))[:, None]
    corners = CORNERS * geometry.side_mm[:, None, None]
    p = view(geometry, corners, values)
    # The distortion polynomial folds back far outside the frame: look at the straight ray first.
    straight = np.abs(p.x_in_cam[..., :2] / np.maximum(p.x_in_cam[..., 2:], 1.0))
    lens = values["lens"][0]
    limit = 0.62 * edge / lens[0]
    margin = 3.0
    inside = np.all((p.pixels > margin) & (p.pixels < edge - 1.0 - margin), axis=(1, 2))
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
    asked: Sequence[Asked],
    own: Sequence[slice],
) -> tuple[npt.NDArray[np.bool_], Array]:
    """Which squares (n,) need no new look, and what their new prediction does to their corners.

    A square that was measured is known unless its prediction has moved far or changed its shape,
    and one that showed too few borders still does.

    Args:
        ids: (n,) of squares, photo by photo.
        predicted: (n, 25, 2) px.
        asked: the photos.
        own: of each, where its squares stand.

    Returns:
        (n,); (n, 4, 2) px since the corners were measured.
    """
    kept, shift = np.zeros(len(ids), dtype=bool), np.zeros((len(ids), 4, 2))
    rows: list[int] = []
    then, measured, few, patience = [], [], [], []
    for mine, one in zip(own, asked, strict=True):
        before = one.before
        if before is None or len(before.predicted) != len(before.expected):
            continue
        place = {t: i for i, t in enumerate(before.expected)}
        known = [
            (mine.start + row, place[t])
            for row, t in enumerate(ids[mine].tolist())
            if t in place and t not in one.rough
        ]
        if known:
            there = [i for _, i in known]
            rows += [row for row, _ in known]
            then.append(before.predicted[there])
            measured.append(np.isin(np.array(before.expected)[there], before.tag_ids))
            few.append(before.seen[there] < _NEARLY_SEEN)
            patience += [_SETTLED if one.settled else 1.0] * len(known)
    if not rows:
        return kept, shift
    earlier = np.concatenate(then)
    moved = np.abs(predicted[rows] - earlier).max(axis=(1, 2)) / patience
    shift[rows], bent = carry(earlier, predicted[rows])
    hopeless = moved < np.where(np.concatenate(few), _RETRIED_PX, _NEARLY_PX)
    steady = (moved < _STEADY_PX) & (bent / patience < _RESHAPED_PX)
    kept[rows] = np.where(np.concatenate(measured), steady, hopeless)
    return kept, shift
