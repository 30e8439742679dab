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

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.detect.pattern import edge_points
from fitscan.detect.profile import Borders, Offsets, Profiles, fit_profiles, read_grey
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS

__all__ = ["EdgeResult", "Projector", "measure_edges"]

Projector = Callable[[Array], Array]
"""Places (n, k, 2) in cells on n squares -> pixels (n, k, 2)."""

_SAMPLES = 11
_BLURS = np.array([0.55, 0.72, 0.93, 1.21, 1.58, 2.05, 2.66, 3.46, 4.5, 5.85, 7.6])
_FIRST_REACH_PX, _WIDE_REACH_PX = 5.5, 14.0
"""Half length of a profile before the blur is known; afterwards three times the blur. The longer
one is for squares that the first shows to be out of focus: it saw the middle of their edges."""

_OUT_OF_FOCUS_PX = 1.5

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
class _Borders:
    """Padded border points of n squares: see `EdgePoints`.

    Attributes:
        uv: (n, k, 2); axis, polarity: (n, k).
        points: what profiles are compared with, all n k points one after another.
    """

    uv: Array
    axis: Array
    polarity: Array
    points: Borders

    @staticmethod
    def of(tag_ids: list[int]) -> _Borders:
        sets = [edge_points(t) for t in tag_ids]
        most = max(len(s) for s in sets)

        def padded(name: str) -> Array:
            rows = [getattr(s, name) for s in sets]
            pad = [np.concatenate([r, np.repeat(r[:1], most - len(r), axis=0)]) for r in rows]
            return np.stack(pad)

        real = np.arange(most) < np.array([len(s) for s in sets])[:, None]
        patch = np.ascontiguousarray(padded("patch").reshape(-1, 4, 3).transpose(1, 2, 0))
        across = padded("across").ravel()
        points = Borders(patch.astype(np.float32), across.astype(np.float32), real.ravel())
        return _Borders(padded("uv"), padded("axis"), padded("polarity"), points)

    @property
    def real(self) -> npt.NDArray[np.bool_]:
        """(n, k) no padding."""
        return self.points.real.reshape(self.axis.shape)


def measure_edges(
    grey: npt.NDArray[np.uint8],
    tag_ids: list[int],
    project: Projector,
    *,
    start: Array | None = None,
    passes: int = 3,
    tone: float | None = None,
    uneven_px: float = 0.003,
) -> EdgeResult:
    """Measure n squares in one photo, starting from their predicted places.

    Args:
        grey: (h, w).
        tag_ids: of the n squares.
        project: where places on the squares, in cells (the black square is -4 to 4), should be.
        start: (n, 4, 2) shifts of the corners in pixels with which to begin, for squares that a
            first look found elsewhere than predicted.
        passes: how often the prediction is corrected by what was measured.
        tone: of the photo from an earlier measurement; estimated if None.
        uneven_px: by how much the edge shift may change from a square's middle to its side.
    """
    borders = _Borders.of(tag_ids)
    n, most_points = borders.axis.shape
    half = CELLS / 2.0
    corners = np.tile(np.array([[-half, half], [half, half], [half, -half], [-half, -half]]),
                      (n, 1, 1))  # fmt: skip
    base_corners = project(corners)
    base = project(borders.uv)
    along, bend = _slopes(project, borders.uv, base)
    field = _field(borders.uv / half, base, base_corners)
    normal = _normals(along, borders.axis)
    dimming = np.concatenate([np.ones((n, most_points, 1)), borders.uv / half], axis=2)
    dimming = dimming * borders.polarity[..., None]
    design = np.concatenate([np.einsum("nkd,nkdc->nkc", normal, field), -dimming], axis=2)
    begin = np.zeros((n, 8)) if start is None else start.reshape(n, 8)
    total = np.concatenate([begin, np.zeros((n, 3))], axis=1)
    blur = np.full(n, 1.0)
    fit: _Fit | None = None
    curve = 0.0 if tone is None else tone
    for number in range(passes):
        shift = np.einsum("nkdc,nc->nkd", field, total[:, :8])
        inwards = np.einsum("nkc,nc->nk", dimming, total[:, 8:])
        place = base + shift - inwards[..., None] * normal
        most = np.full(n, _FIRST_REACH_PX) if number == 0 else np.maximum(3.0 * blur, 3.0)
        profiles = _read(grey, place, normal, along, bend, borders.axis, most)
        if number == 0:
            blur = _best_blur(profiles, borders)
            wide = blur > _OUT_OF_FOCUS_PX
            if wide.any():
                most = np.where(wide, _WIDE_REACH_PX, _FIRST_REACH_PX)
                profiles = _read(grey, place, normal, along, bend, borders.axis, most)
                blur = np.where(wide, _best_blur(profiles, borders), blur)
        offsets = fit_profiles(profiles, borders.points, np.repeat(blur, most_points), curve)
        fit = _fit_squares(offsets, borders, design, uneven_px)
        total = total + fit.change
        if number == 0 and passes > 1 and tone is None:
            curve = _tone(total[:, 8], blur, profiles.near[1].reshape(n, -1).min(axis=1))
            # The curve now explains what the edge shift did before.
            total[:, 8] -= curve * _SHIFT_PER_TONE * blur
    assert fit is not None
    observed = np.concatenate([base_corners.reshape(n, 8) + total[:, :8], total[:, 8:9]], axis=1)
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


