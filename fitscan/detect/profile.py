"""One border's grey profile against the blurred pattern of its tag: how far is the border off?

Arrays hold the samples along the first axis, (t, points), in single precision: this is where a
survey spends its time. Which borders there are, and what their offsets say of a tag, is left to
`pattern` and `edges`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array

__all__ = ["Borders", "Offsets", "Profiles", "Single", "fit_profiles", "read_grey", "step_and_bell"]

Single = npt.NDArray[np.float32]

_AT_ONCE = 2048
"""Points worked on together: their arrays then stay in the processor's own memory."""

_GREY_NOISE = 1.0

_SIGN = np.int32(-(2**31))
"""The bit that tells the sign of a number in single precision."""


@dataclass(frozen=True)
class Borders:
    """Places (p,) of borders on their tags, see `EdgePoints`.

    Attributes:
        patch: (4, 3, p) whiteness of the cells along and across.
        across: (p,) cells from the middle of the point's own row.
        real: (p,) no padding.
    """

    patch: Single
    across: Single
    real: npt.NDArray[np.bool_]

    def take(self, points: slice | npt.NDArray[np.intp]) -> Borders:
        """Some of the points."""
        return Borders(self.patch[:, :, points], self.across[points], self.real[points])


@dataclass(frozen=True)
class Profiles:
    """Grey values along the normals of p borders.

    Attributes:
        grey: (t, p).
        inside: (p,) whole profile within the photo.
        step: (p,) pixels between samples; the middle one is on the predicted border.
        near: (2, p) pixels along the normal where the next borders behind and ahead would be.
        slope: (p,) cells across per pixel along the normal.
        rate: (p,) cells of blur across per pixel of blur.
    """

    grey: Single
    inside: npt.NDArray[np.bool_]
    step: Single
    near: Single
    slope: Single
    rate: Single

    def take(self, points: slice | npt.NDArray[np.intp]) -> Profiles:
        """Some of the points."""
        return Profiles(
            self.grey[:, points], self.inside[points], self.step[points], self.near[:, points],
            self.slope[points], self.rate[points],
        )  # fmt: skip

    def put(self, points: npt.NDArray[np.intp], other: Profiles) -> None:
        """Replace some of the points by others in as many samples."""
        for name in self.__dataclass_fields__:
            getattr(self, name)[..., points] = getattr(other, name)


@dataclass(frozen=True)
class Offsets:
    """Per border point (p,): offset px, its sigma, contrast, whether it can be used, misfit."""

    offset: Array
    sigma: Array
    contrast: Array
    usable: npt.NDArray[np.bool_]
    misfit: Array


def step_and_bell(z: Single) -> tuple[Single, Single]:
    """The normal distribution and its density, to 3e-7 (single precision).

    Abramowitz and Stegun, "Handbook of Mathematical Functions", 1964, formula 26.2.17. Eight times
    as fast as calling both functions of SciPy, because one exponential serves both.
    """
    one = np.float32
    t = np.abs(z)
    t *= one(0.2316419)
    t += one(1.0)
    np.reciprocal(t, out=t)
    bell = z * z
    bell *= one(-0.5)
    np.exp(bell, out=bell)
    bell *= one(0.3989422804)
    tail = t * one(1.330274429)
    for c in (-1.821255978, 1.781477937, -0.356563782, 0.319381530):
        tail += one(c)
        tail *= t
    tail *= bell
    # Half less the tail, with the sign of z: as bits it is a third of the time.
    np.subtract(one(0.5), tail, out=tail)
    sign = z.view(np.int32) & _SIGN
    bits = tail.view(np.int32)
    bits |= sign
    tail += one(0.5)
    return tail, bell


