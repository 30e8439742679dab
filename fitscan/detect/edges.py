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

from fitscan.detect.field import corner_field, normals
from fitscan.detect.pattern import ALONG, edge_points
from fitscan.detect.profile import Borders, Offsets, Profiles, fit_profiles, read_grey
from fitscan.detect.shape import Projector, Shapes, shapes_of
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS

__all__ = ["EdgeResult", "measure_edges"]

Bools = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.intp]

_SAMPLES = 11
_FIRST_REACH_PX, _WIDE_REACH_PX = 5.5, 14.0
"""Half length of a profile before the blur is known. The longer one is for squares that the first
shows to be out of focus: it saw the middle of their edges."""

_OUT_OF_FOCUS_PX = 1.5
_REACH, _SHORTEST_PX = 3.0, 2.5
"""Half length over blur in the later passes, and the shortest."""

_FIRST_BLURS, _WIDE_BLURS = (0.72, 1.21, 2.05), (1.21, 2.05, 3.46, 5.85)
"""Tried first, px; the second where the first show that a square is out of focus."""

_BLUR_RATIO, _BLUR_LIMITS = 1.3, (0.55, 7.6)
"""Steps and limits of the closer search."""

_BLUR_EVERY = 2
"""Of the points of a thin pass, every how many-th the blur is sought with."""

_MOST_MISFIT = 3.0
"""What one point's misfit counts for at most, in medians of its square."""

_HOPELESS = 0.4
"""A square of which the thin passes have seen less is not read as a whole."""

_LAST_PASSES, _SETTLED_PX = 3, 0.1
"""How often all points of a square are read at most, and a change of its corners that is small
enough to end with: the next would be a tenth of it."""

_FLOOR_PX = 0.012
"""What repeated photos of the same corner scatter by even without noise (JPEG, demosaicing)."""