def _slopes(project: Projector, uv: Array, base: Array) -> tuple[Array, Array]:
    """First and second differences of the projection over one cell each way, along u and v.

    Returns:
        d pixels / d uv (n, k, 2 px, 2 uv); second derivatives by u and by v (n, k, 2 px, 2). On a
        cylinder seen at a slant the cells shrink towards the limb: without the second term the
        neighbouring borders would be looked for in the wrong place.
    """
    first, second = [], []
    for axis in range(2):
        step = np.eye(2)[axis]
        ahead, behind = project(uv + step), project(uv - step)
        first.append(0.5 * (ahead - behind))
        second.append(ahead - 2.0 * base + behind)
    return np.stack(first, axis=-1), np.stack(second, axis=-1)


def _field(uv: Array, base: Array, corners: Array) -> Array:
    """How points move when the corners do: (n, k, 2, 8) for places uv in -1 to 1.

    The eight small changes of a plane's projection: an affine field, six numbers, and two of
    perspective, (p - centre) * (g u + h v), in pixels p.
    """

    def span(places: Array, pixels: Array) -> Array:
        one = np.ones(places.shape[:-1])
        u, v = places[..., 0], places[..., 1]
        centre = corners.mean(axis=1)[:, None]
        out = np.zeros((*places.shape[:-1], 2, 8))
        for axis in range(2):
            out[..., axis, 3 * axis], out[..., axis, 3 * axis + 1] = one, u
            out[..., axis, 3 * axis + 2] = v
        # Divided by the square's size, so that all columns are alike in magnitude.
        away = (pixels - centre) / np.ptp(corners, axis=1).max(axis=1)[:, None, None]
        out[..., 6], out[..., 7] = away * u[..., None], away * v[..., None]
        return out

    unit = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    at_corners = span(np.tile(unit, (len(uv), 1, 1)), corners).reshape(-1, 8, 8)
    return np.asarray(span(uv, base) @ np.linalg.inv(at_corners)[:, None])


def _normals(along: Array, axis: Array) -> Array:
    """Unit normals (n, k, 2) in the picture of the borders, towards growing u or v."""
    run = np.where((axis == 0)[..., None], along[..., 1], along[..., 0])
    ahead = np.where((axis == 0)[..., None], along[..., 0], along[..., 1])
    normal = np.stack([-run[..., 1], run[..., 0]], axis=-1)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-12)
    sign = np.sign(np.sum(normal * ahead, axis=-1, keepdims=True))
    return np.asarray(normal * np.where(sign == 0, 1.0, sign))