def read_grey(
    grey: npt.NDArray[np.uint8], place: Array, normal: Array, step: Array, samples: int
) -> tuple[Single, npt.NDArray[np.bool_]]:
    """Grey values (t, p) along normals through places (p, 2) px, and which lie inside (p,).

    Between pixels the values are interpolated in both directions.
    """
    height, width = grey.shape
    half = 0.5 * (samples - 1) * step[:, None] * np.abs(normal)
    low, high = place - half, place + half
    limit = np.array([width - 1.0, height - 1.0])
    with np.errstate(invalid="ignore"):
        inside = np.asarray(((low >= 0.0) & (high < limit)).all(axis=1))
    # Whole pixels are split off before single precision sets in.
    whole = np.floor(np.where(inside[:, None], place, limit // 2))
    rest = np.where(inside[:, None], place - whole, 0.0).astype(np.float32)
    way = np.where(inside, step, 0.0)[:, None] * normal
    t = (np.arange(samples, dtype=np.float32) - np.float32(0.5 * (samples - 1)))[:, None]
    x = rest[:, 0] + t * way[:, 0].astype(np.float32)
    y = rest[:, 1] + t * way[:, 1].astype(np.float32)
    x0, y0 = np.floor(x), np.floor(y)
    x -= x0
    y -= y0
    flat = grey.reshape(-1)
    start = y0.astype(np.int32) * np.int32(width) + x0.astype(np.int32)
    start += (whole[:, 1] * width + whole[:, 0]).astype(np.int32)
    # A sample on the very edge of what is inside may round to the next pixel.
    np.clip(start, 0, flat.size - width - 2, out=start)

    def between(first: npt.NDArray[np.int32]) -> Single:
        left = flat[first].astype(np.float32)
        right = flat[first + 1].astype(np.float32)
        right -= left
        right *= x
        right += left
        return right

    top = between(start)
    start += np.int32(width)
    low_row = between(start)
    low_row -= top
    low_row *= y
    low_row += top
    return low_row, inside


def _pattern(p: Profiles, b: Borders, blur: Single) -> tuple[Single, Single]:
    """The blurred pattern S (t, p) along the profiles, and dS/dt per pixel.

    Along the normal the three nearest borders stand where the projection puts them, in pixels;
    across it the row's own two sides do, in cells.
    """
    samples = len(p.grey)
    t = (np.arange(samples, dtype=np.float32) - np.float32(0.5 * (samples - 1)))[:, None]
    narrow = 1.0 / blur
    narrow_y = 1.0 / np.maximum(blur * p.rate, np.float32(1e-6))
    y_step = p.step * p.slope * narrow_y
    y = b.across * narrow_y
    below, bell_low = step_and_bell(t * y_step + (y + np.float32(0.5) * narrow_y))
    above, bell_high = step_and_bell(t * y_step + (y - np.float32(0.5) * narrow_y))
    # How both change along the profile.
    bell_low *= p.slope * narrow_y
    bell_high *= p.slope * narrow_y
    first = b.patch[0]
    value = below * (first[1] - first[0])
    value += above * (first[2] - first[1])
    value += first[0]
    slope = bell_low * (first[1] - first[0]) + bell_high * (first[2] - first[1])
    along = np.zeros_like(value)
    for i, at in enumerate((p.near[0], np.float32(0.0), p.near[1])):
        rise = b.patch[i + 1] - b.patch[i]
        low, high = rise[1] - rise[0], rise[2] - rise[1]
        step, bell = step_and_bell(t * (p.step * narrow) - at * narrow)
        mixed = below * low
        mixed += above * high
        mixed += rise[0]
        value += mixed * step
        mixed *= bell
        along += mixed
        turn = bell_low * low
        turn += bell_high * high
        turn *= step
        slope += turn
    along *= narrow
    slope += along
    return value, slope


def fit_profiles(profiles: Profiles, borders: Borders, blur: Array, tone: float = 0.0) -> Offsets:
    """Least squares of level, contrast and offset in every profile (three unknowns each).

    Args:
        profiles: p points.
        borders: the same points.
        blur: (p,) px.
        tone: g of the photo's tone curve.
    """
    count = len(borders.real)
    wide = blur.astype(np.float32)
    out = [np.empty(count) for _ in range(4)]
    usable = np.empty(count, dtype=bool)
    for at in range(0, count, _AT_ONCE):
        some = slice(at, min(at + _AT_ONCE, count))
        fit = _fit(profiles.take(some), borders.take(some), wide[some], np.float32(tone))
        for whole, part in zip(out, (fit.offset, fit.sigma, fit.contrast, fit.misfit), strict=True):
            whole[some] = part
        usable[some] = fit.usable
    return Offsets(out[0], out[1], out[2], usable, out[3])


def _fit(p: Profiles, b: Borders, blur: Single, tone: np.float32) -> Offsets:
    value, slope = _pattern(p, b, blur)
    if tone != 0.0:
        bend = value * (-2.0 * tone)
        bend += 1.0 + tone
        slope *= bend
        bend += 1.0 + tone  # now 2 + 2 g - 2 g S, twice the factor that takes S to h(S)
        value *= bend
        value *= np.float32(0.5)
    samples = len(value)
    v = value - _mean(value)
    s = slope - _mean(slope)
    g = p.grey - _mean(p.grey)
    # The sums are few: in double precision their differences keep their digits.
    vv, ss, vs = _dot(v, v), _dot(s, s), _dot(v, s)
    vg, sg = _dot(v, g), _dot(s, g)
    det = vv * ss - vs * vs
    good = det > 1e-9
    safe = np.where(good, det, 1.0)
    contrast = (ss * vg - vs * sg) / safe
    push = (vv * sg - vs * vg) / safe
    v *= contrast.astype(np.float32)
    s *= push.astype(np.float32)
    g -= v
    g -= s
    left = _dot(g, g)
    # Samples closer than a pixel are not independent.
    density = np.minimum(p.step, 1.0).astype(np.float64)
    independent = np.maximum(samples * density - 3.0, 1.0)
    noise = left * density / independent + _GREY_NOISE**2
    strong = good & (contrast > 8.0)
    c = np.where(strong, contrast, 1.0)
    sigma = np.sqrt(noise * vv / safe / density) / c
    offset = -push / c
    usable = strong & p.inside & b.real & (np.abs(offset) < 2.5)
    return Offsets(offset, sigma, np.where(good, contrast, 0.0), usable, left)


def _mean(a: Single) -> Single:
    """Means (p,) over the samples; NumPy's own takes twice as long."""
    return np.asarray(np.add.reduce(a, axis=0) * np.float32(1.0 / len(a)))


def _dot(a: Single, b: Single) -> Array:
    """Sums (p,) over the samples."""
    return np.asarray(np.einsum("tp,tp->p", a, b), dtype=np.float64)
