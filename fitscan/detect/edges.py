"""A tag's edges measured against the model: where its corners are to a few hundredths of a pixel.

The survey says where the tag's borders should be (on a plane or a cylinder); this module reads
the photo along their normals and says by how much all of them together are off. What that means
in space is left to `fitscan.survey`.

Model of one profile, t in pixels along the border's normal:
I(t) = level + contrast * (h(S(t)) - d h(S)'(t)), where S is the tag's own black and white
pattern blurred by a Gaussian (so that neighbouring borders are part of the model), d the
border's offset, and h(S) = S + g S (1 - S) the photo's tone curve between black and white.
A tag's offsets are then one smooth field: the shifts of its four corners (in between, what a
small change of a plane's projection does) plus an edge shift that moves borders towards their
black side and may change across the square (round a tube, paper burns out on the lit side). What
the tone curve leaves over of gamma, sharpening and ink acts on the edge shift alone, because the
code's inner borders have both polarities.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.detect.blur import OUT_OF_FOCUS_PX, WIDE_REACH_PX, closer_blur, first_blur
from fitscan.detect.profile import Profiles
from fitscan.detect.shape import Projector, shapes_of
from fitscan.detect.sight import Sight
from fitscan.detect.square_fit import HARDLY_SEEN, SquareFit, fit_squares
from fitscan.geometry.rotation import Array

__all__ = ["Earlier", "EdgeResult", "measure_edges"]

Bools = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.intp]

_REACH, _SHORTEST_PX = 3.0, 2.5
"""Half length over blur in the later passes, and the shortest."""

_HOPELESS = 0.4
"""A square of which the thin passes have seen less is not read as a whole."""

_LAST_PASSES, _SETTLED_PX = 3, 0.2
"""How often all points of a square are read at most, and a change of its corners that is small
enough to end with: the next would be a sixth of it, most of it noise of other samples. (On the
sample photos a limit of 0.1 px gave nothing nearer to the truth.)"""

_SHIFT_PER_TONE = 0.627
"""Edge shift over blur that a tone curve of g = 1 makes: the 50 % level moves by g/4 of the
contrast, where a Gaussian edge climbs by 0.399 per standard deviation."""


@dataclass(frozen=True)
class EdgeResult:
    """Edges of n squares of one photo.

    Attributes:
        observed: (n, 9) corner pixels (TL, TR, BR, BL) of the true black square, edge shift px.
        covariance: (n, 9, 9) of `observed`.
        seen: (n,) share of the square's border points that agree with the model.
        scatter_px: (n,) robust standard deviation of the border points about the fit.
        contrast: (n,) median grey levels between black and white.
        blur_px: (n,) standard deviation of the blur.
        moved_px: (n,) largest corner shift against the prediction with the start given.
        away_px: (n,) largest corner shift against the prediction alone.
        points: (n,) border points used.
        tone: g of the photo's tone curve, 0 for a straight one.
    """

    observed: Array
    covariance: Array
    seen: Array
    scatter_px: Array
    contrast: Array
    blur_px: Array
    moved_px: Array
    away_px: Array
    points: Array
    tone: float


@dataclass(frozen=True)
class Earlier:
    """What an earlier measurement of n squares has found, of some of them.

    Attributes:
        known: (n,) of which.
        observed: (n, 9) corner pixels and edge shift.
        blur_px: (n,).
    """

    known: Bools
    observed: Array
    blur_px: Array


def measure_edges(
    grey: npt.NDArray[np.uint8],
    tag_ids: list[int],
    project: Projector,
    *,
    start: Array | None = None,
    tone: float | None = None,
    toned: Bools | None = None,
    uneven_px: Array | float = 0.003,
    earlier: Earlier | None = None,
) -> EdgeResult:
    """Measure n squares in one photo, starting from their predicted places.

    Two passes on a third of the points find where the squares are and how blurred; the last one,
    from there, reads all of them. What an earlier measurement has found needs the last one only.

    Args:
        grey: (h, w).
        tag_ids: of the n squares.
        project: where places on the squares, in cells (the black square is -4 to 4), should be.
        start: (n, 4, 2) shifts of the corners in pixels with which to begin, for squares that a
            first look found elsewhere than predicted.
        tone: of the photo from an earlier measurement; estimated if None.
        toned: (n,) by which squares it is estimated; by all if None.
        uneven_px: (n,) or of all, by how much the edge shift may change from a square's middle to
            its side.
        earlier: what is known of some of the squares.
    """
    n = len(tag_ids)
    shapes = shapes_of(project, n)
    corners = shapes.corners.reshape(n, 8)
    begin = np.zeros((n, 8)) if start is None else start.reshape(n, 8)
    passes = _Passes(grey, Sight.of(shapes, tag_ids), begin, tone, uneven_px)
    new = np.ones(n, dtype=np.bool_)
    if earlier is not None:
        new = ~earlier.known
        passes.know(np.flatnonzero(earlier.known), earlier, corners)
    by = new & toned if toned is not None and tone is None else new
    # Some show the photo's tone; the others are read with it.
    for rows in (np.flatnonzero(by), np.flatnonzero(new & ~by)):
        if len(rows):
            passes.first(rows)
    passes.closer(np.flatnonzero(~new | (passes.fit.seen >= HARDLY_SEEN)))
    passes.whole(np.flatnonzero(passes.fit.seen >= _HOPELESS))
    total, fit = passes.total, passes.fit
    observed = np.concatenate([corners + total[:, :8], total[:, 8:9]], axis=1)
    moved = np.linalg.norm((total[:, :8] - begin).reshape(n, 4, 2), axis=2).max(axis=1)
    away = np.linalg.norm(total[:, :8].reshape(n, 4, 2), axis=2).max(axis=1)
    return EdgeResult(
        observed,
        fit.covariance,
        fit.seen,
        fit.scatter,
        fit.contrast,
        passes.blur,
        moved,
        away,
        fit.points,
        passes.tone or 0.0,
    )


class _Passes:
    """The passes over n squares of one photo, and what they have found so far.

    Attributes:
        total: (n, 11) corner shifts against the prediction, edge shift and its two changes.
        blur: (n,) px.
        fit: the last one of each square.
        tone: None until it is known.
    """

    def __init__(
        self,
        grey: npt.NDArray[np.uint8],
        sight: Sight,
        begin: Array,
        tone: float | None,
        uneven_px: Array | float,
    ) -> None:
        n = len(begin)
        self.grey, self.sight, self.tone = grey, sight, tone
        self.thin = sight.only(np.arange(n), thin=True)
        self.uneven = np.broadcast_to(np.asarray(uneven_px, dtype=np.float64), n)
        self.total, self.blur = np.concatenate([begin, np.zeros((n, 3))], axis=1), np.ones(n)
        self.fit = SquareFit.none(n)

    def know(self, rows: Rows, earlier: Earlier, corners: Array) -> None:
        """Begin with what is known from earlier; the prediction's corners (n, 8) are px."""
        self.total[rows, :8] = earlier.observed[rows, :8] - corners[rows]
        self.total[rows, 8] = earlier.observed[rows, 8]
        self.blur[rows] = earlier.blur_px[rows]

    def first(self, rows: Rows) -> None:
        """Find where squares are, and roughly how blurred; the first ones also show the tone."""
        some, begin = self.thin.only(rows), self.total[rows]
        profiles, blur = first_blur(some, self.grey, begin)
        self._fitted(rows, some, profiles, blur)
        if self.tone is None:
            self.tone = _tone(self.total[rows, 8], blur, some.near[1].min(axis=1))
            # The curve now explains what the edge shift did before.
            self.total[rows, 8] -= self.tone * _SHIFT_PER_TONE * blur

    def closer(self, rows: Rows) -> None:
        """From near, find how blurred squares are."""
        if len(rows) == 0:
            return
        some, blur = self.thin.only(rows), self.blur[rows]
        reach = np.where(blur > OUT_OF_FOCUS_PX, WIDE_REACH_PX, _REACH * blur)
        profiles = some.read(self.grey, self.total[rows], np.maximum(reach, _SHORTEST_PX))
        self._fitted(rows, some, profiles, closer_blur(profiles, some, blur))

    def whole(self, rows: Rows) -> None:
        """Read all points of squares until they settle."""
        for _ in range(_LAST_PASSES):
            if len(rows) == 0:
                return
            some, blur = self.sight.only(rows), self.blur[rows]
            reach = np.maximum(_REACH * blur, _SHORTEST_PX)
            profiles = some.read(self.grey, self.total[rows], reach)
            change = self._fitted(rows, some, profiles, blur)
            rows = rows[np.abs(change[:, :8]).max(axis=1) > _SETTLED_PX]

    def _fitted(self, rows: Rows, some: Sight, profiles: Profiles, blur: Array) -> Array:
        fit = fit_squares(some, profiles, blur, self.tone or 0.0, self.uneven[rows])
        self.fit.put(rows, fit)
        self.total[rows] += fit.change
        self.blur[rows] = blur
        return fit.change


def _tone(shift: Array, blur: Array, cell_px: Array) -> float:
    """The tone curve that explains the edge shifts of the photo's larger squares."""
    large = cell_px > 4.0 * blur
    if large.sum() < 3:
        large = cell_px >= np.sort(cell_px)[-min(3, len(cell_px))]
    return float(np.clip(np.median((shift / (_SHIFT_PER_TONE * blur))[large]), -0.5, 0.95))