def _read(
    grey: npt.NDArray[np.uint8],
    place: Array,
    normal: Array,
    along: Array,
    bend: Array,
    axis: Array,
    most: Array,
) -> Profiles:
    """Profiles of all n k points, one after another."""
    own = (axis == 0)[..., None]
    ahead = np.where(own, along[..., 0], along[..., 1])
    curve = 0.5 * np.where(own, bend[..., 0], bend[..., 1])
    near = np.stack(
        [np.sum(normal * (curve - ahead), axis=-1), np.sum(normal * (curve + ahead), axis=-1)]
    )
    inverse = _inverse(along)  # d uv / d px, (n, k, 2 uv, 2 px)
    other = np.where(own, inverse[..., 1, :], inverse[..., 0, :])
    slope = np.sum(other * normal, axis=-1)
    cell_px = np.minimum(-near[0], near[1])
    reach = np.maximum(np.minimum(0.9 * cell_px, most[:, None]), 1.6)
    spacing = (2.0 * reach / (_SAMPLES - 1)).ravel()
    values, inside = read_grey(grey, place.reshape(-1, 2), normal.reshape(-1, 2), spacing, _SAMPLES)
    single = np.float32
    return Profiles(
        values,
        inside,
        spacing.astype(single),
        near.reshape(2, -1).astype(single),
        slope.ravel().astype(single),
        np.linalg.norm(other, axis=-1).ravel().astype(single),
    )


def _inverse(along: Array) -> Array:
    """Inverses of matrices (n, k, 2, 2)."""
    a, b, c, d = along[..., 0, 0], along[..., 0, 1], along[..., 1, 0], along[..., 1, 1]
    out = np.stack([np.stack([d, -b], axis=-1), np.stack([-c, a], axis=-1)], axis=-2)
    det = a * d - b * c
    return np.asarray(out / np.where(np.abs(det) > 1e-12, det, 1e-12)[..., None, None])


def _tone(shift: Array, blur: Array, cell_px: Array) -> float:
    """The tone curve that explains the edge shifts of the photo's larger squares."""
    large = cell_px > 4.0 * blur
    if large.sum() < 3:
        large = cell_px >= np.sort(cell_px)[-min(3, len(cell_px))]
    return float(np.clip(np.median((shift / (_SHIFT_PER_TONE * blur))[large]), -0.5, 0.95))


def _best_blur(profiles: Profiles, borders: _Borders) -> Array:
    """Blur (n,) in px with which each square's profiles are explained best."""
    n, k = borders.axis.shape
    every = np.arange(n * k).reshape(n, k)[:, ::4].ravel()
    some, few = profiles.take(every), borders.points.take(every)
    # Hidden borders shall not choose: the median keeps them out.
    use = (some.inside & few.real).reshape(n, -1)
    cost = np.empty((len(_BLURS), n))
    for i, b in enumerate(_BLURS):
        fit = fit_profiles(some, few, np.full(len(every), b))
        cost[i] = _median_of(fit.misfit.reshape(n, -1), use, 0.0)
    best = np.clip(np.argmin(cost, axis=0), 1, len(_BLURS) - 2)
    rows = np.arange(n)
    a, b, c = (np.log(cost[best + d, rows] + 1e-9) for d in (-1, 0, 1))
    bend = a - 2 * b + c
    move = np.where(np.abs(bend) > 1e-9, 0.5 * (a - c) / np.where(bend == 0, 1.0, bend), 0.0)
    ratio = np.log(_BLURS[1] / _BLURS[0])
    return np.asarray(np.exp(np.log(_BLURS[best]) + np.clip(move, -1, 1) * ratio))


@dataclass(frozen=True)
class _Fit:
    change: Array
    covariance: Array
    seen: Array
    scatter: Array
    contrast: Array
    points: Array


def _median_of(values: Array, use: npt.NDArray[np.bool_], otherwise: float) -> Array:
    """Row medians (n,) of the used values (n, k); `otherwise` where a row uses none."""
    ordered = np.sort(np.where(use, values, np.inf), axis=1)
    count = use.sum(axis=1)
    rows = np.arange(len(values))
    middle = 0.5 * (
        ordered[rows, np.maximum(count - 1, 0) // 2] + ordered[rows, count // 2 % values.shape[1]]
    )
    return np.where(count > 0, middle, otherwise)


def _fit_squares(flat: Offsets, borders: _Borders, design: Array, uneven_px: float) -> _Fit:
    """Corner shifts and edge shifts (n, 11) of every square from its border points, robustly.

    The covariance is of the corners and the middle's edge shift, marginal over its slopes.
    """
    n, k = borders.axis.shape
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
    seen = points / np.maximum(borders.real.sum(axis=1), 1)
    # The few borders that noise lets agree on a bare wall are no pattern's contrast.
    contrast = np.where(seen < _HARDLY_SEEN, 0.0, contrast)
    return _Fit(change[..., 0], covariance, seen, scatter, contrast, points)
