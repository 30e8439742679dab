"""A survey held against a steel rule: lengths between marks, read by hand and kept out of it.

The survey's own rules carry its scale and prove nothing; these lengths do. Keeping the sheet is
left to `verify_file`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.fit.labels import label_of
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.rotation import Array
from fitscan.shape.marks import Marks
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.survey.survey import Survey

__all__ = ["CheckedLength", "ReadLength", "Verification", "parse_length", "verify"]

STEEL_RULE_U_MM = 0.3
"""Standard uncertainty of one length read with a steel rule or tape by eye, both ends (common
practice, no source; the same as a kit's [[rule]] has unless it says otherwise)."""

_LONGEST_MM = 10_000.0
_LEAST_LENGTHS = 5
_LEAST_SHARE = 2.0 / 3.0


@dataclass(frozen=True)
class ReadLength:
    """A length that a person read.

    Attributes:
        ids: marks at its ends: tags (their centres) or pointers (their tips).
        length_mm: the reading.
        u_mm: its standard uncertainty.
    """

    ids: tuple[int, int]
    length_mm: float
    u_mm: float = STEEL_RULE_U_MM


@dataclass(frozen=True)
class CheckedLength:
    """One length of the survey against its reading.

    Attributes:
        read: what the person read.
        labels: its ends in the fitter's words.
        measured_mm: the survey's length.
        measured_expanded_mm: expanded uncertainty (k = 2) of the survey's length alone.
        error_mm: measured less read.
        expanded_mm: expanded uncertainty (k = 2) of the error, both sides together.
        verdict: of the error's size against the limit.
    """

    read: ReadLength
    labels: tuple[str, str]
    measured_mm: float
    measured_expanded_mm: float
    error_mm: float
    expanded_mm: float
    verdict: Verdict

    @property
    def ratio(self) -> float:
        """Size of the error over its U: up to 1 the two sides agree.

        It is E_n of ISO 13528 (from memory), whose denominator joins the U of both sides.
        """
        return abs(self.error_mm) / self.expanded_mm

    @property
    def agrees(self) -> bool:
        """Whether the error is no larger than its U."""
        return self.ratio <= 1.0


@dataclass(frozen=True)
class Verification:
    """A survey against a steel rule.

    Attributes:
        survey: its name.
        scale_source: what the survey's own scale rests on.
        limit_mm: largest error that is accepted.
        lengths: in the order given.
        scale_error, scale_expanded: by what share all lengths come out too long, and U (k = 2).
        longest_share: longest length over the largest distance of two markers.
        sentences: in the fitter's words.
        warnings: that every output must carry.
    """

    survey: str
    scale_source: str
    limit_mm: float
    lengths: tuple[CheckedLength, ...]
    scale_error: float
    scale_expanded: float
    longest_share: float
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]


def parse_length(text: str) -> ReadLength:
    """Read ID:ID:MM or ID:ID:MM:U_MM, for example "4:17:1203.5:0.3".

    Raises:
        InputError: it is written otherwise, or the numbers cannot be.
    """
    option = "--length"
    parts = text.split(":")
    todo = "write it like 4:17:1203.5 or, with the reading's u, 4:17:1203.5:0.3"
    if len(parts) not in (3, 4):
        raise InputError(f"{text!r} is not ID:ID:MM or ID:ID:MM:U_MM", option, todo)
    try:
        ids = (int(parts[0]), int(parts[1]))
        length = float(parts[2])
        u = float(parts[3]) if len(parts) == 4 else STEEL_RULE_U_MM
    except ValueError:
        raise InputError(f"{text!r} has something else than numbers in it", option, todo) from None
    if ids[0] == ids[1]:
        raise InputError(f"{text!r} has the same id at both ends", option, "name two marks")
    if not 0.0 < length <= _LONGEST_MM:
        raise InputError(
            f"{parts[2]} mm in {text!r} is no length of a car", option, "give millimetres"
        )
    if not 0.0 < u < 100.0:
        raise InputError(
            f"{text!r} says that the reading's u is {parts[3]} mm", option,
            "give its standard uncertainty in millimetres, for example 0.3",
        )  # fmt: skip
    return ReadLength(ids, length, u)


def verify(survey: Survey, read: list[ReadLength], limit_mm: float = 1.0) -> Verification:
    """Compare lengths of a survey with what a person read.

    The error is measured less calibrated length (VDI/VDE 2634 part 1), its verdict follows
    ISO 14253-1. U combines the survey's joint covariance with the reading's u.

    Args:
        survey: that had no part of these lengths.
        read: lengths read on the same marks.
        limit_mm: largest error that is accepted.

    Raises:
        InputError: no length, one given twice, an id that the survey cannot measure a length
            from, or a length that the survey has used as a rule.
    """
    _check(survey, read)
    ids = list(dict.fromkeys(i for r in read for i in r.ids))
    marks = Marks.of(survey, ids, "the lengths")

    def lengths(poses: list[Poses]) -> Array:
        at = {i: marks.point(poses[0], i) for i in ids}
        return np.array([np.linalg.norm(at[r.ids[0]] - at[r.ids[1]]) for r in read])

    value, covariance = propagate(lengths, [MarkerInput(survey, marks.ids)])
    checked = tuple(
        _checked(survey, r, float(v), float(c), limit_mm)
        for r, v, c in zip(read, value, np.diag(covariance), strict=True)
    )
    scale, scale_expanded = _scale(checked, covariance)
    centres = np.array([p.translation for p in survey.poses])
    across = float(np.linalg.norm(centres[:, None] - centres[None], axis=-1).max())
    result = Verification(
        survey.name, survey.quality.scale_source, limit_mm, checked, scale, scale_expanded,
        float(value.max()) / across, (), survey.quality.warnings,
    )  # fmt: skip
    return Verification(**{**vars(result), "sentences": _sentences(result)})


