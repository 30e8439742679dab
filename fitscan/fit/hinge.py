"""The axis that a door turns about, from surveys with the door in two positions or more.

One adjustment of all positions: places of the markers on the shell and on the door, the surveys'
frames, the axis, and the angle of each position. What the door meets on its way is left to `sweep`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.fit.align import (
    ALPHA,
    STILL_MM,
    centre_covariance,
    excess_of,
    motion_rows,
    robust_start,
)
from fitscan.fit.congruency import Congruency, Net, congruent_points
from fitscan.fit.shared_scale import joint_variance
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.align import align_points
from fitscan.geometry.line import Line, two_normals
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp, log, skew
from fitscan.survey.survey import Survey

__all__ = ["Hinge", "Odd", "find_hinge"]

_LEAST_SWING = np.radians(3.0)
"""Positions that differ by less say too little of an axis."""

_ROUNDS = 25
_STILL = 1e-9


@dataclass(frozen=True)
class Odd:
    """A marker that did not keep its place in one of the positions and was left out of it."""

    marker_id: int
    survey: str


@dataclass(frozen=True)
class Hinge:
    """A door's axis and positions, in the frame of the first survey ("base").

    Attributes:
        surveys: positions, the base first.
        door: the part that turns; on: the parts that stay.
        axis: its point is the one beside the middle of the door's markers; positive turns open the
            door.
        angles: (n,) rad of each position from the base's, 0 first.
        base_from: transform of each survey's frame.
        gains: of each survey, (6 (n - 1) + 4 + (n - 1), 6 k): how the numbers below depend on the
            tangents of `markers`.
        markers: of each survey, those that were used.
        slides_mm, slides_expanded_mm: (n,) how far the door slid along its axis in each position
            against the base, with U (k = 2): the check that it is a hinge at all.
        statistic, critical: of the test whether all positions agree with one axis.
        odd: markers that were left out of a position.
        excess: variance factor by which markers disagree more than the surveys know; 1 at least.

    The numbers, in this order: for each survey but the base its frame's tangent (turn rad, shift
    mm), then the axis (tilt rad about the two normals of its direction, shift mm along them), then
    the angle of each survey but the base.
    """

    surveys: tuple[Survey, ...]
    door: str
    on: tuple[str, ...]
    axis: Line
    angles: Array
    base_from: tuple[Rigid, ...]
    gains: tuple[Array, ...]
    markers: tuple[tuple[int, ...], ...]
    slides_mm: Array
    slides_expanded_mm: Array
    statistic: float
    critical: float
    odd: tuple[Odd, ...]
    excess: float = 1.0

    @property
    def covariance(self) -> Array:
        """Of the numbers."""
        return self.excess * joint_variance(self.surveys, self.markers, self.gains)

    @property
    def size(self) -> int:
        """How many numbers."""
        return 7 * (len(self.surveys) - 1) + 4

    @property
    def axis_rows(self) -> slice:
        """Where the axis's four numbers are."""
        start = 6 * (len(self.surveys) - 1)
        return slice(start, start + 4)

    def frame_rows(self, survey: int) -> slice:
        """Where a survey's frame is; not for the base."""
        return slice(6 * (survey - 1), 6 * survey)

    def angle_row(self, survey: int) -> int:
        """Where a survey's angle is; not for the base."""
        return 6 * (len(self.surveys) - 1) + 4 + survey - 1

    @property
    def tilt_expanded_deg(self) -> float:
        """Expanded uncertainty (k = 2) of the axis's direction, in the worst direction."""
        block = self.covariance[self.axis_rows, self.axis_rows][:2, :2]
        return float(np.degrees(COVERAGE * np.sqrt(np.linalg.eigvalsh(block)[-1])))

    @property
    def place_expanded_mm(self) -> float:
        """Expanded uncertainty (k = 2) of the axis's place beside the door, in the worst way."""
        block = self.covariance[self.axis_rows, self.axis_rows][2:, 2:]
        return float(COVERAGE * np.sqrt(np.linalg.eigvalsh(block)[-1]))

    def angle_u(self, first: int, second: int) -> float:
        """Standard uncertainty of the angle between two positions, rad."""
        pick = np.zeros(self.size)
        for survey, sign in ((second, 1.0), (first, -1.0)):
            if survey:
                pick[self.angle_row(survey)] += sign
        return float(np.sqrt(max(float(pick @ self.covariance @ pick), 0.0)))

    def turned(self, points: Array, angle: float, axis: Line | None = None) -> Array:
        """Points (..., 3) of the base frame after the door turned by an angle, rad."""
        line = axis or self.axis
        turn = exp(angle * line.direction)
        return np.asarray((points - line.point) @ turn.T + line.point)

    def moved(self, numbers: Array) -> tuple[tuple[Rigid, ...], Line, Array]:
        """Frames, axis and angles after the numbers changed by (size,)."""
        frames = [self.base_from[0]]
        for k in range(1, len(self.surveys)):
            frames.append(self.base_from[k].step(numbers[self.frame_rows(k)]))
        axis = _stepped(self.axis, numbers[self.axis_rows])
        angles = self.angles.copy()
        angles[1:] += numbers[self.axis_rows.stop :]
        return tuple(frames), axis, angles


