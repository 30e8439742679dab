"""Whether a bar clears a door's trim while the door shuts: how near, where, at which door angle.

The axis comes from `hinge`, what the bar may hit from `obstacles`; pictures are left to
`fitscan.report`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.fit.deciding import Influence, what_decides
from fitscan.fit.hinge import Hinge, find_hinge
from fitscan.fit.obstacle_scan import ScanPoint, scan_obstacles
from fitscan.fit.obstacles import Obstacle, door_points, stub_points
from fitscan.fit.recheck import excess_warning
from fitscan.fit.shared_scale import joint_variance
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.geometry.line import Line, closest_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, angle_between, exp
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.shape.propagate import Poses
from fitscan.shape.scan import Scan
from fitscan.shape.scan_points import ScanPoints
from fitscan.shape.straight import CUFF_REACH_MM, straights_of
from fitscan.survey.survey import Survey

__all__ = ["DoorAngle", "Sweep", "clearance_words", "find_sweep"]

_MOST_SIDE_STEP = np.radians(2.0)
"""Chords of a bend's arc."""

_STEPS = np.array([2e-6] * 3 + [2e-3] * 3)


@dataclass(frozen=True)
class DoorAngle:
    """The smallest clearance at one door angle.

    Attributes:
        open_deg: by which the door is open.
        clearance_mm, expanded_mm: from the bar's surface to the door, below 0 where they overlap;
            U (k = 2).
        verdict: against the wanted clearance.
        obstacle: what is nearest.
        door_mm, bar_mm: (3,) the door's point, and the bar's on its axis, in the told frame.
    """

    open_deg: float
    clearance_mm: float
    expanded_mm: float
    verdict: Verdict
    obstacle: str
    door_mm: Array
    bar_mm: Array


@dataclass(frozen=True)
class Sweep:
    """A door's way past a bar.

    Attributes:
        hinge: axis and positions; its base is the shut door.
        bar: tube name; bar_od_mm: its outside diameter.
        axes: the told frame, from the base's frame.
        angles: smallest clearance at each door angle, from shut to open.
        tightest: the smallest of all.
        wanted_mm: clearance that is wanted.
        door_points: (n, 3) points of the shut door that were looked at, in the told frame.
        bar_line: (n, 3) the bar's centre line in the told frame.
        sentences: in the fitter's words.
        deciding: what would decide an open verdict.
        warnings: that every output must carry.
    """

    hinge: Hinge
    bar: str
    bar_od_mm: float
    axes: CarAxes
    angles: tuple[DoorAngle, ...]
    tightest: DoorAngle
    wanted_mm: float
    door_points: Array
    bar_line: Array
    sentences: tuple[str, ...]
    deciding: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def headline(self) -> str:
        """The number that matters most."""
        return clearance_words(self.tightest.clearance_mm, self.tightest.expanded_mm)

    @property
    def frame(self) -> str:
        """In which points are told."""
        return self.axes.frame

    @property
    def axis(self) -> Line:
        """The hinge in the told frame."""
        told = self.axes.car_from_survey
        return Line(told.apply(self.hinge.axis.point), told.turn(self.hinge.axis.direction))

    @property
    def positions(self) -> tuple[tuple[str, float, float], ...]:
        """Name, door angle and its U (k = 2) of each survey, deg."""
        return tuple(
            (s.name, float(np.degrees(a)), float(np.degrees(COVERAGE * self.hinge.angle_u(0, k))))
            for k, (s, a) in enumerate(zip(self.hinge.surveys, self.hinge.angles, strict=True))
        )


def clearance_words(clearance_mm: float, expanded_mm: float) -> str:
    """A clearance with U: "3.4 mm (U 0.3 mm) clear", or how deep it overlaps."""
    size = f"{abs(clearance_mm):.2f} mm (U {expanded_mm:.2f} mm)"
    return f"{size} clear" if clearance_mm >= 0.0 else f"{size} too deep"