_SHIFT_SIGMA_PX = 3.0
_HARDLY_SEEN = 0.15
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
class _Sight:
    """Where the borders of n squares should be, k points each (padded), and how they may move.

    Attributes:
        points: what profiles are compared with, all n k points one after another.
        base, normal: (n, k, 2) px, normals towards growing u or v.
        field: (n, k, 2, 8) how the points move with the corners.
        dimming: (n, k, 3) how far the points move against their normal with the edge shift in the
            middle and its change towards u and v.
        design: (n, k, 11) the same along the normals.
        near: (2, n, k) where along the normal the next borders behind and ahead should be, px.
        slope, rate: (n, k), see `Profiles`.
    """

    points: Borders
    base: Array
    normal: Array
    field: Array
    dimming: Array
    design: Array
    near: Array
    slope: Array
    rate: Array

    @staticmethod
    def of(shapes: Shapes, rows: Rows, tag_ids: list[int], *, thin: bool) -> _Sight:
        """Of some of the squares; `thin` takes only the middle of each cell's side."""
        every = slice(len(ALONG) // 2, None, len(ALONG)) if thin else slice(None)
        sets = [edge_points(t) for t in tag_ids]
        length = np.array([len(s.axis[every]) for s in sets])
        most = int(length.max())
        real = np.arange(most) < length[:, None]
        start = np.cumsum(length) - length
        # What is missing at a row's end repeats its first point.
        take = start[:, None] + np.where(real, np.arange(most), 0)

        def padded(name: str) -> Array:
            return np.asarray(np.concatenate([getattr(s, name)[every] for s in sets])[take])

        shape = shapes.at(rows, padded("number").astype(np.intp))
        patch = np.ascontiguousarray(padded("patch").reshape(-1, 4, 3).transpose(1, 2, 0))
        across = padded("across").ravel()
        points = Borders(patch.astype(np.float32), across.astype(np.float32), real.ravel())
        uv = padded("uv") * (2.0 / CELLS)
        field = corner_field(uv, shape.base, shapes.corners[rows])
        normal = normals(shape.run, shape.ahead)
        forwards = np.sum(normal * shape.ahead, axis=-1)
        dimming = np.concatenate([np.ones((*real.shape, 1)), uv], axis=2)
        dimming *= padded("polarity")[..., None]
        design = np.concatenate([np.einsum("nkd,nkdc->nkc", normal, field), -dimming], axis=2)
        curve = 0.5 * np.sum(normal * shape.bend, axis=-1)
        # The gradient in the picture of the place along the border.
        turned = np.stack([-shape.ahead[..., 1], shape.ahead[..., 0]], axis=-1)
        turned /= _not_zero(np.sum(turned * shape.run, axis=-1))[..., None]
        return _Sight(
            points, shape.base, normal, field, dimming, design,
            np.stack([curve - forwards, curve + forwards]),
            np.sum(turned * normal, axis=-1), np.linalg.norm(turned, axis=-1),
        )  # fmt: skip

    @property
    def size(self) -> tuple[int, int]:
        """Squares n, points k of each."""
        return self.slope.shape[0], self.slope.shape[1]

    def read(self, grey: npt.NDArray[np.uint8], change: Array, most: Array) -> Profiles:
        """Profiles of all n k points, one after another.

        Args:
            grey: (h, w).
            change: (n, 11) corner shifts and edge shifts so far.
            most: (n,) longest half profile, px.
        """
        shift = np.einsum("nkdc,nc->nkd", self.field, change[:, :8])
        inwards = np.einsum("nkc,nc->nk", self.dimming, change[:, 8:])
        place = self.base + shift - inwards[..., None] * self.normal
        cell_px = np.minimum(-self.near[0], self.near[1])
        reach = np.maximum(np.minimum(0.9 * cell_px, most[:, None]), 1.6)
        step = (2.0 * reach / (_SAMPLES - 1)).ravel()
        normal = self.normal.reshape(-1, 2)
        values, inside = read_grey(grey, place.reshape(-1, 2), normal, step, _SAMPLES)
        single = np.float32
        return Profiles(
            values,
            inside,
            step.astype(single),
            self.near.reshape(2, -1).astype(single),
            self.slope.ravel().astype(single),
            self.rate.ravel().astype(single),
        )


def measure_edges(
    grey: npt.NDArray[np.uint8],
    tag_ids: list[int],
    project: Projector,
    *,
    start: Array | None = None,
    tone: float | None = None,
    uneven_px: float = 0.003,
) -> EdgeResult:
    """Measure n squares in one photo, starting from their predicted places.

    Two passes on a third of the points find where the squares are and how blurred; the last one,
    from there, reads all of them.

    Args:
        grey: (h, w).
        tag_ids: of the n squares.
        project: where places on the squares, in cells (the black square is -4 to 4), should be.
        start: (n, 4, 2) shifts of the corners in pixels with which to begin, for squares that a
            first look found elsewhere than predicted.
        tone: of the photo from an earlier measurement; estimated if None.
        uneven_px: by how much the edge shift may change from a square's middle to its side.
    """
    n = len(tag_ids)
    shapes = shapes_of(project, n)
    everyone = np.arange(n)
    thin = _Sight.of(shapes, everyone, tag_ids, thin=True)
    begin = np.zeros((n, 8)) if start is None else start.reshape(n, 8)
    total = np.concatenate([begin, np.zeros((n, 3))], axis=1)
    curve = 0.0 if tone is None else tone
    profiles, blur = _first_blur(thin, grey, total)
    fit = _fit_squares(thin, profiles, blur, curve, uneven_px)
    total = total + fit.change
    if tone is None:
        cell_px = thin.near[1].min(axis=1)
        curve = _tone(total[:, 8], blur, cell_px)
        # The curve now explains what the edge shift did before.
        total[:, 8] -= curve * _SHIFT_PER_TONE * blur
    reach = np.where(blur > _OUT_OF_FOCUS_PX, _WIDE_REACH_PX, _REACH * blur)
    profiles = thin.read(grey, total, np.maximum(reach, _SHORTEST_PX))
    blur = _closer_blur(profiles, thin, blur)
    fit = _fit_squares(thin, profiles, blur, curve, uneven_px)
    total = total + fit.change
    rows = np.flatnonzero(fit.seen >= _HOPELESS)
    for _ in range(_LAST_PASSES):
        if len(rows) == 0:
            break
        whole = _Sight.of(shapes, rows, [tag_ids[i] for i in rows], thin=False)
        reach = np.maximum(_REACH * blur[rows], _SHORTEST_PX)
        profiles = whole.read(grey, total[rows], reach)
        last = _fit_squares(whole, profiles, blur[rows], curve, uneven_px)
        total[rows] += last.change
        fit = fit.put(rows, last)
        rows = rows[np.abs(last.change[:, :8]).max(axis=1) > _SETTLED_PX]
    observed = np.concatenate([shapes.corners.reshape(n, 8) + total[:, :8], total[:, 8:9]], axis=1)
    moved = np.linalg.norm((total[:, :8] - begin).reshape(n, 4, 2), axis=2).max(axis=1)
    away = np.linalg.norm(total[:, :8].reshape(n, 4, 2), axis=2).max(axis=1)
    return EdgeResult(
        observed,
        fit.covariance,
        fit.seen,
        fit.scatter,
        fit.contrast,
        blur,
        moved,
        away,
        fit.points,
        curve,
    )


def _not_zero(values: Array) -> Array:
    return np.where(np.abs(values) > 1e-12, values, 1e-12)


def _tone(shift: Array, blur: Array, cell_px: Array) -> float:
    """The tone curve that explains the edge shifts of the photo's larger squares."""
    large = cell_px > 4.0 * blur
    if large.sum() < 3:
        large = cell_px >= np.sort(cell_px)[-min(3, len(cell_px))]
    return float(np.clip(np.median((shift / (_SHIFT_PER_TONE * blur))[large]), -0.5, 0.95))


class _Misfit:
    """How badly blurs explain the profiles of n squares: the mean over some of their points.

    Hidden borders shall not choose: none counts for more than a few times the median. (The median
    alone scatters by twice as much.)
    """

    def __init__(self, profiles: Profiles, sight: _Sight) -> None:
        n, k = sight.size
        self.every = np.arange(n * k).reshape(n, k)[:, ::_BLUR_EVERY]
        self.profiles, self.points = profiles, sight.points

    def __call__(self, blur: Array, rows: Rows) -> Array:
        """Of some squares (m,), each with its own blur (m,)."""
        every = self.every[rows]
        some, few = self.profiles.take(every.ravel()), self.points.take(every.ravel())
        fit = fit_profiles(some, few, np.repeat(blur, every.shape[1]))
        use = (some.inside & few.real).reshape(every.shape)
        misfit = fit.misfit.reshape(every.shape)
        most = _MOST_MISFIT * _median_of(misfit, use, 0.0)
        total = np.where(use, np.minimum(misfit, most[:, None]), 0.0).sum(axis=1)
        return np.asarray(total / np.maximum(use.sum(axis=1), 1))


def _first_blur(
    sight: _Sight, grey: npt.NDArray[np.uint8], change: Array
) -> tuple[Profiles, Array]:
    """The first profiles, and roughly with which blur (n,) in px they are explained best."""
    n = sight.size[0]
    rows = np.arange(n)
    profiles = sight.read(grey, change, np.full(n, _FIRST_REACH_PX))
    best = _best_of(_FIRST_BLURS, _Misfit(profiles, sight), rows)
    wide = best > _OUT_OF_FOCUS_PX
    if wide.any():
        profiles = sight.read(grey, change, np.where(wide, _WIDE_REACH_PX, _FIRST_REACH_PX))
        best[wide] = _best_of(_WIDE_BLURS, _Misfit(profiles, sight), rows[wide])
    return profiles, best


def _best_of(blurs: tuple[float, ...], misfit: _Misfit, rows: Rows) -> Array:
    """The best between some blurs in equal ratios."""
    cost = np.stack([misfit(np.full(len(rows), b), rows) for b in blurs])
    best = np.clip(np.argmin(cost, axis=0), 1, len(blurs) - 2)
    move = _lowest(np.stack([cost[best + d, np.arange(len(rows))] for d in (-1, 0, 1)]))
    return np.asarray(np.array(blurs)[best] * (blurs[1] / blurs[0]) ** move)


def _lowest(cost: Array) -> Array:
    """Where a parabola through the logarithms of three costs (3, n) is lowest, -1 to 1."""
    a, b, c = np.log(cost + 1e-9)
    bend = a - 2.0 * b + c
    move = np.where(bend > 1e-9, 0.5 * (a - c) / np.where(bend > 1e-9, bend, 1.0), np.sign(a - c))
    return np.asarray(np.clip(move, -1.0, 1.0))


def _closer_blur(profiles: Profiles, sight: _Sight, blur: Array) -> Array:
    """Blur (n,) in px with which each square's profiles are explained best, from a near one."""
    misfit = _Misfit(profiles, sight)
    rows = np.arange(len(blur))
    steps = (1.0 / _BLUR_RATIO, 1.0, _BLUR_RATIO)
    cost = np.stack([misfit(blur * s, rows) for s in steps])
    middle = blur.copy()
    # Once more where the best is not in the middle.
    for end, behind in ((0, 2), (2, 0)):
        go = np.flatnonzero(np.argmin(cost, axis=0) == end)
        if len(go):
            middle[go] *= steps[end]
            cost[behind, go], cost[1, go] = cost[1, go], cost[end, go]
            cost[end, go] = misfit(middle[go] * steps[end], go)
    return np.asarray(np.clip(middle * _BLUR_RATIO ** _lowest(cost), *_BLUR_LIMITS))


@dataclass(frozen=True)
class _Fit:
    change: Array
    covariance: Array
    seen: Array
    scatter: Array
    contrast: Array
    points: Array

    def put(self, rows: Rows, other: _Fit) -> _Fit:
        """The same with some of the squares from another fit."""
        out = {name: getattr(self, name).copy() for name in self.__dataclass_fields__}
        for name, values in out.items():
            values[rows] = getattr(other, name)
        return _Fit(**out)


def _median_of(values: Array, use: npt.NDArray[np.bool_], otherwise: float) -> Array:
    """Row medians (n,) of the used values (n, k); `otherwise` where a row uses none."""
    ordered = np.sort(np.where(use, values, np.inf), axis=1)
    count = use.sum(axis=1)
    rows = np.arange(len(values))
    middle = 0.5 * (
        ordered[rows, np.maximum(count - 1, 0) // 2] + ordered[rows, count // 2 % values.shape[1]]
    )
    return np.where(count > 0, middle, otherwise)


def _fit_squares(
    sight: _Sight, profiles: Profiles, blur: Array, tone: float, uneven_px: float
) -> _Fit:
    """Corner shifts and edge shifts (n, 11) of every square from its border points, robustly.

    The covariance is of the corners and the middle's edge shift, marginal over its slopes.
    """
    n, k = sight.size
    design = sight.design
    flat = fit_profiles(profiles, sight.points, np.repeat(blur, k), tone)
    offsets = Offsets(*(getattr(flat, f).reshape(n, k) for f in flat.__dataclass_fields__))
    contrast = _median_of(offsets.contrast, offsets.usable, 0.0)
    usable = offsets.usable & (offsets.contrast > 0.35 * contrast[:, None])
    usable &= offsets.contrast < 2.5 * contrast[:, None]
    weight = np.where(usable, 1.0 / (offsets.sigma**2 + 0.02**2), 0.0)
    prior = np.diag(np.r_[np.full(8, _SHIFT_SIGMA_PX**-2.0), 1.0, np.full(2, uneven_px**-2.0)])
    robust = np.ones((n, k))
    across = np.ascontiguousarray(design.transpose(0, 2, 1))
    scatter = np.full(n, 0.3)
    for _ in range(5):
        w = weight * robust
        weighed = across * w[:, None]
        matrix = weighed @ design + prior
        change = np.linalg.solve(matrix, weighed @ offsets.offset[..., None])
        left = np.abs(offsets.offset - (design @ change)[..., 0])
        scatter = 1.4826 * _median_of(left, usable, 1.0)
        bound = 4.0 * np.maximum(scatter, 0.03)[:, None]
        robust = np.clip(1.0 - (left / bound) ** 2, 0.0, None) ** 2
    agree = usable & (robust > 0.0)
    w = weight * agree
    chi = (w * left**2).sum(axis=1) / np.maximum(agree.sum(axis=1) - 11.0, 1.0)
    covariance = np.linalg.inv(matrix)[:, :9, :9] * np.maximum(chi, 1.0)[:, None, None]
    covariance = covariance + _FLOOR_PX**2 * np.eye(9)
    points = agree.sum(axis=1)
    seen = points / np.maximum(sight.points.real.reshape(n, k).sum(axis=1), 1)
    # The few borders that noise lets agree on a bare wall are no pattern's contrast.
    contrast = np.where(seen < _HARDLY_SEEN, 0.0, contrast)
    return _Fit(change[..., 0], covariance, seen, scatter, contrast, points)
