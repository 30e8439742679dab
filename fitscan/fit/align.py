"""Two surveys brought together on the markers of one part, with a test for markers that moved.

Which comparison follows is left to `recheck` and `gap`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.adjust.definite import solve_definite
from fitscan.errors import DataError, InputError
from fitscan.fit.congruency import Net, congruent_points, critical_value
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, skew
from fitscan.survey.survey import Survey

__all__ = [
    "ALPHA",
    "STILL_MM",
    "Alignment",
    "MovedMarker",
    "align",
    "centre_covariance",
    "difference_covariance",
    "excess_of",
    "few_markers",
    "motion_rows",
    "robust_start",
]

ALPHA = 0.01
"""False alarm rate of the congruency test over all markers of a part."""

STILL_MM = 0.1
"""A marker that moved no further counts as still: paper and panels breathe that much."""


@dataclass(frozen=True)
class MovedMarker:
    """A marker that does not fit the others between two surveys.

    Attributes:
        marker_id: which.
        shift_mm: (3,) how far it moved against the others, in frame a.
        expanded_mm: expanded uncertainty (k = 2) of the shift's length.
    """

    marker_id: int
    shift_mm: Array
    expanded_mm: float


@dataclass(frozen=True)
class Alignment:
    """Survey b seen from survey a.

    Attributes:
        a_from_b: transform.
        used: markers that stayed, in order.
        moved: markers that did not.
        statistic, critical: of the congruency test over the markers that stayed.
        freedom: degrees of freedom of the statistic.
    """

    a_from_b: Rigid
    used: tuple[int, ...]
    moved: tuple[MovedMarker, ...]
    statistic: float
    critical: float
    freedom: int = 0

    @property
    def excess(self) -> float:
        """By how much the markers that stayed disagree more than the surveys know of them.

        A variance factor, 1 unless it is proven to be more (each of them may move a little and
        still count as still). What follows from the alignment has to carry it.
        """
        return excess_of(self.statistic, self.freedom)


def excess_of(statistic: float, freedom: int) -> float:
    """Variance factor of a square sum, 1 unless chance hardly makes one as large (ALPHA)."""
    if freedom <= 0 or statistic <= critical_value(ALPHA, freedom, np.inf):
        return 1.0
    return statistic / freedom


def few_markers(count: int, part: str) -> str:
    """The start of a sentence that says how few markers of a part there are."""
    if count == 0:
        return f"No marker of the part {part!r} is"
    if count == 1:
        return f"Only one marker of the part {part!r} is"
    return f"Only {count} markers of the part {part!r} are"


def motion_rows(points: Array) -> Array:
    """d points / d tangent (3 n, 6) of a rigid motion about the frame's origin."""
    rows = np.zeros((len(points), 3, 6))
    rows[:, :, :3] = -skew(points)
    rows[:, :, 3:] = np.eye(3)
    return rows.reshape(-1, 6)


def centre_covariance(survey: Survey, markers: list[int], turn: Array) -> Array:
    """Joint covariance (3 n, 3 n) of centres, turned by a rotation (3, 3)."""
    n = len(markers)
    joint = survey.joint(markers).reshape(n, 6, n, 6)[:, 3:, :, 3:]
    return np.asarray(
        np.einsum("ab,ibjc,dc->iajd", turn, joint, turn, optimize=True).reshape(3 * n, 3 * n)
    )


def align(a: Survey, b: Survey, part: str) -> Alignment:
    """Align b to a on the markers of a part that both surveys have.

    Generalised least squares with both joint covariances, on the markers that the congruency test
    (`fitscan.fit.congruency`) finds to have kept their figure.

    Raises:
        InputError: a kit has no such part.
        DataError: fewer than three common markers, or they lie on one line, or fewer than three
            agree with each other.
    """
    for survey in (a, b):
        if part not in survey.kit.parts:
            known = ", ".join(survey.kit.parts)
            raise InputError(f"The kit has no part {part!r}", survey.frame, f"use one of: {known}")
    common = [m for m in a.of_part(part) if b.has(m)]
    if len(common) < 3:
        raise DataError(
            f"{few_markers(len(common), part)} in both surveys",
            f"{a.frame} and {b.frame}",
            f"photograph at least three, better six, markers of the {part} in both shoots",
        )
    x_a = np.array([a.poses[a.row(m)].translation for m in common])
    x_b = np.array([b.poses[b.row(m)].translation for m in common])
    a_from_b = robust_start(x_a, x_b)
    found = None
    # The second round stands on the markers that the first one believed.
    for _ in range(2):
        net = _net(a, b, common, x_a, x_b, a_from_b)
        found = congruent_points(net, ALPHA, allowed=STILL_MM)
        keep = list(found.stable)
        a_from_b = _least_squares(a, b, [common[i] for i in keep], x_a[keep], x_b[keep], a_from_b)
    assert found is not None
    if not found.agreed:
        raise DataError(
            f"The markers of the part {part!r} do not agree between the two surveys",
            f"{a.frame} and {b.frame}",
            "most of them moved: stick markers where nothing touches them, and record again",
        )
    used = tuple(common[i] for i in found.stable)
    moved = _moved(a, b, common, sorted(found.moved), x_a, x_b, a_from_b)
    return Alignment(a_from_b, used, moved, found.statistic, found.critical, found.freedom)