def find_sweep(
    surveys: Sequence[Survey],
    door: str,
    on: Sequence[str],
    bar: str,
    bar_survey: int = 0,
    *,
    wanted_mm: float = 3.0,
    step_deg: float = 1.0,
    stubs: Sequence[str] = (),
    joined: bool = False,
    clr_mm: float | None = None,
    scan: tuple[Scan, ScanPoints] | None = None,
) -> Sweep:
    """Swing a door past a bar.

    Args:
        surveys: one for each position of the door, the shut door first.
        door: the part that turns, with its tags and pointers.
        on: parts that stay.
        bar: tube name.
        bar_survey: position in `surveys` of the one that the bar is taken from.
        wanted_mm: smallest clearance that is accepted.
        step_deg: between door angles.
        stubs: tubes on the door that count as solid.
        joined: whether lips run straight between neighbouring pointers.
        clr_mm: centre-line radius of the bar's bends; the kit's [[tube]] if None.
        scan: of the door, with the points that were picked in it.

    Raises:
        InputError: unknown tubes or parts.
        DataError: too few markers, or positions that fit no axis.
    """
    hinge = find_hinge(surveys, door, on)
    if not 0.0 < step_deg <= 45.0:
        raise InputError(f"{step_deg:g} deg is no step of a door", "--step-deg", "write 1, or less")
    obstacles: list[Obstacle | ScanPoint] = [*door_points(surveys, door, joined=joined)]
    for tube in stubs:
        obstacles += stub_points(surveys, tube)
    line = _BarLine.of(surveys[bar_survey], bar, clr_mm)
    remarks: tuple[str, ...] = ()
    if scan is not None:
        poses = dict(zip(surveys[bar_survey].markers, surveys[bar_survey].poses, strict=True))
        chords = hinge.base_from[bar_survey].apply(line.chords(poses))
        found_points, remarks = scan_obstacles(hinge, chords, *scan)
        obstacles += found_points
    way = _Way(hinge, line, bar_survey, obstacles)
    widest = float(np.max(hinge.angles))
    if widest <= 0.0:
        raise DataError(
            "The first survey is not the one with the door shut", surveys[0].name, "name it first"
        )
    count = max(2, int(np.ceil(np.degrees(widest) / step_deg)) + 1)
    found = [way.nearest(a) for a in np.linspace(0.0, widest, count).tolist()]
    tightest = way.tightest(found, widest / (count - 1))
    if all(tightest is not n for n in found):
        found = sorted([*found, tightest], key=lambda n: n.angle)
    axes = _told(hinge)
    gradients = [way.gradient(n) for n in found]
    angles = tuple(
        _door_angle(way, n, g, axes, wanted_mm) for n, g in zip(found, gradients, strict=True)
    )
    best = min(range(len(angles)), key=lambda i: angles[i].clearance_mm)
    warnings = [w for s in surveys for w in s.quality.warnings]
    warnings += line.warnings
    result = Sweep(
        hinge, bar, line.od_mm, axes, angles, angles[best], wanted_mm,
        axes.car_from_survey.apply(way.door_points),
        axes.car_from_survey.apply(way.centre_line()), (),
        _deciding(way, angles[best], gradients[best], axes, wanted_mm),
        tuple(dict.fromkeys([*warnings, *excess_warning(hinge.excess, f"{door} and what stays"),
                             _blind_spots(door, len(obstacles), scan is not None)])),
    )  # fmt: skip
    return Sweep(**{**vars(result), "sentences": (*_sentences(result, door), *remarks)})


def _told(hinge: Hinge) -> CarAxes:
    """Axes from the base's frame: by the first survey that shows the datum's markers."""
    for survey, base_from in zip(hinge.surveys, hinge.base_from, strict=True):
        axes = car_axes(survey)
        if axes.known:
            return replace(axes, car_from_survey=axes.car_from_survey @ base_from.inverse())
    return CarAxes(Rigid.identity(), known=False)


# ---------------------------------------------------------------- the bar


