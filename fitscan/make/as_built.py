"""The round trip: a tube that was cut or bent to a plan, fitted and surveyed, against that plan.

Measuring is left to `measured_cope` and `fitscan.shape.tube`, the file to `as_built_file`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.fit.reading import Reading, number_words, reading, verdict_sentences
from fitscan.fit.verdict import COVERAGE, Verdict
from fitscan.make.bar_file import BarFile
from fitscan.make.bends_file import BendsFile
from fitscan.make.cope_file import CopeFile, RunRow
from fitscan.make.cope_plan import CopeRequest
from fitscan.make.measured_cope import measured_cope
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.shape.straight import straights_of
from fitscan.shape.tube import Bend, Tube, find_tube
from fitscan.survey.survey import Survey

__all__ = ["AsBuilt", "cope_as_built", "tube_as_built"]

_THE_PLAN = "the plan"


@dataclass(frozen=True)
class AsBuilt:
    """A fitted tube against its plan.

    Attributes:
        name: of the tube.
        survey: name.
        axes: the frame for pictures.
        rules: the straights that it rests on.
        readings: every number found, with what was planned; U is that of the new survey alone,
            because the plan's numbers are what was cut.
        sentences, warnings: as everywhere.
        tolerance_deg, tolerance_mm: for the verdicts.
    """

    name: str
    survey: str
    axes: CarAxes
    rules: tuple[AxisRule, ...]
    readings: tuple[Reading, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    tolerance_deg: float
    tolerance_mm: float

    @property
    def heading(self) -> str:
        """What the result is."""
        return f"{self.name} as built, survey {self.survey}, against its plan"


@dataclass(frozen=True)
class _Joint:
    """One run as seen from the branch: angle deg, offset mm, turn deg."""

    angle: float
    offset: float
    turn: float

    def other(self) -> _Joint:
        """The same run looked at from its other end."""
        return _Joint(180.0 - self.angle, -self.offset, self.turn + 180.0)


def cope_as_built(
    plan: CopeFile,
    survey: Survey,
    *,
    branch: str | None = None,
    near: Sequence[str] = (),
    far: Sequence[str] = (),
    tolerance_deg: float = 0.5,
    tolerance_mm: float = 1.0,
) -> AsBuilt:
    """Hold a fitted branch against the cope that it was cut to.

    Args:
        plan: the cope's file.
        survey: of the fitted tube, with cuffs on it and on its runs.
        branch: tube name; the plan's if None.
        near: names of the runs in the plan's order; the plan's if empty.
        far: the same for the far end.
        tolerance_deg: largest wanted difference of an angle.
        tolerance_mm: largest wanted difference of an offset or a length.

    Raises:
        InputError: names that the survey does not know, another count of runs, another tube.
        DataError: as `measured_cope`.
    """
    rows = {end.end: end.runs for end in plan.ends}
    names = {"near": list(near), "far": list(far)}
    for side in ("near", "far"):
        own = rows.get(side, ())
        names[side] = names[side] or [r.name for r in own]
        if len(names[side]) != len(own):
            raise InputError(
                f"The plan has {len(own)} runs at its {side} end and {len(names[side])} were named",
                "--run" if side == "near" else "--far-run", "name them in the plan's order",
            )  # fmt: skip
    name = branch or plan.name
    _known(survey, [name, *names["near"], *names["far"]])
    found = measured_cope(survey, name, plan.wall_mm, names["near"], names["far"])
    if abs(found.branch.od_mm - plan.od_mm) > 0.5:
        raise InputError(
            f"The plan is for a tube of {plan.od_mm:g} mm and {name!r} has "
            f"{found.branch.od_mm:g} mm", "as-built", "name the tube that was cut to this plan",
        )  # fmt: skip
    readings = _cope_readings(plan, rows, found, survey, name, tolerance_deg, tolerance_mm)
    rules = tuple(
        AxisRule.of(survey, s)
        for tube in (name, *names["near"], *names["far"])
        for s in straights_of(survey, tube)
    )
    return _told(name, survey, rules, readings, [], tolerance_deg, tolerance_mm)


def _known(survey: Survey, names: list[str]) -> None:
    tubes = list(dict.fromkeys(c.tube for c in survey.kit.cuff))
    for name in names:
        if name not in tubes:
            raise InputError(
                f"The survey has no tube {name!r}, which the plan names", survey.frame,
                f"say which it is with --branch, --run or --far-run; it has: {', '.join(tubes)}",
            )  # fmt: skip


def _cope_readings(
    plan: CopeFile, rows: dict[str, tuple[RunRow, ...]], found: CopeRequest, survey: Survey,
    name: str, tolerance_deg: float, tolerance_mm: float,
) -> list[Reading]:  # fmt: skip
    order = [("near", n) for n in range(len(found.near))] + [
        ("far", n) for n in range(len(found.far))
    ]
    runs = [*found.near, *found.far]
    planned = [_planned(rows[side][n], rows["near"][0]) for side, n in order]
    measured = [
        _Joint(float(np.degrees(r.angle_rad)), r.offset_mm, float(np.degrees(r.turn_rad)))
        for r in runs
    ]
    joints = _same_way(planned, measured)
    u = {q.name: q.expanded for q in found.measured}
    cuffs = {
        t: tuple(c.first_id for c in survey.cuffs_of(t)) for t in {name, *(r.name for r in runs)}
    }
    out = []

    def add(subject: str, what: str, key: str, value: float, wanted: float, unit: str,
            ids: tuple[int, ...]) -> None:  # fmt: skip
        tolerance = tolerance_deg if unit == "deg" else tolerance_mm
        out.append(
            reading(
                subject,
                _THE_PLAN,
                what,
                value,
                u[key] / COVERAGE,
                unit,
                cuffs=ids,
                tolerance=tolerance,
                wanted=wanted,
            )
        )

    for (side, n), run, want, joint in zip(order, runs, planned, joints, strict=True):
        subject, ids = f"{name}, {side} end on {run.name}", (*cuffs[name], *cuffs[run.name])
        key = f"{side} end: {run.name}"
        add(subject, "angle", f"{key} angle", joint.angle, want.angle, "deg", ids)
        add(subject, "offset", f"{key} offset", joint.offset, want.offset, "mm", ids)
        if f"{key} turn" in u:
            turn = want.turn + (joint.turn - want.turn + 180.0) % 360.0 - 180.0
            add(subject, "turn", f"{key} turn", turn, want.turn, "deg", ids)
        if f"{key} along" in u:
            along = rows[side][n].along_mm - rows[side][0].along_mm
            add(subject, "along", f"{key} along", run.along_mm, along, "mm", ids)
    if found.length_mm is not None and plan.length_mm is not None:
        # Heights count from the first run's foot; a typed plan may have put that foot elsewhere.
        wanted = plan.length_mm - rows["near"][0].along_mm - rows["far"][0].along_mm
        every = tuple(dict.fromkeys(c for ids in cuffs.values() for c in ids))
        add(f"{name}, between its ends", "length", "length", found.length_mm, wanted, "mm", every)
    return out


def _planned(row: RunRow, first: RunRow) -> _Joint:
    return _Joint(row.angle_deg, row.offset_mm, row.turn_deg - first.turn_deg)


def _same_way(planned: list[_Joint], measured: list[_Joint]) -> list[_Joint]:
    """The measured runs, each looked at from the end that the plan looked from.

    A survey knows no ends of a run: 60 deg with an offset to one side is 120 deg with the offset to
    the other. Of all choices the one nearest to the plan is taken.
    """
    best: tuple[float, list[_Joint]] | None = None
    for flips in product((False, True), repeat=len(measured)):
        turned = [m.other() if flip else m for m, flip in zip(measured, flips, strict=True)]
        base = turned[0].turn
        turned = [_Joint(j.angle, j.offset, j.turn - base) for j in turned]
        misses = [
            (j.angle - p.angle) ** 2 + (j.offset - p.offset) ** 2
            + (((j.turn - p.turn + 180.0) % 360.0 - 180.0) / 3.0) ** 2
            for j, p in zip(turned, planned, strict=True)
        ]  # fmt: skip
        if best is None or sum(misses) < best[0]:
            best = (sum(misses), turned)
    return best[1] if best is not None else measured


def tube_as_built(
    plan: BarFile | BendsFile,
    survey: Survey,
    tube: str | None = None,
    *,
    tolerance_deg: float = 0.5,
    tolerance_mm: float = 1.0,
) -> AsBuilt:
    """Hold a bent tube against the bend table that it was bent to.

    Args:
        plan: the bar's or the bend table's file.
        survey: of the tube, with cuffs on each of its straights.
        tube: its name; the bar's if None.
        tolerance_deg: largest wanted difference of an angle.
        tolerance_mm: largest wanted difference of a straight between bends.

    Raises:
        InputError: no such tube, or the plan has no bend.
        DataError: the survey sees another number of bends than the plan has.
    """
    name = tube or (plan.name if isinstance(plan, BarFile) else None)
    if name is None:
        raise InputError("The tube is not named", "--tube", "give its name in the kit")
    if not plan.bends:
        raise InputError(
            "The plan is a straight tube, so there is no bend to hold against it", "as-built",
            "use `fitscan gap` to see how it sits",
        )  # fmt: skip
    _known(survey, [name])
    found = find_tube(survey, name, plan.clr_mm)
    if len(found.bends) != len(plan.bends):
        raise DataError(
            f"The plan has {len(plan.bends)} bends and the survey sees {len(found.bends)} of "
            f"{name!r}", survey.frame,
            "put two cuffs on every straight of the tube and number them along it",
        )  # fmt: skip
    readings, backwards = _bend_readings(plan, found, tolerance_deg, tolerance_mm)
    said = ["The survey numbers the tube from its other end."] if backwards else []
    said += _springback(plan, found, backwards=backwards)
    rules = tuple(AxisRule.of(survey, s) for s in straights_of(survey, name))
    return _told(name, survey, rules, readings, said, tolerance_deg, tolerance_mm)


def _ordered(plan: BarFile | BendsFile, found: Tube) -> tuple[list[Bend], bool]:
    """The surveyed bends in the plan's order: a tube may be numbered from either end."""
    planned = np.array([b.bend_deg for b in plan.bends])
    straights = np.array([b.feed_mm for b in plan.bends[1:]])
    misses = []
    for bends in (list(found.bends), list(found.bends)[::-1]):
        angles = np.degrees([b.angle_rad for b in bends])
        seen = _between(found, bends)
        miss = float(np.sum((angles - planned) ** 2))
        misses.append(miss + float(np.sum((seen - straights) ** 2)) / 100.0)
    backwards = misses[1] < misses[0]
    return (list(found.bends)[::-1] if backwards else list(found.bends)), backwards