def robust_start(x_a: Array, x_b: Array) -> Rigid:
    """A first alignment that one or two moved markers cannot spoil: drop the worst third."""
    keep = np.arange(len(x_a))
    out = align_points(x_b, x_a, with_scale=False).b_from_a
    for _ in range(3):
        miss = np.linalg.norm(out.apply(x_b) - x_a, axis=1)
        keep = np.sort(np.argsort(miss)[: max(3, int(np.ceil(0.67 * len(x_a))))])
        try:
            out = align_points(x_b[keep], x_a[keep], with_scale=False).b_from_a
        except DataError:
            break
    return out


def _net(a: Survey, b: Survey, common: list[int], x_a: Array, x_b: Array, a_from_b: Rigid) -> Net:
    """Centres in b less centres in a, near an alignment."""
    seen = a_from_b.apply(x_b)
    rows = motion_rows(seen - seen.mean(axis=0))
    covariance = difference_covariance(a, b, common, a_from_b, rows)
    return Net((seen - x_a).reshape(-1), covariance, rows, (3,) * len(common))


def _least_squares(
    a: Survey, b: Survey, markers: list[int], x_a: Array, x_b: Array, start: Rigid
) -> Rigid:
    """Transform with the smallest weighted square sum over some markers."""
    out = start
    for _ in range(3):
        seen = out.apply(x_b)
        rows = motion_rows(seen - out.translation)
        covariance = difference_covariance(a, b, markers, out, rows)
        weighted = solve_definite(covariance, rows)
        step = np.linalg.solve(rows.T @ weighted, weighted.T @ (x_a - seen).reshape(-1))
        out = out.step(np.asarray(step, dtype=np.float64))
    return out


def difference_covariance(
    a: Survey, b: Survey, markers: list[int], a_from_b: Rigid, rows: Array
) -> Array:
    """Covariance (3 n, 3 n) of centres in a less centres in b, both in frame a.

    Free networks know nothing of their own place: adding any amount of rigid motion (rows, 6)
    changes no comparison but keeps the matrix regular.
    """
    turn = a_from_b.rotation
    total = centre_covariance(a, markers, np.eye(3)) + centre_covariance(b, markers, turn)
    size = np.linalg.norm(rows, axis=0)
    free = rows / size * np.sqrt(len(rows))
    tiny = 1e-10 * np.eye(len(total))
    return np.asarray(total + np.mean(np.diag(total)) * free @ free.T + tiny)


def _moved(
    a: Survey,
    b: Survey,
    common: list[int],
    moved: list[int],
    x_a: Array,
    x_b: Array,
    a_from_b: Rigid,
) -> tuple[MovedMarker, ...]:
    """How far markers moved against those that stayed; U holds the alignment's own uncertainty."""
    stayed = [i for i in range(len(common)) if i not in moved]
    out = []
    for i in moved:
        order = [*stayed, i]
        seen = a_from_b.apply(x_b[order])
        rows = motion_rows(seen - seen[:-1].mean(axis=0))
        covariance = difference_covariance(a, b, [common[k] for k in order], a_from_b, rows)
        weighted = solve_definite(covariance[:-3, :-3], rows[:-3])
        gain = np.linalg.solve(rows[:-3].T @ weighted, weighted.T)
        against = np.hstack([-rows[-3:] @ gain, np.eye(3)])
        shift = seen[-1] - x_a[i]
        along = shift / max(float(np.linalg.norm(shift)), 1e-12) @ against
        out.append(MovedMarker(common[i], shift, 2.0 * float(np.sqrt(along @ covariance @ along))))
    return tuple(out)
