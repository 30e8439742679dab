"""How a part sits now against its record: rigid shift and turn, and what is left at each cuff.

Both surveys are brought together on the part that stayed (the shell); the pictures are left to
`fitscan.report`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import chi2

from fitscan.errors import DataError
from fitscan.fit.align import (
    ALPHA,
    Alignment,
    align,
    difference_covariance,
    few_markers,
    motion_rows,
)
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.survey.survey import Survey

__all__ = ["CuffShift", "Recheck", "recheck"]


_ANY_TURN_RAD = np.radians(5.0)
"""Standard deviation of a part's turn before any measurement. It only counts where the markers say
nothing of a turn: about the line along which all of them lie."""

_BLIND_DEG = 1.0
"""Expanded uncertainty of a turn beyond which it counts as not measured."""


@dataclass(frozen=True)
class CuffShift:
    """One marker of the part between record and now, in the told frame.

    Attributes:
        marker_id: a cuff's first id, or a tag.
        label: "main hoop, straight 1, cuff 100".
        place_mm: (3,) where it was recorded.
        shift_mm: (3,) how far it is from there now.
        shift_expanded_mm: (3,) expanded uncertainty (k = 2).
        left_mm: (3,) what is left when the part is moved back as one rigid piece.
        left_expanded_mm: (3,) expanded uncertainty (k = 2).
        bent: whether what is left is more than chance (it was kept out of the rigid motion).
        size_expanded_mm: expanded uncertainty (k = 2) of the shift's length.
        verdict: of the shift's length against the tolerance.
    """

    marker_id: int
    label: str
    place_mm: Array
    shift_mm: Array
    shift_expanded_mm: Array
    left_mm: Array
    left_expanded_mm: Array
    bent: bool
    size_expanded_mm: float
    verdict: Verdict

    @property
    def size_mm(self) -> float:
        """Length of the shift."""
        return float(np.linalg.norm(self.shift_mm))


@dataclass(frozen=True)
class Recheck:
    """A part against its record.

    Attributes:
        part, on: which part, aligned on which.
        axes: the frame in which everything is told.
        reference_mm: (3,) the point whose shift is told: the middle of the part's markers.
        shift_mm: (3,) shift of that point from record to now.
        turn_deg: (3,) turn about the axes, right-handed.
        covariance: (6, 6) of (turn rad, shift mm).
        now_from_record: the rigid motion of the part in the told frame.
        alignment: of the two surveys on the part that stayed.
        shifts: each marker of the part.
        tolerance_mm: for the verdicts.
        sentences: what to do, in words.
        warnings: that every output must carry.
    """

    part: str
    on: str
    axes: CarAxes
    reference_mm: Array
    shift_mm: Array
    turn_deg: Array
    covariance: Array
    now_from_record: Rigid
    alignment: Alignment
    shifts: tuple[CuffShift, ...]
    tolerance_mm: float
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def shift_expanded_mm(self) -> Array:
        """Expanded uncertainty (k = 2) of the shift (3,)."""
        return np.asarray(COVERAGE * np.sqrt(np.diag(self.covariance)[3:]))

    @property
    def turn_expanded_deg(self) -> Array:
        """Expanded uncertainty (k = 2) of the turn (3,)."""
        return np.asarray(np.degrees(COVERAGE * np.sqrt(np.diag(self.covariance)[:3])))


def recheck(record: Survey, now: Survey, part: str, on: str, tolerance_mm: float = 1.0) -> Recheck:
    """Compare a part with its record.

    Args:
        record: survey kept earlier.
        now: survey of the same markers, after the part came back.
        part: that moved ("cage").
        on: part that stayed ("shell").
        tolerance_mm: largest wanted shift of any marker of the part.

    Raises:
        DataError: too few common markers of either part.
    """
    alignment = align(record, now, on)
    moved = [m for m in record.of_part(part) if now.has(m)]
    if len(moved) < 3:
        raise DataError(
            f"{few_markers(len(moved), part)} in both surveys",
            f"{record.frame} and {now.frame}",
            f"photograph at least three markers of the {part} that are also in the record",
        )
    axes = car_axes(record)
    stayed = list(alignment.used)
    model = _Model.of(record, now, alignment.a_from_b, stayed, moved, axes.car_from_survey)
    rigid = _congruent(model)
    motion, covariance = model.motion(rigid)
    shifts = tuple(_shift(record, model, rigid, i, m, tolerance_mm) for i, m in enumerate(moved))
    step = Rigid(exp(motion[:3]), motion[3:])
    there = Rigid(np.eye(3), model.reference)
    now_from_record = there @ step @ there.inverse()
    result = Recheck(
        part, on, axes, model.reference, motion[3:], np.degrees(motion[:3]), covariance,
        now_from_record, alignment, shifts, tolerance_mm, (), _warnings(record, now),
    )  # fmt: skip
    return _with_sentences(result)


@dataclass(frozen=True)
class _Model:
    """The linear model of a recheck, in the told frame.

    e (3 n) = now less record of all centres, the stayed part's first; covariance (3 n, 3 n).
    e = all_rows @ alignment (6) + part_rows @ motion (6), motion about the reference point.
    """

    stayed: int
    places: Array
    reference: Array
    difference: Array
    covariance: Array
    all_rows: Array
    part_rows: Array

    @staticmethod
    def of(
        record: Survey,
        now: Survey,
        record_from_now: Rigid,
        stayed: list[int],
        part: list[int],
        told_from_record: Rigid,
    ) -> _Model:
        markers = stayed + part
        then = np.array([record.poses[record.row(m)].translation for m in markers])
        later = np.array([now.poses[now.row(m)].translation for m in markers])
        later = record_from_now.apply(later)
        middle = then.mean(axis=0)
        covariance = difference_covariance(
            record, now, markers, record_from_now, motion_rows(then - middle)
        )
        turn = np.kron(np.eye(len(markers)), told_from_record.rotation)
        places = told_from_record.apply(then)
        reference = places[len(stayed) :].mean(axis=0)
        part_rows = motion_rows(places - reference)
        part_rows[: 3 * len(stayed)] = 0.0
        return _Model(
            len(stayed),
            places,
            reference,
            turn @ (later - then).reshape(-1),
            turn @ covariance @ turn.T,
            motion_rows(places - places.mean(axis=0)),
            part_rows,
        )

    def rows(self, rigid: list[int]) -> Array:
        """Rows of e that the stayed part and the rigid markers of the part have."""
        part = [3 * (self.stayed + i) + k for i in rigid for k in range(3)]
        return np.array([*range(3 * self.stayed), *part], dtype=np.intp)

    def estimator(self, rigid: list[int]) -> tuple[Array, Array, float]:
        """Gain (12, 3 n) of (alignment, motion), its design, and the square sum left over."""
        use = self.rows(rigid)
        design = np.hstack([self.all_rows, self.part_rows])
        factor = cho_factor(self.covariance[np.ix_(use, use)])
        weighted = cho_solve(factor, design[use])
        gain = np.zeros((12, len(self.difference)))
        normal = design[use].T @ weighted
        normal[6:9, 6:9] += np.eye(3) / _ANY_TURN_RAD**2
        gain[:, use] = np.linalg.solve(normal, weighted.T)
        left = (self.difference - design @ (gain @ self.difference))[use]
        return gain, design, float(left @ cho_solve(factor, left))

    def motion(self, rigid: list[int]) -> tuple[Array, Array]:
        """Motion (6,) of the part and its covariance (6, 6)."""
        gain, _, _ = self.estimator(rigid)
        motion = gain[6:] @ self.difference
        design = np.hstack([self.all_rows, self.part_rows])
        missed = (np.eye(12) - gain @ design)[6:, 6:9]
        prior = missed @ missed.T * _ANY_TURN_RAD**2
        return motion, gain[6:] @ self.covariance @ gain[6:].T + prior

    def shift_of(self, rigid: list[int], i: int) -> tuple[Array, Array, Array, Array]:
        """Shift (3,) of the part's marker i with covariance, and what is left with covariance."""
        gain, design, _ = self.estimator(rigid)
        rows = slice(3 * (self.stayed + i), 3 * (self.stayed + i) + 3)
        pick = np.zeros((3, len(self.difference)))
        pick[:, rows] = np.eye(3)
        shift = pick - design[rows, :6] @ gain[:6]
        left = shift - design[rows, 6:] @ gain[6:]
        return (
            shift @ self.difference,
            shift @ self.covariance @ shift.T,
            left @ self.difference,
            left @ self.covariance @ left.T,
        )


