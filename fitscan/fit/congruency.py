"""Which points of a net kept their shape between two measurements: the congruency test.

Points may have one coordinate (heights), two (across a line) or three. What the points are, and
what follows when one of them moved, is left to `align` and `rigid_part`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.adjust.chi_squared import shifted_chi2_isf
from fitscan.adjust.definite import solve_definite
from fitscan.geometry.rotation import Array

__all__ = ["Congruency", "Net", "congruent_points", "critical_value"]


@dataclass(frozen=True)
class Net:
    """Differences of the same points between two measurements.

    Attributes:
        difference: (m,) second less first, the points one after another.
        covariance: (m, m) of it, regular (a free net's own freedom filled up).
        motion: (m, d) differences that a motion of the whole net makes.
        sizes: coordinates of each point: 1 for a height, 3 in space, 2 across a line.
        freedom: degrees of freedom of the variance factor that the covariance was scaled by;
            infinite when it is as good as known.
        prior: (d,) what is known of the motion beforehand, as 1 / sigma^2: it only counts where
            the points leave the motion open.
    """

    difference: Array
    covariance: Array
    motion: Array
    sizes: tuple[int, ...]
    freedom: float = np.inf
    prior: Array | None = None

    @property
    def count(self) -> int:
        """Number of points."""
        return len(self.sizes)

    def rows(self, points: Sequence[int]) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
        """Rows of some points."""
        starts = np.concatenate([[0], np.cumsum(self.sizes)]).astype(np.intp)
        return np.concatenate([np.arange(starts[p], starts[p + 1]) for p in points])

    def projected(self, points: Sequence[int]) -> tuple[Array, Array]:
        """Weights (m, m) of what a motion of the points cannot explain, and the motion's gain.

        The weights P fulfil P @ motion = 0, so d^T P d is the square sum that is left of d; the
        gain (d, m) times the differences is the best motion.
        """
        rows = self.rows(points)
        motion = self.motion[rows]
        weight = solve_definite(self.covariance[np.ix_(rows, rows)], np.eye(len(rows)))
        weighted = weight @ motion
        normal = motion.T @ weighted
        if self.prior is not None:
            normal = normal + np.diag(self.prior)
        gain = np.asarray(np.linalg.solve(normal, weighted.T), dtype=np.float64)
        return weight - weighted @ gain, gain

    def displacement(self, point: int, stable: Sequence[int]) -> Array:
        """How far (k,) a point moved, told in the datum that the stable ones give.

        An S-transformation onto them with inner constraints (Baarda, "S-transformations and
        criterion matrices", 1973; from memory).
        """
        rows = self.rows(stable)
        motion = np.linalg.lstsq(self.motion[rows], self.difference[rows], rcond=None)[0]
        rows = self.rows([point])
        return np.asarray(self.difference[rows] - self.motion[rows] @ motion)


@dataclass(frozen=True)
class Congruency:
    """What the test says.

    Attributes:
        stable: points whose figure stayed the same, in order.
        moved: the others, in the order in which they were taken out.
        statistic, critical: of the stable ones, as a square sum in units of the variance.
        freedom: differences less motions of the stable ones.
        agreed: whether the test passed; otherwise no more points could be taken out.
    """

    stable: tuple[int, ...]
    moved: tuple[int, ...]
    statistic: float
    critical: float
    freedom: int
    agreed: bool


def critical_value(alpha: float, count: int, freedom: float, shift: float = 0.0) -> float:
    """Square sum that `count` differences exceed with the probability alpha by chance.

    Args:
        alpha: false alarm rate.
        count: differences less motions, h.
        freedom: of the variance factor; F(h, freedom) when finite, chi squared otherwise.
        shift: square sum of a true shift that shall count as none (non-centrality).
    """
    if count <= 0:
        return 0.0
    if np.isinf(freedom):
        return shifted_chi2_isf(alpha, count, shift)
    from scipy.special import fdtri, ncfdtri

    if shift > 0.0:
        return float(count * ncfdtri(count, freedom, shift, 1.0 - alpha))
    return float(count * fdtri(count, freedom, 1.0 - alpha))


def congruent_points(net: Net, alpha: float, *, allowed: float = 0.0, least: int = 3) -> Congruency:
    """Take out the point that disagrees most until the others agree.

    The global test of deformation surveying, d^T Q^+ d / (h s0^2) against F(h, f), and localisation
    by the point without which it falls most (Pelzer, "Zur Analyse geodaetischer
    Deformationsmessungen", 1971; Caspary, "Concepts of network and deformation analysis", 1987;
    both from memory). Without point i the square sum is less by v_i^T P_ii^-1 v_i with v = P d.

    Args:
        net: of all points.
        alpha: false alarm rate of each global test.
        allowed: a shift of one point up to this length counts as none. The critical value is that
            of the shift which disturbs the test most, so that a point which moved no further is
            not accused more often than alpha; and when no single point is further off against the
            others, they agree, though they may scatter more than they should.
        least: fewest points that may be left.
    """
    keep = list(range(net.count))
    moved: list[int] = []
    while True:
        rows = net.rows(keep)
        weight, gain = net.projected(keep)
        v = weight @ net.difference[rows]
        statistic = float(net.difference[rows] @ v)
        ends = np.cumsum([net.sizes[i] for i in keep])
        places = [slice(end - net.sizes[i], end) for i, end in zip(keep, ends, strict=True)]
        blocks = [weight[place, place] for place in places]
        worst = max(float(np.linalg.eigvalsh(b)[-1]) for b in blocks) if allowed > 0.0 else 0.0
        # As many differences go into the motion as it has numbers that they fix.
        count = len(rows) - round(float(np.trace(gain @ net.motion[rows])))
        critical = critical_value(alpha, count, net.freedom, allowed**2 * worst)
        agreed = statistic <= critical
        if agreed or len(keep) <= least:
            return Congruency(tuple(keep), tuple(moved), statistic, critical, count, agreed)
        inverses = _inverses(blocks)
        shifts = [inverse @ v[place] for place, inverse in zip(places, inverses, strict=True)]
        falls = [float(v[place] @ s) for place, s in zip(places, shifts, strict=True)]
        if allowed > 0.0:
            far = [float(np.linalg.norm(s)) > allowed for s in shifts]
            if not any(far):
                return Congruency(tuple(keep), tuple(moved), statistic, critical, count, True)
            falls = [fall if f else -1.0 for fall, f in zip(falls, far, strict=True)]
        moved.append(keep.pop(int(np.argmax(falls))))


def _inverses(blocks: Sequence[Array]) -> list[Array]:
    """Pseudo-inverses of symmetric blocks, those of one size in one call."""
    out = list(blocks)
    for size in {len(b) for b in blocks}:
        rows = [i for i, b in enumerate(blocks) if len(b) == size]
        stack = np.array([blocks[i] for i in rows])
        for i, inverse in zip(rows, np.linalg.pinv(stack, 1e-9, hermitian=True), strict=True):
            out[i] = inverse
    return out