def _between(found: Tube, bends: list[Bend]) -> np.typing.NDArray[np.float64]:
    """Straights between neighbouring bends, mm, in the order of the bends."""
    lengths = {s.number: s.length_mm for s in found.straights}
    out = []
    for a, b in pairwise(bends):
        shared = {a.before, a.after} & {b.before, b.after}
        out.append(lengths.get(shared.pop()) or 0.0)
    return np.array(out)


def _bend_readings(
    plan: BarFile | BendsFile, found: Tube, tolerance_deg: float, tolerance_mm: float
) -> tuple[list[Reading], bool]:
    bends, backwards = _ordered(plan, found)
    cuffs = {s.number: s.cuffs for s in found.straights}
    by_number = {s.number: s for s in found.straights}
    out = []
    for n, (bend, row) in enumerate(zip(bends, plan.bends, strict=True)):
        subject, ids = f"{found.name}, bend {n + 1}", (*cuffs[bend.before], *cuffs[bend.after])
        angle = float(np.degrees(bend.angle_rad))
        u = float(np.degrees(bend.angle_u_rad))
        out.append(
            reading(
                subject,
                _THE_PLAN,
                "angle",
                angle,
                u,
                "deg",
                cuffs=ids,
                tolerance=tolerance_deg,
                wanted=row.bend_deg,
            )
        )
        if n == 0:
            continue
        # Seen from either end the turn between two bends has the same sign; it stands with the
        # later of the two as the survey counts them.
        holder = bends[n - 1] if backwards else bend
        if holder.turn_rad is not None and holder.turn_u_rad is not None:
            turn = float(np.degrees(holder.turn_rad))
            turn = row.turn_deg + (turn - row.turn_deg + 180.0) % 360.0 - 180.0
            out.append(
                reading(
                    subject,
                    _THE_PLAN,
                    "turn",
                    turn,
                    float(np.degrees(holder.turn_u_rad)),
                    "deg",
                    cuffs=ids,
                    tolerance=tolerance_deg,
                    wanted=row.turn_deg,
                )
            )
        shared = {bend.before, bend.after} & {bends[n - 1].before, bends[n - 1].after}
        straight = by_number[shared.pop()]
        if straight.length_mm is not None and straight.length_u_mm is not None:
            out.append(
                reading(
                    subject,
                    _THE_PLAN,
                    "straight before it",
                    straight.length_mm,
                    straight.length_u_mm,
                    "mm",
                    cuffs=straight.cuffs,
                    tolerance=tolerance_mm,
                    wanted=row.feed_mm,
                )
            )
    return out, backwards