def _check(survey: Survey, read: list[ReadLength]) -> None:
    if not read:
        raise InputError("No length was given", "--length", "give at least one, better five")
    flat = {t.id for t in survey.kit.tag} | {p.id for p in survey.kit.pointer}
    on_cuff = {i for c in survey.kit.cuff for i in c.ids}
    rules = {frozenset(r.ids) for r in survey.kit.rule}
    pairs = [frozenset(r.ids) for r in read]
    for r, pair in zip(read, pairs, strict=True):
        where = f"--length {r.ids[0]}:{r.ids[1]}"
        for i in r.ids:
            if i in on_cuff:
                raise InputError(
                    f"Marker {i} is on a cuff, and no rule reaches its middle inside the tube",
                    where,
                    "measure between flat tags or pointers",
                )
            if i not in flat:
                raise InputError(f"Marker {i} is not in the survey's kit", where, "name another")
        if pair in rules:
            raise InputError(
                f"{r.ids[0]} and {r.ids[1]} are a rule of this survey, so this proves nothing",
                where,
                "measure between two marks that are no rule",
            )
        if pairs.count(pair) > 1:
            raise InputError(
                f"The length from {r.ids[0]} to {r.ids[1]} is given twice", where,
                "give each length once, the mean of your readings",
            )  # fmt: skip


def _checked(
    survey: Survey, read: ReadLength, value: float, variance: float, limit_mm: float
) -> CheckedLength:
    error = value - read.length_mm
    expanded = COVERAGE * float(np.sqrt(variance + read.u_mm**2))
    labels = (label_of(survey, read.ids[0]), label_of(survey, read.ids[1]))
    return CheckedLength(
        read, labels, value, COVERAGE * float(np.sqrt(variance)), error, expanded,
        judge(abs(error), expanded, limit_mm),
    )  # fmt: skip


def _scale(lengths: tuple[CheckedLength, ...], covariance: Array) -> tuple[float, float]:
    """By what share all lengths come out too long, and U: least squares with all covariances."""
    size = np.array([c.read.length_mm for c in lengths])
    error = np.array([c.error_mm for c in lengths])
    total = covariance + np.diag([c.read.u_mm**2 for c in lengths])
    weighted = np.linalg.solve(total, size)
    known = float(size @ weighted)
    return float(weighted @ error) / known, COVERAGE / float(np.sqrt(known))


def _sentences(v: Verification) -> tuple[str, ...]:
    worst = max(v.lengths, key=lambda c: abs(c.error_mm))
    many = len(v.lengths)
    out = [
        f"Largest error: {worst.error_mm:+.2f} mm (U {worst.expanded_mm:.2f} mm) over "
        f"{worst.read.length_mm:.1f} mm, from {worst.labels[0]} to {worst.labels[1]}"
    ]
    apart = [c for c in v.lengths if not c.agrees]
    if not apart:
        out.append(
            "The survey and the steel rule agree: the error is smaller than its U"
            if many == 1
            else f"The survey and the steel rule agree: all {many} errors are smaller than their U"
        )
    else:
        out.append(
            f"{len(apart)} of {many} lengths do not agree: the error is larger than its U. Read "
            f"{'it' if len(apart) == 1 else 'them'} again; if that changes nothing, U is not to be "
            "trusted"
        )
    if abs(v.scale_error) > v.scale_expanded and many > 1:
        way = "long" if v.scale_error > 0 else "short"
        out.append(
            f"All lengths together come out {100 * abs(v.scale_error):.3f} % too {way} (U "
            f"{100 * v.scale_expanded:.3f} %): check how the survey's rules were read"
        )
    return (*out, *_short_of(v, many))


def _short_of(v: Verification, many: int) -> list[str]:
    """What a full acceptance run would ask for beyond these lengths."""
    missing = []
    if many < _LEAST_LENGTHS:
        missing.append(f"at least {_LEAST_LENGTHS} lengths, and here are {many}")
    if v.longest_share < _LEAST_SHARE:
        missing.append(
            f"a longest one of two thirds of the space, and here it is "
            f"{100 * v.longest_share:.0f} % of the largest distance of two markers"
        )
    if len(missing) == 0:
        return []
    return [f"VDI/VDE 2634 part 1 asks for {'; and for '.join(missing)}"]