@dataclass(frozen=True)
class _BarLine:
    """A bar's centre line as a function of its cuffs' poses.

    Attributes:
        rules: its straights; spans: how far each is straight, from its first and its last cuff.
        bends: positions i of straights that are joined to i + 1 by an arc of `clr_mm`.
        sides: chords of each bend.
        od_mm: outside diameter.
        warnings: about pieces that are not included.
    """

    rules: tuple[AxisRule, ...]
    bends: tuple[int, ...]
    sides: tuple[int, ...]
    clr_mm: float
    od_mm: float
    warnings: tuple[str, ...]

    @staticmethod
    def of(survey: Survey, bar: str, clr_mm: float | None) -> _BarLine:
        clr_mm = survey.kit.clr_of(bar) if clr_mm is None else clr_mm
        rules = [AxisRule.of(survey, s) for s in straights_of(survey, bar)]
        bends, sides, warnings = [], [], []
        for i in range(len(rules) - 1):
            a, b = rules[i].straight, rules[i + 1].straight
            if b.number != a.number + 1 or clr_mm is None:
                warnings.append(
                    f"The piece of the {bar} between straights {a.number} and {b.number} is not "
                    "looked at: give its centre-line radius in the kit's [[tube]]"
                )
                continue
            apex = 0.5 * np.add(*closest_points(a.axis, b.axis))
            rules[i] = rules[i].facing(apex - a.axis.point)
            rules[i + 1] = rules[i + 1].facing(b.axis.point - apex)
            angle = angle_between(
                rules[i].sense * a.axis.direction, rules[i + 1].sense * b.axis.direction
            )
            bends.append(i)
            sides.append(max(2, int(np.ceil(angle / _MOST_SIDE_STEP))))
        return _BarLine(
            tuple(rules), tuple(bends), tuple(sides), clr_mm or 0.0, rules[0].straight.od_mm,
            tuple(warnings),
        )  # fmt: skip

    @property
    def cuffs(self) -> tuple[int, ...]:
        return tuple(c for r in self.rules for c in r.cuffs)

    def chords(self, poses: Poses) -> Array:
        """Straight pieces (s, 2, 3) in the frame of the poses."""
        axes = [rule.axis(poses) for rule in self.rules]
        ends = []
        for rule, axis in zip(self.rules, axes, strict=True):
            along = axis.along(np.array([poses[c].translation for c in rule.cuffs]))
            reach = [along.min() - CUFF_REACH_MM, along.max() + CUFF_REACH_MM]
            ends.append([axis.at(float(v)) for v in reach])
        arcs = []
        for i, sides in zip(self.bends, self.sides, strict=True):
            arc = _arc(axes[i], axes[i + 1], self.clr_mm, sides)
            ends[i][1], ends[i + 1][0] = arc[0], arc[-1]
            arcs += [[a, b] for a, b in pairwise(arc)]
        return np.array(ends + arcs)


def _arc(before: Line, after: Line, clr_mm: float, sides: int) -> Array:
    """Corners (sides + 1, 3) of a bend's centre line."""
    on_before, on_after = closest_points(before, after)
    apex = 0.5 * (on_before + on_after)
    angle = angle_between(before.direction, after.direction)
    normal = np.cross(before.direction, after.direction)
    normal = normal / np.linalg.norm(normal)
    inwards = np.cross(normal, before.direction)
    start = apex - clr_mm * np.tan(0.5 * angle) * before.direction
    middle = start + clr_mm * inwards
    turns = exp(np.linspace(0.0, angle, sides + 1)[:, None] * normal)
    return np.asarray(middle + turns @ (start - middle))


# ---------------------------------------------------------------- the way


@dataclass(frozen=True)
class _Nearest:
    """Which point of the door and which piece of the bar are nearest at an angle (rad)."""

    angle: float
    clearance: float
    point: int
    chord: int
    share: float