def _congruent(model: _Model) -> list[int]:
    """Markers of the part that moved as one rigid piece; the others are bent.

    The same test as for the part that stayed; when fewer than half would agree, the part is bent
    as a whole and all its markers share the rigid motion.
    """
    count = len(model.places) - model.stayed
    everything = list(range(count))
    keep = list(everything)
    least = max(3, (count + 1) // 2)
    while True:
        _, _, total = model.estimator(keep)
        freedom = 3 * (model.stayed + len(keep)) - 12
        if total <= chi2.isf(ALPHA, freedom):
            return keep
        if len(keep) <= least:
            return everything
        totals = [model.estimator([k for k in keep if k != i])[2] for i in keep]
        keep.pop(int(np.argmin(totals)))


def _shift(
    record: Survey, model: _Model, rigid: list[int], i: int, marker: int, tolerance_mm: float
) -> CuffShift:
    shift, shift_covariance, left, left_covariance = model.shift_of(rigid, i)
    size = float(np.linalg.norm(shift))
    along = shift / max(size, 1e-12)
    expanded = COVERAGE * float(np.sqrt(along @ shift_covariance @ along))
    return CuffShift(
        marker,
        label_of(record, marker),
        model.places[model.stayed + i],
        shift,
        COVERAGE * np.sqrt(np.diag(shift_covariance)),
        left,
        COVERAGE * np.sqrt(np.clip(np.diag(left_covariance), 0.0, None)),
        i not in rigid,
        expanded,
        judge(size, expanded, tolerance_mm),
    )


def label_of(survey: Survey, marker: int) -> str:
    """A marker in the fitter's words."""
    for c in survey.kit.cuff:
        if c.first_id == marker:
            return f"{c.tube}, straight {c.straight}, cuff {marker}"
    for p in survey.kit.pointer:
        if p.id == marker:
            return f"pointer {marker} ({p.name})"
    return f"tag {marker}"


def _warnings(record: Survey, now: Survey) -> tuple[str, ...]:
    both = [*record.quality.warnings, *now.quality.warnings]
    return tuple(dict.fromkeys(both))


_WAYS = (("forward", "back"), ("left", "right"), ("up", "down"))
_TURNS = (
    ("its left side up and its right side down", "its left side down and its right side up"),
    ("its front down and its rear up", "its front up and its rear down"),
    ("its front to the left", "its front to the right"),
)


def _with_sentences(r: Recheck) -> Recheck:
    """Say what to move: the opposite of what happened, largest first, only what is proven."""
    moves: list[tuple[float, str]] = []
    open_ones = 0
    for axis in range(3):
        value, u = float(r.shift_mm[axis]), float(r.shift_expanded_mm[axis])
        if abs(value) > u:
            way = _way(r.axes, axis, value)
            moves.append((abs(value), f"move it {abs(value):.2f} mm {way} (U {u:.2f} mm)"))
        else:
            open_ones += 1
    turns: list[tuple[float, str]] = []
    for axis in range(3):
        value, u = float(r.turn_deg[axis]), float(r.turn_expanded_deg[axis])
        if abs(value) > u:
            turns.append((abs(value), _turn(r.axes, axis, value, u)))
    ordered = [s for _, s in sorted(moves, reverse=True)] + [
        s for _, s in sorted(turns, reverse=True)
    ]
    sentences = []
    if ordered:
        sentences.append(f"To bring the {r.part} back to its record: " + ", then ".join(ordered))
    else:
        sentences.append(f"The {r.part} sits where it was recorded: no shift or turn is proven")
    blind = ["XYZ"[axis] for axis in range(3) if float(r.turn_expanded_deg[axis]) > _BLIND_DEG]
    if blind:
        sentences.append(
            f"Its turn about {' and '.join(blind)} could not be measured, because its markers lie "
            "along one line: photograph a marker on another tube too, a hand or more away"
        )
    bent = [s for s in r.shifts if s.bent]
    if bent:
        worst = max(bent, key=lambda s: float(np.linalg.norm(s.left_mm)))
        sentences.append(
            f"{len(bent)} of {len(r.shifts)} markers did not move with the rest (bending): most at "
            f"{worst.label}, {float(np.linalg.norm(worst.left_mm)):.2f} mm"
        )
    for m in r.alignment.moved:
        sentences.append(
            f"Marker {m.marker_id} on the {r.on} moved by "
            f"{float(np.linalg.norm(m.shift_mm)):.2f} mm and was left out"
        )
    return Recheck(**{**vars(r), "sentences": tuple(sentences)})


def _way(axes: CarAxes, axis: int, value: float) -> str:
    """The direction that undoes a shift."""
    if not axes.known:
        return f"along {'-' if value > 0 else '+'}{'XYZ'[axis]}"
    return _WAYS[axis][1 if value > 0 else 0]


def _turn(axes: CarAxes, axis: int, value: float, u: float) -> str:
    size = f"{abs(value):.3f} deg (U {u:.3f} deg)"
    if not axes.known:
        return f"turn it {'-' if value > 0 else '+'}{size} about {'XYZ'[axis]}"
    # Right-handed turns: about X lifts the left side, about Y lowers the front, about Z swings
    # the front to the left; the move undoes it.
    undo = _TURNS[axis][1 if value > 0 else 0]
    return f"turn it {size} about {('X (fore and aft)', 'Y (across)', 'Z (upright)')[axis]}: {undo}"
