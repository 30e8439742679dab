"""Every angle a fitter asks for: lean, level, angle between tubes, left against right, in words.

The numbers come from `lean` and `symmetry`; files, tables and plots are left to others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from fitscan.errors import InputError
from fitscan.fit.lean import between, lean_of_hoop, lean_of_straight, level_of, uprightness
from fitscan.fit.reading import Reading, number_words, verdict_sentences
from fitscan.fit.reference import CAR, PLUMB, Reference, references
from fitscan.fit.symmetry import mirror, partners
from fitscan.fit.wishes import pair_of, wanted_of
from fitscan.shape.axis_rule import AxisRule, axis_named
from fitscan.shape.contradiction import contradictions
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

__all__ = ["GAUGE_DEG", "AngleWishes", "Angles", "find_angles"]

GAUGE_DEG = 0.1
"""Harness bars are set alike to what a digital angle gauge shows (common practice, no source)."""

_STEEP = float(np.cos(np.radians(45.0)))


@dataclass(frozen=True)
class AngleWishes:
    """What is asked, each as the user writes it.

    Attributes:
        lean: TUBE or TUBE:STRAIGHT, with @DEG for the lean forward that is wanted.
        level: the same, with @DEG for the slope that is wanted (0 if not said).
        between: A=B of two straights, with @DEG for the angle that is wanted.
        mirror: LEFT=RIGHT of two straights.
        symmetry: parts whose straights are paired by themselves.
        against: "car", "plumb" or "both": what leans and levels are held against.
        tolerance_deg, tolerance_mm: for the verdicts.
    """

    lean: Sequence[str] = ()
    level: Sequence[str] = ()
    between: Sequence[str] = ()
    mirror: Sequence[str] = ()
    symmetry: Sequence[str] = ()
    against: str = "both"
    tolerance_deg: float = GAUGE_DEG
    tolerance_mm: float = 2.0

    @property
    def empty(self) -> bool:
        """Whether nothing is asked."""
        return not (self.lean or self.level or self.between or self.mirror or self.symmetry)


@dataclass(frozen=True)
class Angles:
    """Answers.

    Attributes:
        survey: its name.
        axes: the frame for pictures.
        readings: every number, in the order of the questions.
        rules: the straights that they rest on.
        tolerance_deg, tolerance_mm: for the verdicts.
        sentences: in the fitter's words.
        warnings: that every output must carry.
    """

    survey: str
    axes: CarAxes
    readings: tuple[Reading, ...]
    rules: tuple[AxisRule, ...]
    tolerance_deg: float
    tolerance_mm: float
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def heading(self) -> str:
        """What the result is."""
        return f"Angles in survey {self.survey}"


@dataclass
class _Answers:
    """Readings and sentences as they come."""

    readings: list[Reading] = field(default_factory=list)
    sentences: list[str] = field(default_factory=list)
    rules: dict[str, AxisRule] = field(default_factory=dict)

    def use(self, *rules: AxisRule) -> None:
        for rule in rules:
            self.rules.setdefault(rule.name, rule)


def find_angles(survey: Survey, wishes: AngleWishes) -> Angles:
    """Answer every wish.

    Raises:
        InputError: nothing is asked, a wish cannot be read, a tube or part is unknown, or the kit
            has neither datum nor plumb line where one is needed.
        DataError: the datum's markers do not span the axes, or a bar asked for its level stands.
    """
    if wishes.empty:
        raise InputError(
            "Nothing is asked",
            "angles",
            "give --lean, --level, --between, --mirror or --symmetry",
        )
    needs = wishes.lean or wishes.level or wishes.mirror or wishes.symmetry
    against = references(survey) if needs else []
    answers = _Answers()
    chosen = _chosen(against, wishes.against) if wishes.lean or wishes.level else []
    _lean(survey, wishes, chosen, answers)
    _level(survey, wishes, chosen, answers)
    _between(survey, wishes, answers)
    _symmetry(survey, wishes, against, answers)
    answers.sentences += verdict_sentences(answers.readings)
    return Angles(
        survey.name,
        car_axes(survey),
        tuple(answers.readings),
        tuple(answers.rules.values()),
        wishes.tolerance_deg,
        wishes.tolerance_mm,
        tuple(answers.sentences),
        _warnings(survey, list(answers.rules.values()), against),
    )


def _chosen(against: list[Reference], wanted: str) -> list[Reference]:
    """The references that the user wants of those that the kit offers."""
    if wanted not in ("car", "plumb", "both"):
        what = f"{wanted!r} is nothing to lean against"
        raise InputError(what, "--against", "write car, plumb or both")
    strings = [r for r in against if PLUMB in r.name]
    car = [r for r in against if r.name.startswith(CAR)]
    found = {"car": car, "plumb": strings, "both": against}[wanted]
    if not found:
        missing = "[datum]" if wanted == "car" else "[plumb]"
        raise InputError(f"The kit has no {missing}", f"--against {wanted}", "add it to the kit")
    return found


def _lean(survey: Survey, wishes: AngleWishes, against: list[Reference], answers: _Answers) -> None:
    for text in wishes.lean:
        name, wanted = wanted_of(text)
        rules = _rules_of(survey, name, "--lean")
        answers.use(*rules)
        for reference in against:
            steep = [r for r in rules if uprightness(survey, r, reference) >= _STEEP]
            for rule in steep if len(rules) > 1 else rules:
                found = lean_of_straight(survey, rule, reference, wishes.tolerance_deg, wanted)
                answers.readings += found
                answers.sentences.append(_lean_words(found))
            if len(rules) > 1:
                found = lean_of_hoop(survey, rules, reference, wishes.tolerance_deg)
                answers.readings += found
                answers.sentences += [
                    f"{r.subject}, {r.name}: {number_words(r)} against {r.against}" for r in found
                ]
                if not steep and not found:
                    raise InputError(
                        f"No straight of the tube {name!r} stands", "--lean", "ask for its level"
                    )


def _level(
    survey: Survey, wishes: AngleWishes, against: list[Reference], answers: _Answers
) -> None:
    if not wishes.level:
        return
    parsed = [wanted_of(text) for text in wishes.level]
    rules = [axis_named(survey, name, "--level") for name, _ in parsed]
    answers.use(*rules)
    for reference in against:
        found = level_of(
            survey, rules, [w or 0.0 for _, w in parsed], reference, wishes.tolerance_deg
        )
        answers.readings += found
        answers.sentences += [_level_words(r) for r in found]


def _between(survey: Survey, wishes: AngleWishes, answers: _Answers) -> None:
    for text in wishes.between:
        pair, wanted = wanted_of(text)
        a, b = (axis_named(survey, n, "--between") for n in pair_of(pair, "--between"))
        answers.use(a, b)
        found = between(survey, a, b, wishes.tolerance_deg, wanted)
        answers.readings.append(found)
        answers.sentences.append(
            f"{a.name} and {b.name} stand at {number_words(found)} to each other"
        )


def _symmetry(
    survey: Survey, wishes: AngleWishes, against: list[Reference], answers: _Answers
) -> None:
    if not (wishes.mirror or wishes.symmetry):
        return
    reference = against[0]
    if not reference.directed:
        raise InputError(
            "The kit has a plumb line but no centre plane to mirror in",
            "kit",
            'add a [datum], best of the kind "pairs"',
        )
    pairs = []
    for text in wishes.mirror:
        left, right = (axis_named(survey, n, "--mirror") for n in pair_of(text, "--mirror"))
        pairs.append((left, right))
    for part in wishes.symmetry:
        if part not in survey.kit.parts:
            known = ", ".join(survey.kit.parts)
            raise InputError(f"The kit has no part {part!r}", "--symmetry", f"use one of: {known}")
        found, alone = partners(survey, part, reference)
        if not found:
            raise InputError(
                f"No two straights of the part {part!r} mirror each other",
                "--symmetry",
                "name the pairs yourself with --mirror LEFT=RIGHT",
            )
        pairs += found
        if alone:
            answers.sentences.append(f"Without a partner on the other side: {'; '.join(alone)}")
    for left, right in pairs:
        answers.use(left, right)
        rows = mirror(survey, left, right, reference, wishes.tolerance_deg, wishes.tolerance_mm)
        answers.readings += rows
        answers.sentences.append(_mirror_words(left, right, rows))


# ---------------------------------------------------------------- reading wishes


def _rules_of(survey: Survey, name: str, option: str) -> list[AxisRule]:
    """All straights of a tube, or the one that is named."""
    if name in {c.tube for c in survey.kit.cuff}:
        return [AxisRule.of(survey, s) for s in straights_of(survey, name)]
    return [axis_named(survey, name, option)]


# ---------------------------------------------------------------- words


def _side(r: Reading, plus: str, minus: str) -> str:
    if not r.proven:
        return f"neither {plus} nor {minus} (U {r.expanded:.3f} deg)"
    way = plus if r.value > 0 else minus
    return f"{abs(r.value):.3f} deg {way} (U {r.expanded:.3f} deg)"


def _lean_words(found: list[Reading]) -> str:
    by_name = {r.name: r for r in found}
    total = by_name["lean in all"]
    start = f"{total.subject} leans"
    if "lean forward" not in by_name:
        return f"{start} {number_words(total)} against {total.against}"
    ahead = _side(by_name["lean forward"], "forward", "back")
    aside = _side(by_name["lean left"], "to the left", "to the right")
    return f"{start} {ahead} and {aside} against {total.against}"


def _level_words(r: Reading) -> str:
    if r.name == "difference of level":
        return f"{r.subject}: they differ by {number_words(r)} against {r.against}"
    end = r.name.removesuffix(" end higher")
    if not r.proven:
        return f"{r.subject} is level against {r.against}: no slope is proven ({number_words(r)})"
    way = "higher" if r.value > 0 else "lower"
    rise = 1000.0 * abs(float(np.tan(np.radians(r.value))))
    return (
        f"{r.subject}: its {end} end is {way} by {abs(r.value):.3f} deg (U {r.expanded:.3f} deg), "
        f"{rise:.1f} mm on a metre, against {r.against}"
    )


def _mirror_words(left: AxisRule, right: AxisRule, rows: list[Reading]) -> str:
    angle, total = rows[0], rows[-1]
    words = (
        ("further forward", "further back"),
        ("further out", "further in"),
        ("higher", "lower"),
    )
    ways = [
        f"{abs(r.value):.2f} mm {pair[0] if r.value > 0 else pair[1]}"
        for r, pair in zip(rows[1:-1], words, strict=True)
        if r.proven
    ]
    where = f": it sits {', '.join(ways)}" if ways else ""
    return (
        f"{right.name} mirrored is {number_words(total)} off {left.name} and at "
        f"{number_words(angle)} to it{where}"
    )


def _warnings(survey: Survey, rules: list[AxisRule], against: list[Reference]) -> tuple[str, ...]:
    out = list(survey.quality.warnings)
    for rule in rules:
        out += [c.sentence for c in contradictions(survey, rule)]
        if rule.lone:
            out.append(
                f"{rule.name} has a single cuff ({rule.cuffs[0]}), so its direction is known "
                "badly: wrap a second one far from it"
            )
    misfit = car_axes(survey).misfit_mm if against else None
    if misfit is not None and misfit > 1.0:
        out.append(
            f"The datum's markers are up to {misfit:.1f} mm off the shape they stand for: angles "
            "against the car's axes are angles against these markers"
        )
    for reference in against:
        own = reference.axes.plumb if reference.axes is not None else None
        strings = reference.plumb or own
        apart = strings.disagreement(survey) if strings is not None else None
        if apart is not None and apart[0] > apart[1]:
            out.append(
                f"The plumb lines disagree by {np.degrees(apart[0]):.2f} deg (U "
                f"{np.degrees(apart[1]):.2f} deg): a string did not hang freely, or a pointer "
                "slipped"
            )
    return tuple(dict.fromkeys(out))