class _Way:
    """Distances of the bar from the door's points at any door angle, and what they depend on."""

    def __init__(
        self, hinge: Hinge, line: _BarLine, bar_survey: int, obstacles: list[Obstacle | ScanPoint]
    ) -> None:
        self.hinge, self.line, self.bar_survey, self.obstacles = hinge, line, bar_survey, obstacles
        self.poses = [dict(zip(s.markers, s.poses, strict=True)) for s in hinge.surveys]
        self.grown = np.array([o.grown_mm for o in obstacles])
        own = self.poses[bar_survey]
        self._own_chords = line.chords(own)
        self._chords = hinge.base_from[bar_survey].apply(self._own_chords)
        self._bar_steps = {
            c: [
                tuple(line.chords(_stepped(own, c, i, sign)) for sign in (1.0, -1.0))
                for i in range(6)
            ]
            for c in line.cuffs
        }
        self._own = np.array(
            [
                o.surveyed if isinstance(o, ScanPoint) else o.at(self.poses[o.survey])
                for o in obstacles
            ]
        )
        self.door_points = np.array(
            [
                hinge.turned(hinge.base_from[o.survey].apply(x), -hinge.angles[o.survey])
                for o, x in zip(obstacles, self._own, strict=True)
            ]
        )

    def centre_line(self) -> Array:
        """Ends of the bar's pieces (2 s, 3), in the base's frame."""
        return np.asarray(self._chords.reshape(-1, 3))

    def point(self, n: _Nearest) -> Array:
        """The door's point (3,) at its angle, in the base's frame."""
        return self.hinge.turned(self.door_points[n.point], n.angle)

    def foot(self, n: _Nearest) -> Array:
        """The point of the bar's centre line (3,) that is nearest to it."""
        start, end = self._chords[n.chord]
        return np.asarray(start + n.share * (end - start))

    def nearest(self, angle: float) -> _Nearest:
        """The smallest clearance at an angle."""
        points = self.hinge.turned(self.door_points, angle)
        start, run = self._chords[:, 0], self._chords[:, 1] - self._chords[:, 0]
        away = points[:, None] - start
        share = np.clip(np.sum(away * run, axis=2) / np.sum(run**2, axis=1), 0.0, 1.0)
        distance = np.linalg.norm(away - share[..., None] * run, axis=2)
        clearance = distance - 0.5 * self.line.od_mm - self.grown[:, None]
        point, chord = np.unravel_index(int(np.argmin(clearance)), clearance.shape)
        return _Nearest(
            angle, float(clearance[point, chord]), int(point), int(chord),
            float(share[point, chord]),
        )  # fmt: skip

    def tightest(self, found: Sequence[_Nearest], step: float) -> _Nearest:
        """The smallest clearance between the door angles that were looked at."""
        from scipy.optimize import minimize_scalar

        best = min(found, key=lambda n: n.clearance)
        low, high = max(best.angle - step, 0.0), min(best.angle + step, found[-1].angle)
        best_at = minimize_scalar(
            lambda a: self.nearest(float(a)).clearance, bounds=(low, high), method="bounded",
            options={"xatol": 1e-5},
        )  # fmt: skip
        refined = self.nearest(float(best_at.x))
        return refined if refined.clearance < best.clearance - 1e-6 else best

    def gradient(self, n: _Nearest) -> list[tuple[tuple[int, ...], Array]]:
        """How the clearance depends on each survey: markers, and the gradient (6 k,)."""
        hinge, obstacle = self.hinge, self.obstacles[n.point]
        out = []
        by_numbers = self._by_numbers(n)
        for k in range(len(hinge.surveys)):
            parts: dict[int, Array] = {}
            own = by_numbers @ hinge.gains[k]
            for i, m in enumerate(hinge.markers[k]):
                parts[m] = own[6 * i : 6 * i + 6]
            if k == obstacle.survey:
                for m in obstacle.markers:
                    parts[m] = parts.get(m, np.zeros(6)) + self._by_door(n, m)
            if k == self.bar_survey:
                for m, own in self._by_bar(n).items():
                    parts[m] = parts.get(m, np.zeros(6)) + own
            out.append((tuple(parts), np.concatenate([*parts.values(), np.zeros(0)])))
        return out

    def own_variance(self, n: _Nearest) -> float:
        """What of the clearance's variance no survey knows: a scan's picks and noise."""
        obstacle, hinge = self.obstacles[n.point], self.hinge
        away = self.point(n) - self.foot(n)
        away = away / max(float(np.linalg.norm(away)), 1e-9)
        turn = exp((n.angle - hinge.angles[obstacle.survey]) * hinge.axis.direction)
        way = hinge.base_from[obstacle.survey].rotation.T @ (turn.T @ away)
        return obstacle.own_variance(way)

    def _by_numbers(self, n: _Nearest) -> Array:
        out = np.zeros(self.hinge.size)
        for i in range(self.hinge.size):
            # Turns in rad act on arms of a metre, shifts in mm do not.
            turns = i >= self.hinge.axis_rows.stop or i in self._turns()
            step = np.zeros(self.hinge.size)
            step[i] = 1e-6 if turns else 1e-3
            ends = [self._value(n, numbers=sign * step) for sign in (1.0, -1.0)]
            out[i] = (ends[0] - ends[1]) / (2.0 * step[i])
        return out

    def _turns(self) -> set[int]:
        frames = self.hinge.axis_rows.start
        own = {i for i in range(frames) if i % 6 < 3}
        return own | {frames, frames + 1}

    def _by_bar(self, n: _Nearest) -> dict[int, Array]:
        """Gradient (6,) by the tangent of each of the bar's cuffs."""
        out = {}
        for cuff, ends in self._bar_steps.items():
            values = [[self._value(n, chords=c) for c in pair] for pair in ends]
            out[cuff] = np.array([v[0] - v[1] for v in values]) / (2.0 * _STEPS)
        return out

    def _by_door(self, n: _Nearest, marker: int) -> Array:
        """Gradient (6,) by the tangent of a marker of the door's point."""
        obstacle = self.obstacles[n.point]
        out = np.zeros(6)
        for i in range(6):
            ends = []
            for sign in (1.0, -1.0):
                poses = _stepped(self.poses[obstacle.survey], marker, i, sign)
                ends.append(self._value(n, at=obstacle.at(poses)))
            out[i] = (ends[0] - ends[1]) / (2.0 * _STEPS[i])
        return out

    def _value(
        self,
        n: _Nearest,
        *,
        numbers: Array | None = None,
        at: Array | None = None,
        chords: Array | None = None,
    ) -> float:
        """The clearance of a pair, with something changed."""
        obstacle = self.obstacles[n.point]
        frames, axis, angles = self.hinge.base_from, self.hinge.axis, self.hinge.angles
        if numbers is not None:
            frames, axis, angles = self.hinge.moved(numbers)
        own = self._own[n.point] if at is None else at
        point = frames[obstacle.survey].apply(own)
        point = self.hinge.turned(point, n.angle - angles[obstacle.survey], axis)
        pieces = self._own_chords if chords is None else chords
        start, end = frames[self.bar_survey].apply(pieces[n.chord])
        foot = start + n.share * (end - start)
        return float(np.linalg.norm(point - foot)) - 0.5 * self.line.od_mm - obstacle.grown_mm


