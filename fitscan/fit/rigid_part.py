"""The rigid part of a set of displacements, what is left as bending, and what cannot be told.

What the rigid part is. As long as all markers agree with one rigid motion (global test), it is
their best fit. If they do not, the part is bent, and its rigid part is a matter of definition:
here it is the best fit over the markers that moved together, all of them being taken as bent at
random by the amount by which the middle one of them is. That amount counts in the uncertainty of
the rigid part, because another choice of markers would give another motion.

Where displacements come from is left to `displacement`, what to move to `moves`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitscan.adjust.chi_squared import chi2_isf, chi2_sf
from fitscan.fit.align import ALPHA
from fitscan.fit.congruency import Net, congruent_points
from fitscan.fit.displacement import Displacements
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array, exp

__all__ = ["Blind", "RigidPart", "rigid_part"]

_ANY_TURN_RAD = np.radians(5.0)
_ANY_SHIFT_MM = 50.0
"""Standard deviations of a part's motion before any measurement. They only count where the markers
say nothing: the turn about a line along which all of them lie, the slide along tubes that all run
one way."""

_BLIND_DEG = 1.0
_BLIND_MM = 5.0
"""Expanded uncertainty of a turn or a slide beyond which it counts as not measured."""

_MOST_ROUNDS = 12
_TURN_ROUNDS = 3
_ALIKE_MM = 1e-3
_SCATTER_MM = 1e-6


@dataclass(frozen=True)
class Blind:
    """A motion that the markers do not fix.

    Attributes:
        turn: whether it is a turn about the direction, otherwise a slide along it.
        direction: (3,) unit vector in the told frame.
    """

    turn: bool
    direction: Array


@dataclass(frozen=True)
class RigidPart:
    """Rigid motion and bending; `d` are the displacements it was found in.

    Attributes:
        reference: (3,) point about which it turns: the middle of the sites.
        motion: (6,) turn rad, shift mm.
        covariance: (6, 6) of it, the bending's chance included.
        measured: (6, 6) of it as the same combination of the displacements, bending not counted.
        together: sites that moved together and define it.
        bending_mm: standard deviation of bending per direction, 0 when none is proven.
        left: (m,) displacements less the rigid part.
        keep: (m, m) that makes it of the displacements.
        left_covariance: (m, m) as measured.
        significance: (n,) probability that chance alone leaves as much at a site.
        bent: (n,) whether that is bending, proven.
        blind: motions that the sites do not fix.
    """

    reference: Array
    motion: Array
    covariance: Array
    measured: Array
    together: tuple[int, ...]
    bending_mm: float
    left: Array
    keep: Array
    left_covariance: Array
    significance: Array
    bent: tuple[bool, ...]
    blind: tuple[Blind, ...]


def rigid_part(d: Displacements, alpha: float = ALPHA) -> RigidPart:
    """Split displacements into a rigid motion and what is left.

    Args:
        d: displacements.
        alpha: false alarm rate of the test whether there is bending at all.
    """
    reference = d.places.mean(axis=0)
    given, design = d, d.motion(reference)
    out = _split(given, design, reference, alpha)
    # A large turn is no longer proportional to its angle: take off what it is more.
    for _ in range(_TURN_ROUNDS):
        more = _exact(given, reference, out.motion) - design @ out.motion
        if float(np.abs(more).max()) < _ALIKE_MM:
            break
        out = _split(replace(given, values=given.values - more), design, reference, alpha)
    return out


def _exact(d: Displacements, reference: Array, motion: Array) -> Array:
    """Displacements (m,) that a motion of any size makes."""
    turn = exp(motion[:3])
    out = []
    for site in d.sites:
        arm = site.place - reference
        away = turn @ arm - arm + motion[3:]
        if site.line_only and site.axis is not None:
            # The place on the moved line that lies beside the recorded place.
            ahead = turn @ site.axis
            away = away - ahead * (site.axis @ away) / (site.axis @ ahead)
        out.append(site.ways @ away)
    return np.concatenate(out)


def _split(d: Displacements, design: Array, reference: Array, alpha: float) -> RigidPart:
    """One linear round of `rigid_part`."""
    net = Net(d.values, d.covariance, design, d.sizes, prior=_prior())
    everything = list(range(len(d.sites)))
    least = max(3, (len(d.sites) + 1) // 2)
    found = congruent_points(net, alpha, least=least)
    bending = 0.0
    together = list(found.stable) if found.agreed else everything
    bent_at_all = bool(found.moved) or not found.agreed
    if bent_at_all:
        together, bending = _together(d, design, together, least, alpha)
    gain = _gain(d, design, together, bending)
    motion = gain @ d.values
    missed = (np.eye(6) - gain @ design) @ np.diag([_ANY_TURN_RAD] * 3 + [_ANY_SHIFT_MM] * 3)
    measured = gain @ d.covariance @ gain.T + missed @ missed.T
    scatter = np.zeros(len(d.values))
    scatter[net.rows(together)] = bending**2
    covariance = measured + (gain * scatter) @ gain.T
    keep = np.eye(len(d.values)) - design @ gain
    left, left_covariance = keep @ d.values, keep @ d.covariance @ keep.T
    significance = np.array([_chance(d, i, left, left_covariance) for i in everything])
    bent = tuple(bool(bent_at_all and p < alpha / len(everything)) for p in significance)
    return RigidPart(
        reference, motion, covariance, measured, tuple(together), bending, left, keep,
        left_covariance, significance, bent, () if d.free else _blind(d, reference, covariance),
    )  # fmt: skip


def _prior() -> Array:
    return np.array([_ANY_TURN_RAD**-2] * 3 + [_ANY_SHIFT_MM**-2] * 3)


def _gain(d: Displacements, design: Array, together: list[int], bending: float) -> Array:
    """The motion (6, m) as a combination of the displacements of some sites."""
    scattered = d.covariance + bending**2 * np.eye(len(d.values))
    net = Net(d.values, scattered, design, d.sizes, prior=_prior())
    gain = np.zeros((6, len(d.values)))
    gain[:, net.rows(together)] = net.projected(together)[1]
    return gain


def _together(
    d: Displacements, design: Array, start: list[int], least: int, alpha: float
) -> tuple[list[int], float]:
    """Sites that moved together within the bending that the middle one of all sites shows."""
    together, bending = start, 0.0
    seen: set[tuple[int, ...]] = set()
    count = len(d.sites)
    for _ in range(_MOST_ROUNDS):
        gain = _gain(d, design, together, bending)
        keep = np.eye(len(d.values)) - design @ gain
        left, covariance = keep @ d.values, keep @ d.covariance @ keep.T
        # The motion has taken some of the scatter along.
        spare = len(d.values) / max(len(d.values) - 6.0, 1.0)
        bending = float(np.sqrt(spare)) * _middle_scatter(d, left, covariance)
        inside = [
            i
            for i in range(count)
            if _square(d, i, left, covariance, bending) <= chi2_isf(alpha / count, d.sizes[i])
        ]
        if len(inside) < least:
            inside = list(range(count))
        if tuple(inside) in seen:
            break
        seen.add(tuple(inside))
        together = inside
    return together, bending


def _middle_scatter(d: Displacements, left: Array, covariance: Array) -> float:
    """Bending per direction, in mm, with which the middle site is as far off as it should be."""
    # Along its block's own directions a site's square is a plain sum at any bending.
    own = [np.linalg.eigh(covariance[rows, rows]) for rows in map(d.rows, range(len(d.sites)))]
    spread = np.concatenate([values for values, _ in own]).clip(min=0.0)
    along = np.concatenate([vectors.T @ left[d.rows(i)] for i, (_, vectors) in enumerate(own)])
    first = np.cumsum([0, *d.sizes[:-1]])
    usual = chi2_isf(0.5, d.sizes)

    def excess(bending: float) -> float:
        squares = np.add.reduceat(along**2 / (spread + bending**2 + 1e-12), first)
        # As `numpy.median`, which loads the masked arrays first.
        order = np.sort(squares / usual)
        return 0.5 * float(order[(len(order) - 1) // 2] + order[len(order) // 2]) - 1.0

    if excess(0.0) <= 0.0:
        return 0.0
    # More bending, less excess: halving finds where it ends, and SciPy's finders load for 0.1 s.
    low, high = 0.0, 1.0 + 2.0 * float(np.abs(left).max())
    while high - low > _SCATTER_MM:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)


def _square(d: Displacements, i: int, left: Array, covariance: Array, bending: float) -> float:
    rows = d.rows(i)
    block = covariance[rows, rows] + (bending**2 + 1e-12) * np.eye(d.sizes[i])
    return float(left[rows] @ np.linalg.solve(block, left[rows]))


def _chance(d: Displacements, i: int, left: Array, covariance: Array) -> float:
    """Probability that measuring alone leaves as much at a site."""
    rows = d.rows(i)
    values, vectors = np.linalg.eigh(covariance[rows, rows])
    # With few sites the motion takes a direction along altogether: it says nothing.
    use = values > 1e-6 * float(np.trace(d.covariance[rows, rows]))
    along = (vectors.T @ left[rows])[use]
    return float(chi2_sf(np.sum(along**2 / values[use]), max(int(use.sum()), 1)))


def _blind(d: Displacements, reference: Array, covariance: Array) -> tuple[Blind, ...]:
    """Motions whose uncertainty is too large to be of use."""
    arm = max(float(np.sqrt(np.mean(np.sum((d.places - reference) ** 2, axis=1)))), 100.0)
    scale = np.array([arm] * 3 + [1.0] * 3)
    values, vectors = np.linalg.eigh(covariance * np.outer(scale, scale))
    out = []
    for value, vector in zip(values, vectors.T, strict=True):
        turn, shift = vector[:3], vector[3:]
        turns = float(np.linalg.norm(turn)) > float(np.linalg.norm(shift))
        limit = arm * np.radians(_BLIND_DEG) if turns else _BLIND_MM
        if COVERAGE * np.sqrt(value) > limit:
            way = turn if turns else shift
            out.append(Blind(turns, way / np.linalg.norm(way)))
    return tuple(out)
