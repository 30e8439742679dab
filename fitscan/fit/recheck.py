"""How a part sits now against its record: rigid shift and turn, and what is left at each cuff.

Both surveys are brought together on the part that stayed (the shell); the pictures are left to
`fitscan.report`, the part against itself to `bench`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitscan.fit.align import Alignment, align
from fitscan.fit.deciding import Influence, what_decides
from fitscan.fit.displacement import Displacements, displacements, rewrapped_cuffs
from fitscan.fit.labels import direction_words, list_of
from fitscan.fit.moves import Move, find_moves
from fitscan.fit.rigid_part import RigidPart, rigid_part
from fitscan.fit.shared_scale import common_scale_u
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.survey.survey import Survey

__all__ = ["CuffShift", "Recheck", "recheck"]

_SHARE_ALONG = 0.95
"""Share of a cuff's rest that points along its tube when it was most likely wrapped anew."""

_MOST_DECIDED = 3
"""Of how many open verdicts it is said what would decide them."""


@dataclass(frozen=True)
class CuffShift:
    """One marker of the part between record and now, in the told frame.

    Attributes:
        marker_id: a cuff's first id, or a tag.
        label: "main hoop, straight 1, cuff 100".
        place_mm: (3,) where it was recorded.
        shift_mm: (3,) how far it is from there now; of a cuff that was wrapped anew, how far the
            tube's line is from its record there, square to the tube.
        shift_expanded_mm: (3,) expanded uncertainty (k = 2).
        left_mm: (3,) what is left when the part is moved back as one rigid piece.
        left_expanded_mm: (3,) expanded uncertainty (k = 2).
        bent: whether what is left is more than chance.
        size_expanded_mm: expanded uncertainty (k = 2) of the shift's length.
        verdict: of the shift's length against the tolerance.
        line_only: whether the tube's line was compared and not the cuff's place on it.
        significance: probability that chance alone leaves as much.
        together: whether the marker is one of those that define the rigid motion.
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
    line_only: bool = False
    significance: float = 1.0
    together: bool = True

    @property
    def size_mm(self) -> float:
        """Length of the shift."""
        return float(np.linalg.norm(self.shift_mm))

    @property
    def left_size_mm(self) -> float:
        """Length of what is left."""
        return float(np.linalg.norm(self.left_mm))


@dataclass(frozen=True)
class Recheck:
    """A part against its record.

    Attributes:
        part, on: which part, aligned on which.
        axes: the frame in which everything is told.
        reference_mm: (3,) the point whose shift is told: the middle of the part's markers.
        shift_mm: (3,) shift of that point from record to now.
        turn_deg: (3,) turn about the axes, right-handed.
        covariance: (6, 6) of (turn rad, shift mm), the chance of bending included.
        bending_mm: by how much the markers that moved together are bent at random, as a standard
            deviation per direction; 0 when no bending is proven.
        now_from_record: the rigid motion of the part in the told frame.
        alignment: of the two surveys on the part that stayed.
        shifts: each marker of the part.
        moves: that bring it back, largest first.
        undetermined: motions that the markers do not fix, in words.
        tolerance_mm: for the verdicts.
        sentences: what to do, in words.
        warnings: that every output must carry.
        deciding: for verdicts that are open, what would decide them.
    """

    part: str
    on: str
    axes: CarAxes
    reference_mm: Array
    shift_mm: Array
    turn_deg: Array
    covariance: Array
    bending_mm: float
    now_from_record: Rigid
    alignment: Alignment
    shifts: tuple[CuffShift, ...]
    moves: tuple[Move, ...]
    undetermined: tuple[str, ...]
    tolerance_mm: float
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    deciding: tuple[str, ...] = ()

    @property
    def shift_expanded_mm(self) -> Array:
        """Expanded uncertainty (k = 2) of the shift (3,)."""
        return np.asarray(COVERAGE * np.sqrt(np.diag(self.covariance)[3:]))

    @property
    def turn_expanded_deg(self) -> Array:
        """Expanded uncertainty (k = 2) of the turn (3,)."""
        return np.asarray(np.degrees(COVERAGE * np.sqrt(np.diag(self.covariance)[:3])))


def recheck(
    record: Survey,
    now: Survey,
    part: str,
    on: str,
    tolerance_mm: float = 1.0,
    *,
    rewrapped: Sequence[str] = (),
) -> Recheck:
    """Compare a part with its record.

    Args:
        record: survey kept earlier.
        now: survey of the same markers, after the part came back.
        part: that moved ("cage").
        on: part that stayed ("shell").
        tolerance_mm: largest wanted shift of any marker of the part.
        rewrapped: cuffs of which only the tube's line is compared: "all", ids, tubes.

    Raises:
        InputError: `rewrapped` names no cuff of the part.
        DataError: too few common markers of either part.
    """
    anew = rewrapped_cuffs(now, part, rewrapped)
    alignment = align(record, now, on)
    axes = car_axes(record)
    d = displacements(
        record, now, part, alignment.a_from_b, axes.car_from_survey,
        stayed=alignment.used, rewrapped=anew,
    )  # fmt: skip
    d = replace(d, covariance=alignment.excess * d.covariance)
    rigid = rigid_part(d)
    motion = rigid.motion
    shifts = tuple(shift_at(d, rigid, i, tolerance_mm) for i in range(len(d.sites)))
    step = Rigid(exp(motion[:3]), motion[3:])
    there = Rigid(np.eye(3), rigid.reference)
    undetermined = tuple(
        f"{'turn about' if b.turn else 'place along'} "
        f"{direction_words(b.direction, known=axes.known)}"
        for b in rigid.blind
    )
    result = Recheck(
        part, on, axes, rigid.reference, motion[3:], np.degrees(motion[:3]), rigid.covariance,
        rigid.bending_mm, there @ step @ there.inverse(), alignment, shifts,
        find_moves(d, rigid, axes), undetermined, tolerance_mm, (),
        (*_warnings(record, now), *excess_warning(alignment.excess, on)),
    )  # fmt: skip
    words = _sentences(result, d, rigid)
    deciding = deciding_sentences(result.shifts, d, axes, alignment, on, tolerance_mm)
    return Recheck(**{**vars(result), "sentences": words, "deciding": deciding})


def deciding_sentences(
    shifts: Sequence[CuffShift],
    d: Displacements,
    axes: CarAxes,
    alignment: Alignment | None,
    on: str,
    tolerance_mm: float,
) -> tuple[str, ...]:
    """What would decide the open verdicts, of those furthest off their record first."""
    open_ones = [i for i, s in enumerate(shifts) if s.verdict is Verdict.OPEN]
    open_ones.sort(key=lambda i: -shifts[i].size_mm)
    told_from_record = axes.car_from_survey.rotation if axes.known else None
    turns = [told_from_record, told_from_record]
    if told_from_record is not None and alignment is not None:
        turns[1] = told_from_record @ alignment.a_from_b.rotation
    carriers = frozenset(alignment.used) if alignment is not None else frozenset()
    shared = common_scale_u(d.sources[0].survey, d.sources[1].survey) if d.free else 0.0
    out = []
    for i in open_ones[:_MOST_DECIDED]:
        s, row = shifts[i], np.zeros(len(d.values))
        row[d.rows(i)] = d.sites[i].ways @ (s.shift_mm / max(s.size_mm, 1e-12))
        influences = [
            Influence(
                source.survey, source.markers, row @ source.jacobian, carriers,
                f"the {on}'s markers", turn, past, shared,
            )
            for source, turn, past in zip(d.sources, turns, (True, False), strict=True)
        ]  # fmt: skip
        found = what_decides(s.size_mm, s.size_expanded_mm, tolerance_mm, influences)
        out.append(f"{s.label} cannot be decided against {tolerance_mm:g} mm. {found.sentence}")
    if len(open_ones) > _MOST_DECIDED:
        out.append(f"{len(open_ones) - _MOST_DECIDED} markers more cannot be decided")
    return tuple(out)


def shift_at(d: Displacements, rigid: RigidPart, i: int, tolerance_mm: float) -> CuffShift:
    """What is to be said of one site of a part."""
    site = d.sites[i]
    shift, spread = d.vector(i, d.values), d.spread(i, d.covariance)
    left, left_spread = d.vector(i, rigid.left), d.spread(i, rigid.left_covariance)
    told, told_spread = (left, left_spread) if d.free else (shift, spread)
    size = float(np.linalg.norm(told))
    along = told / max(size, 1e-12)
    expanded = COVERAGE * float(np.sqrt(max(float(along @ told_spread @ along), 0.0)))
    return CuffShift(
        site.marker_id,
        site.label,
        site.place,
        told,
        _expanded(told_spread),
        left,
        _expanded(left_spread),
        rigid.bent[i],
        expanded,
        judge(size, expanded, tolerance_mm),
        site.line_only,
        float(rigid.significance[i]),
        i in rigid.together,
    )


def _expanded(covariance: Array) -> Array:
    return np.asarray(COVERAGE * np.sqrt(np.clip(np.diag(covariance), 0.0, None)))


def _warnings(record: Survey, now: Survey) -> tuple[str, ...]:
    both = [*record.quality.warnings, *now.quality.warnings]
    return tuple(dict.fromkeys(both))


def excess_warning(excess: float, part: str) -> list[str]:
    """That markers disagree more than the surveys know of them, and what was made of it."""
    if excess <= 1.0:
        return []
    factor = float(np.sqrt(excess))
    return [
        f"The markers of the {part} disagree {factor:.1f} times as much as the surveys know of "
        "them, none by so much that it is named: paper lifts or a panel gives, so every U is "
        f"stated {factor:.1f} times as large"
    ]


# ---------------------------------------------------------------- words


def _sentences(r: Recheck, d: Displacements, rigid: RigidPart) -> tuple[str, ...]:
    """What to move: the opposite of what happened, largest first; then what is left."""
    out = []
    if r.moves:
        ways = ", then ".join(m.words for m in r.moves)
        out.append(f"To bring the {r.part} back to its record: {ways}")
        out.append(leaves_sentence(r.part, r.moves, max(s.size_mm for s in r.shifts)))
    else:
        out.append(f"The {r.part} sits where it was recorded: no shift or turn is proven")
    out += blind_sentences(rigid, r.axes, line_only=any(s.line_only for s in r.shifts))
    out += bending_sentences(r.part, r.shifts, r.bending_mm)
    out += slid_sentences(d, r.shifts)
    for m in r.alignment.moved:
        out.append(
            f"Marker {m.marker_id} on the {r.on} moved by "
            f"{float(np.linalg.norm(m.shift_mm)):.2f} mm and was left out"
        )
    return tuple(out)


def leaves_sentence(part: str, moves: Sequence[Move], before_mm: float) -> str:
    """What the moves leave over, one after another."""
    steps = list_of([f"{m.leaves_mm:.2f}" for m in moves])
    how = "the moves, in this order, bring that down to" if len(moves) > 1 else "the move leaves"
    return (
        f"The marker furthest off is {before_mm:.2f} mm from its record; {how} {steps} mm; what is "
        f"left is at {moves[-1].leaves_at}, and no move of the whole {part} takes it out"
    )


def blind_sentences(rigid: RigidPart, axes: CarAxes, *, line_only: bool) -> list[str]:
    """Which motions could not be measured, and what would show them."""
    turns = [b.direction for b in rigid.blind if b.turn]
    slides = [b.direction for b in rigid.blind if not b.turn]
    out = []
    if turns:
        about = list_of([direction_words(w, known=axes.known) for w in turns])
        out.append(
            f"Its turn about {about} could not be measured, because its markers lie along one "
            "line: photograph a marker on another tube too, a hand or more away"
        )
    if slides:
        along = list_of([direction_words(w, known=axes.known) for w in slides])
        why = "the tubes that were compared by their lines all run that way" if line_only else (
            "its markers say nothing of it"
        )  # fmt: skip
        out.append(
            f"Its place along {along} could not be measured, because {why}: leave one cuff as it "
            "was wrapped, or compare a tube that runs across"
        )
    return out


def bending_sentences(part: str, shifts: Sequence[CuffShift], bending_mm: float) -> list[str]:
    """How the part is bent, and what its shift and turn then mean."""
    bent = [s for s in shifts if s.bent]
    if not bent:
        return []
    worst = max(bent, key=lambda s: s.left_size_mm)
    count = sum(s.together for s in shifts)
    out = [
        f"{len(bent)} of {len(shifts)} markers did not move with the rest (bending): most at "
        f"{worst.label}, {worst.left_size_mm:.2f} mm"
    ]
    if bending_mm > 0.0:
        out.append(
            f"Because the {part} is bent, its shift and turn are those of the {count} markers that "
            f"moved together best; these are bent too, by {bending_mm:.2f} mm each way (one "
            "standard deviation), and that is counted in U of shift and turn"
        )
    return out


def slid_sentences(d: Displacements, shifts: Sequence[CuffShift]) -> list[str]:
    """Cuffs whose rest points along their tube: most likely wrapped anew, and nobody said so."""
    out = []
    for site, s in zip(d.sites, shifts, strict=True):
        if not s.bent or site.axis is None or s.line_only:
            continue
        along = abs(float(site.axis @ s.left_mm))
        if along > _SHARE_ALONG * s.left_size_mm and along > 1.0:
            out.append(
                f"{s.label} is {along:.1f} mm off along its tube while the tube's line is not: if "
                f"it was wrapped anew, give --rewrapped {s.marker_id}"
            )
    return out