def _stepped(poses: dict[int, Rigid], marker: int, i: int, sign: float) -> dict[int, Rigid]:
    """Poses with one number of one marker's tangent changed."""
    step = np.zeros(6)
    step[i] = sign * _STEPS[i]
    return {**poses, marker: poses[marker].step(step)}


def _door_angle(
    way: _Way,
    n: _Nearest,
    gradient: list[tuple[tuple[int, ...], Array]],
    axes: CarAxes,
    wanted_mm: float,
) -> DoorAngle:
    markers, rows = zip(*gradient, strict=True)
    variance = float(joint_variance(way.hinge.surveys, markers, [g[None] for g in rows])[0, 0])
    variance = max(variance, 0.0)
    variance = way.hinge.excess * variance + way.own_variance(n)
    expanded = COVERAGE * float(np.sqrt(variance))
    told = axes.car_from_survey
    return DoorAngle(
        float(np.degrees(n.angle)), n.clearance, expanded,
        judge(-n.clearance, expanded, -wanted_mm), way.obstacles[n.point].name,
        told.apply(way.point(n)), told.apply(way.foot(n)),
    )  # fmt: skip


def _deciding(
    way: _Way,
    tightest: DoorAngle,
    gradient: list[tuple[tuple[int, ...], Array]],
    axes: CarAxes,
    wanted_mm: float,
) -> tuple[str, ...]:
    if tightest.verdict is not Verdict.OPEN:
        return ()
    hinge = way.hinge
    own = set(way.line.cuffs)
    influences = []
    for k, (markers, g) in enumerate(gradient):
        carriers = frozenset(m for m in markers if m not in own)
        turn = axes.car_from_survey.rotation @ hinge.base_from[k].rotation if axes.known else None
        influences.append(
            Influence(
                hinge.surveys[k], markers, g, carriers, "the tags on door and shell", turn
            )
        )  # fmt: skip
    found = what_decides(tightest.clearance_mm, tightest.expanded_mm, wanted_mm, influences)
    return (
        f"Whether the {way.line.rules[0].straight.tube} clears by {wanted_mm:g} mm cannot be "
        f"decided. {found.sentence}",
    )