def _stepped(axis: Line, step: Array) -> Line:
    normals = two_normals(axis.direction)
    return Line(axis.point + step[2:] @ normals, exp(step[:2] @ normals) @ axis.direction)


def find_hinge(surveys: Sequence[Survey], door: str, on: Sequence[str]) -> Hinge:
    """Adjust the axis and all positions.

    Args:
        surveys: one for each position of the door; frames, angles and axis are told in the first.
        door: the part that turns ("trim").
        on: parts that stay ("shell").

    Raises:
        InputError: fewer than two surveys, or a kit without one of the parts.
        DataError: too few common markers, positions that hardly differ, or markers that agree
            with no axis.
    """
    model = _Model.of(surveys, door, on)
    model.solve()
    found = model.trusted()
    if not found.agreed or model.mostly_left_out(found.moved):
        raise DataError(
            f"The positions of the {door} do not agree with one axis",
            ", ".join(s.name for s in surveys),
            "check that nothing but the door moved between the shoots, and that its hinges have no "
            "play",
        )
    model.solve(found.stable)
    return model.hinge(found)


class _Model:
    """The adjustment; unknowns: frames, axis, angles, then the markers' places in the base."""

    def __init__(
        self, surveys: tuple[Survey, ...], door: str, on: tuple[str, ...], seen: list[list[int]]
    ) -> None:
        self.surveys, self.door, self.on, self.seen = surveys, door, on, seen
        self.turning = {m for s in surveys for m in s.of_part(door)}
        self.points = list(dict.fromkeys(m for markers in seen for m in markers))
        self.column = {m: i for i, m in enumerate(self.points)}
        self.frames: list[Rigid] = []
        self.axis = Line(np.zeros(3), np.eye(3)[2])
        self.angles = np.zeros(len(surveys))
        self.places = np.zeros((len(self.points), 3))
        self._start()

    @staticmethod
    def of(surveys: Sequence[Survey], door: str, on: Sequence[str]) -> _Model:
        if len(surveys) < 2:
            raise InputError(
                "An axis needs the door in two positions", "sweep", "give two surveys or more"
            )
        for survey in surveys:
            for part in (door, *on):
                if part not in survey.kit.parts:
                    known = ", ".join(survey.kit.parts)
                    raise InputError(
                        f"The kit has no part {part!r}", survey.frame, f"use one of: {known}"
                    )
        if door in on:
            raise InputError(f"The part {door!r} cannot stay and turn", "--on", "name another part")
        seen = []
        for survey in surveys:
            markers = [m for part in (*on, door) for m in survey.of_part(part)]
            others = [m for s in surveys if s is not survey for m in s.markers]
            # A marker that a single position shows says nothing of the axis.
            seen.append([m for m in markers if m in set(others)])
        return _Model(tuple(surveys), door, tuple(on), seen)

    @property
    def head(self) -> int:
        """Numbers of a hinge, which come before the markers' places."""
        return 7 * (len(self.surveys) - 1) + 4

    def _centre(self, k: int, marker: int) -> Array:
        survey = self.surveys[k]
        return survey.poses[survey.row(marker)].translation

    def _start(self) -> None:
        self._start_frames()
        base = [m for m in self.seen[0] if m in self.turning]
        motions: list[Rigid] = [Rigid.identity()]
        for k in range(1, len(self.surveys)):
            common = [m for m in self.seen[k] if m in base]
            if len(common) < 3:
                raise _few(len(common), self.door, self.surveys[0], self.surveys[k])
            then = np.array([self._centre(0, m) for m in common])
            later = self.frames[k].apply(np.array([self._centre(k, m) for m in common]))
            motions.append(align_points(then, later, with_scale=False).b_from_a)
        turns = np.array([log(m.rotation) for m in motions])
        widest = int(np.argmax(np.linalg.norm(turns, axis=1)))
        swing = float(np.linalg.norm(turns[widest]))
        if swing < _LEAST_SWING:
            raise DataError(
                f"The {self.door} turned by {np.degrees(swing):.1f} deg only between the positions",
                ", ".join(s.name for s in self.surveys),
                "open it by 20 deg or more between the shoots",
            )
        direction = turns[widest] / swing
        # Points of the axis stay where they are: (I - R) p = t, but for the part along it.
        motion = motions[widest]
        point = np.linalg.pinv(np.eye(3) - motion.rotation, rcond=1e-6) @ motion.translation
        self.axis = Line(point, direction)
        self.angles = turns @ direction
        middle = np.mean([self._centre(0, m) for m in base], axis=0)
        self.axis = Line(self.axis.foot(middle), direction)
        known: dict[int, list[Array]] = {}
        for k, markers in enumerate(self.seen):
            for m in markers:
                place = self.frames[k].apply(self._centre(k, m))
                if m in self.turning:
                    place = exp(-self.angles[k] * direction) @ (place - self.axis.point)
                    place = place + self.axis.point
                known.setdefault(m, []).append(place)
        self.places = np.array([np.mean(known[m], axis=0) for m in self.points])

    def _start_frames(self) -> None:
        """Frames on the markers that stay, survey after survey, from those that are placed."""
        fixed = [[m for m in markers if m not in self.turning] for markers in self.seen]
        placed: dict[int, Rigid] = {0: Rigid.identity()}
        while len(placed) < len(self.surveys):
            best = max(
                ((j, k) for j in placed for k in range(len(self.surveys)) if k not in placed),
                key=lambda pair: len(set(fixed[pair[0]]) & set(fixed[pair[1]])),
            )
            j, k = best
            common = [m for m in fixed[j] if m in fixed[k]]
            if len(common) < 3:
                raise _few(len(common), " or ".join(self.on), self.surveys[j], self.surveys[k])
            there = placed[j].apply(np.array([self._centre(j, m) for m in common]))
            here = np.array([self._centre(k, m) for m in common])
            placed[k] = robust_start(there, here)
        self.frames = [placed[k] for k in range(len(self.surveys))]

    def net(self, *, slides: bool = False) -> Net:
        """Misclosures of every marker in every position, with their design."""
        blocks, designs, covariances = [], [], []
        extra = len(self.surveys) - 1 if slides else 0
        width = self.head + extra + 3 * len(self.points)
        for k, markers in enumerate(self.seen):
            frame = self.frames[k]
            seen = frame.apply(np.array([self._centre(k, m) for m in markers]))
            design = np.zeros((len(markers), 3, width))
            misclosure = np.zeros((len(markers), 3))
            for i, m in enumerate(markers):
                place = self.places[self.column[m]]
                column = self.head + extra + 3 * self.column[m]
                if k:
                    design[i, :, 6 * k - 6 : 6 * k - 3] = -skew(seen[i] - frame.translation)
                    design[i, :, 6 * k - 3 : 6 * k] = np.eye(3)
                if m in self.turning:
                    place = self._turning(k, place, design[i], column, slides=slides)
                else:
                    design[i, :, column : column + 3] = -np.eye(3)
                misclosure[i] = seen[i] - place
            blocks.append(misclosure.reshape(-1))
            designs.append(design.reshape(-1, width))
            covariances.append(_filled(self.surveys[k], markers, frame, seen))
        total = np.zeros((sum(len(b) for b in blocks),) * 2)
        start = 0
        for c in covariances:
            total[start : start + len(c), start : start + len(c)] = c
            start += len(c)
        count = sum(len(markers) for markers in self.seen)
        prior = np.full(width, 1e-9)
        return Net(
            np.concatenate(blocks), total, np.concatenate(designs), (3,) * count, prior=prior
        )  # fmt: skip

    def _turning(self, k: int, place: Array, design: Array, column: int, *, slides: bool) -> Array:
        """Where a door's marker is in a position; fills its rows (3, width) of the design."""
        turn = exp(self.angles[k] * self.axis.direction)
        arm = place - self.axis.point
        design[:, column : column + 3] = -turn
        if k:
            normals = two_normals(self.axis.direction)
            start = 6 * (len(self.surveys) - 1)
            tilt = -skew(turn @ arm) + turn @ skew(arm)
            design[:, start : start + 2] = -tilt @ normals.T
            design[:, start + 2 : start + 4] = -(np.eye(3) - turn) @ normals.T
            design[:, start + 3 + k] = -np.cross(self.axis.direction, turn @ arm)
            if slides:
                design[:, self.head + k - 1] = -self.axis.direction
        return np.asarray(turn @ arm + self.axis.point)

    def solve(self, keep: Sequence[int] | None = None) -> None:
        """Gauss-Newton to convergence."""
        for _ in range(_ROUNDS):
            net = self.net()
            points = list(range(net.count)) if keep is None else list(keep)
            step = -net.projected(points)[1] @ net.difference[net.rows(points)]
            self._step(step)
            if float(np.abs(step[: self.head]).max()) < _STILL:
                break

    def _step(self, step: Array) -> None:
        n = len(self.surveys)
        for k in range(1, n):
            self.frames[k] = self.frames[k].step(step[6 * k - 6 : 6 * k])
        start = 6 * (n - 1)
        self.axis = _stepped(self.axis, step[start : start + 4])
        self.angles[1:] += step[start + 4 : self.head]
        self.places = self.places + step[self.head :].reshape(-1, 3)

    def trusted(self) -> Congruency:
        """Which markers kept their place in which position.

        The door may slide along its axis here: a hinge that rises is no fault of a marker, and is
        told by the slides.
        """
        net = self.net(slides=True)
        return congruent_points(net, ALPHA, allowed=STILL_MM, least=net.count // 2)

    def mostly_left_out(self, moved: Sequence[int]) -> bool:
        """Whether half of the door's markers, or of those that stay, disagree somewhere."""
        owners = [m for markers in self.seen for m in markers]
        out = {owners[i] for i in moved}
        groups = (set(self.points) & self.turning, set(self.points) - self.turning)
        return any(2 * len(out & group) > len(group) for group in groups)

    def hinge(self, found: Congruency) -> Hinge:
        """The result; gains from the last design."""
        kept = list(found.stable)
        net = self.net()
        gain = np.zeros((self.head, len(net.difference)))
        gain[:, net.rows(kept)] = -net.projected(kept)[1][: self.head]
        free = self.net(slides=True)
        wide = np.zeros((len(self.surveys) - 1, len(net.difference)))
        rows = slice(self.head, self.head + len(self.surveys) - 1)
        wide[:, net.rows(kept)] = -free.projected(kept)[1][rows]
        gains, slid = [], []
        start = 0
        for k, markers in enumerate(self.seen):
            end = start + 3 * len(markers)
            # A marker's tangent moves its centre in its survey's frame, which the frame turns.
            pick = np.zeros((3 * len(markers), 6 * len(markers)))
            for i in range(len(markers)):
                pick[3 * i : 3 * i + 3, 6 * i + 3 : 6 * i + 6] = self.frames[k].rotation
            gains.append(gain[:, start:end] @ pick)
            slid.append(wide[:, start:end] @ pick)
            start = end
        slide_covariance = joint_variance(self.surveys, self.seen, slid)
        slides = np.concatenate([[0.0], wide @ free.difference])
        slides_u = np.concatenate([[0.0], np.sqrt(np.diag(slide_covariance))])
        owners = [(m, s.name) for s, markers in zip(self.surveys, self.seen, strict=True)
                  for m in markers]  # fmt: skip
        odd = tuple(Odd(*owners[i]) for i in range(net.count) if i not in set(kept))
        excess = excess_of(found.statistic, found.freedom)
        return Hinge(
            self.surveys, self.door, self.on, self.axis, self.angles, tuple(self.frames),
            tuple(gains), tuple(tuple(m) for m in self.seen), slides,
            COVERAGE * np.sqrt(excess) * slides_u, found.statistic, found.critical, odd, excess,
        )  # fmt: skip


def _filled(survey: Survey, markers: list[int], frame: Rigid, seen: Array) -> Array:
    """Covariance of a survey's centres in the base; a free net knows nothing of its own place."""
    covariance = centre_covariance(survey, markers, frame.rotation)
    rows = motion_rows(seen - seen.mean(axis=0))
    free = rows / np.linalg.norm(rows, axis=0) * np.sqrt(len(rows))
    filled = np.mean(np.diag(covariance))
    return np.asarray(covariance + filled * free @ free.T + 1e-10 * np.eye(len(covariance)))


def _few(count: int, part: str, a: Survey, b: Survey) -> DataError:
    return DataError(
        f"{'No' if not count else f'Only {count}'} marker{'s' if count != 1 else ''} of the part "
        f"{part!r} {'are' if count != 1 else 'is'} in both surveys",
        f"{a.frame} and {b.frame}",
        "photograph at least three, better six, in both, spread wide; --on may name several parts "
        "that stay",
    )
