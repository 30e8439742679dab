"""Which points of a net kept their shape between two measurements: the congruency test.

Points may have one coordinate (heights) or three. What the points are, and what follows when one
of them moved, is left to `align` and `recheck`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import chi2, ncf, ncx2
from scipy.stats import f as f_distribution

from fitscan.geometry.rotation import Array

__all__ = ["Congruency", "Net", "congruent_points", "critical_value"]


@dataclass(frozen=True)
class Net:
    """Differences of the same points between two measurements.

    Attributes:
        difference: (n k,) second less first, k coordinates a point.
        covariance: (n k, n k) of it, regular (a free net's own freedom filled up).
        motion: (n k, d) differences that a motion of the whole net makes.
        size: k.
        freedom: degrees of freedom of the variance factor that the covariance was scaled by;
            infinite when it is as good as known.
    """

    difference: Array
    covariance: Array
    motion: Array
    size: int = 3
    freedom: float = np.inf

    @property
    def count(self) -> int:
        """Number of points n."""
        return len(self.difference) // self.size

    def rows(self, points: list[int]) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
        """Rows of some points."""
        return np.array(
            [self.size * p + k for p in points for k in range(self.size)], dtype=np.intp
        )

    def projected(self, points: list[int]) -> tuple[Array, Array, Array]:
        """Weights (m, m) of what a motion of the points cannot explain, best motion, its gain.

        The weights P fulfil P @ motion = 0, so d^T P d is the square sum that is left of d.
        """
        rows = self.rows(points)
        motion = self.motion[rows]
        weight = cho_solve(cho_factor(self.covariance[np.ix_(rows, rows)]), np.eye(len(rows)))
        weighted = weight @ motion
        gain = np.asarray(np.linalg.solve(motion.T @ weighted, weighted.T), dtype=np.float64)
        return weight - weighted @ gain, gain @ self.difference[rows], gain

    def displacement(self, point: int, stable: list[int]) -> Array:
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
        limit = ncx2.isf(alpha, count, shift) if shift > 0.0 else chi2.isf(alpha, count)
    elif shift > 0.0:
        limit = count * ncf.isf(alpha, count, freedom, shift)
    else:
        limit = count * f_distribution.isf(alpha, count, freedom)
    return float(limit)


def congruent_points(
    net: Net, alpha: float, *, allowed: float = 0.0, least: int = 3, start: list[int] | None = None
) -> Congruency:
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
            not accused more often than alpha.
        least: fewest points that may be left.
        start: points to begin with, all if None.
    """
    keep = list(range(net.count)) if start is None else list(start)
    moved: list[int] = []
    k, freedoms = net.size, net.motion.shape[1]
    while True:
        weight, _, _ = net.projected(keep)
        v = weight @ net.difference[net.rows(keep)]
        statistic = float(net.difference[net.rows(keep)] @ v)
        blocks = [weight[k * i : k * i + k, k * i : k * i + k] for i in range(len(keep))]
        worst = max(float(np.linalg.eigvalsh(b)[-1]) for b in blocks) if allowed > 0.0 else 0.0
        count = k * len(keep) - freedoms
        critical = critical_value(alpha, count, net.freedom, allowed**2 * worst)
        agreed = statistic <= critical
        if agreed or len(keep) <= least:
            return Congruency(tuple(keep), tuple(moved), statistic, critical, count, agreed)
        falls = [
            float(v[k * i : k * i + k] @ np.linalg.pinv(b, rcond=1e-9, hermitian=True)
                  @ v[k * i : k * i + k])
            for i, b in enumerate(blocks)
        ]  # fmt: skip
        moved.append(keep.pop(int(np.argmax(falls))))