# ---------------------------------------------------------------- words


def _blind_spots(door: str, points: int, scanned: bool) -> str:
    if scanned:
        return (
            f"The {door} is known where it was scanned, and at its tags and pointers: elsewhere it "
            "may stand out further, so shut the door slowly by hand the first time"
        )
    return (
        f"The {door} is known at {points} points only (corners of tags, tips of pointers): between "
        "them it may stand out further, so put pointers where it does, and shut the door slowly "
        "by hand the first time"
    )


def _sentences(s: Sweep, door: str) -> tuple[str, ...]:
    t = s.tightest
    at = f"at {t.obstacle}, with the door {t.open_deg:.1f} deg open"
    size = f"{abs(t.clearance_mm):.2f} mm (U {t.expanded_mm:.2f} mm)"
    if t.clearance_mm + t.expanded_mm < 0.0:
        out = [f"The {s.bar} fouls the {door} as it shuts, proven: by {size} {at}"]
        low, high = _fouls(s)
        out.append(f"They overlap between {low:.1f} and {high:.1f} deg of door angle")
    elif t.clearance_mm > t.expanded_mm:
        out = [f"The {s.bar} clears the {door} as it shuts by {size} at the tightest: {at}"]
    else:
        out = [
            f"Whether the {s.bar} touches the {door} as it shuts cannot be told: the clearance is "
            f"{t.clearance_mm:.2f} mm (U {t.expanded_mm:.2f} mm) {at}"
        ]
    words = {
        Verdict.IN: f"That is more than the {s.wanted_mm:g} mm that are wanted, proven",
        Verdict.OUT: f"That is less than the {s.wanted_mm:g} mm that are wanted, proven",
        Verdict.OPEN: f"Whether {s.wanted_mm:g} mm are kept cannot be decided",
    }
    out.append(words[t.verdict])
    stands = ", ".join(
        f"{name} at {a:.2f} deg" + (f" (U {u:.3f} deg)" if k else "")
        for k, (name, a, u) in enumerate(s.positions)
    )
    out.append(
        f"The {door} turns about an axis that is known to U {s.hinge.place_expanded_mm:.2f} mm "
        f"beside it and {s.hinge.tilt_expanded_deg:.3f} deg in direction: {stands}"
    )
    out += _slides(s, door)
    out += [
        f"Marker {o.marker_id} did not keep its place in {o.survey} and was left out there"
        for o in s.hinge.odd
    ]
    return tuple(out)


def _fouls(s: Sweep) -> tuple[float, float]:
    """Door angles between which bar and door overlap."""
    inside = [a.open_deg for a in s.angles if a.clearance_mm < 0.0]
    return min(inside), max(inside)


def _slides(s: Sweep, door: str) -> list[str]:
    hinge = s.hinge
    known = np.maximum(hinge.slides_expanded_mm, 1e-9)
    worst = 1 + int(np.argmax(np.abs(hinge.slides_mm[1:]) / known[1:]))
    value, u = float(hinge.slides_mm[worst]), float(hinge.slides_expanded_mm[worst])
    size = f"{abs(value):.2f} mm (U {u:.2f} mm)"
    if abs(value) <= max(u, 0.1):
        return [
            f"Check of the hinge: the {door} slid {size} along its axis, so it turns as a hinge"
        ]
    return [
        f"Check of the hinge: the {door} slid {size} along its axis to "
        f"{hinge.surveys[worst].name}, so the hinges rise or have play, and clearances between "
        "the positions are that uncertain"
    ]