def _springback(plan: BarFile | BendsFile, found: Tube, *, backwards: bool) -> list[str]:
    """What each bend says of the spring-back, if the bender was set as the plan said."""
    bends = list(found.bends)[::-1] if backwards else list(found.bends)
    out = []
    for n, (bend, row) in enumerate(zip(bends, plan.bends, strict=True), 1):
        angle, u = float(np.degrees(bend.angle_rad)), float(np.degrees(bend.angle_u_rad))
        share = 100.0 * (row.set_deg / angle - 1.0)
        expanded = COVERAGE * 100.0 * row.set_deg / angle**2 * u
        out.append(
            f"Bend {n} was to be set to {row.set_deg:.1f} deg and stands at {angle:.2f} deg: if it "
            f"was, this tube springs back by {share:.1f} % (U {expanded:.1f})"
        )
    return out


def _told(
    name: str, survey: Survey, rules: tuple[AxisRule, ...], readings: list[Reading],
    said: list[str], tolerance_deg: float, tolerance_mm: float,
) -> AsBuilt:  # fmt: skip
    differences = []
    for r in readings:
        if r.wanted is not None and r.verdict is not Verdict.IN:
            away = r.value - r.wanted
            digits = 2
            differences.append(
                f"{r.subject}: {r.name} is {number_words(r)}, planned {r.wanted:.{digits}f} "
                f"{r.unit}, {away:+.{digits}f} {r.unit} off"
            )
    return AsBuilt(
        name,
        survey.name,
        car_axes(survey),
        rules,
        tuple(readings),
        (*verdict_sentences(readings), *differences, *said),
        survey.quality.warnings,
        tolerance_deg,
        tolerance_mm,
    )
