"""Angles, offsets, turn and length of a tube's copes from a survey, each with its uncertainty.

What to cut is left to `cope_plan`; the frame of a branch is that of `cope`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.fit.propagate import MarkerInput, propagate
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.line import Line, closest_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, angle_between
from fitscan.make.cope import STEEPEST_DEG, BranchTube, RunAt
from fitscan.make.cope_plan import CopeRequest, Quantity
from fitscan.shape.straight import Straight, axis_through, straights_named
from fitscan.survey.survey import Survey

__all__ = ["measured_cope"]

Poses = Mapping[int, Rigid]

REACH_MM = 500.0
"""A run or a branch further than this from its own cuffs is another one: the axes only cross
there when they are drawn on far beyond what was measured."""


def measured_cope(
    survey: Survey,
    branch: str,
    wall_mm: float,
    near: list[str],
    far: list[str],
) -> CopeRequest:
    """Work out from measured axes how a branch meets its runs.

    Args:
        survey: shows cuffs on the branch and on every run.
        branch: tube name, or TUBE:STRAIGHT; without a straight, the one nearest to the joint.
        wall_mm: wall thickness of the branch; a survey sees the outside only.
        near: the same for one or two runs at the near end.
        far: the same for the far end; none when only the near end is coped.

    Returns:
        what to cut; U (k = 2) by first-order propagation from the survey's joint covariance.

    Raises:
        InputError: an unknown tube, a run named twice, more than two runs at an end.
        DataError: no straight of the branch meets a straight of a run at 15 deg or more.
    """
    names = [branch, *near, *far]
    for ends, side in ((near, "near"), (far, "far")):
        if len(ends) > 2 or (side == "near" and not ends):
            raise InputError(
                f"There are {len(ends)} runs at the {side} end", branch, "name one or two"
            )
    if len(set(names)) < len(names):
        raise InputError("A tube is named twice", ", ".join(names), "name each tube once")
    choice = {n: straights_named(survey, n, "cope") for n in names}
    own = _nearest(choice[branch], choice[near[0]], branch, near[0])[0]
    runs = [_nearest([own], choice[n], branch, n)[1] for n in (*near, *far)]
    frame = _Frame.of(survey, own, runs, len(near))
    ids = tuple(dict.fromkeys(i for s in (own, *runs) for i in s.cuffs))
    source = MarkerInput(survey, ids)
    nominal = frame.numbers(source.poses)
    turns = frame.turns()

    def unwrapped(poses: list[Poses]) -> Array:
        # A turn of half a circle must not jump to its negative while poses change a little.
        change = frame.numbers(poses[0]) - nominal
        change[turns] = (change[turns] + np.pi) % (2.0 * np.pi) - np.pi
        return np.asarray(nominal + change)

    value, covariance = propagate(unwrapped, [source])
    expanded = COVERAGE * np.sqrt(np.diag(covariance))
    # The runs' numbers and the length, without the cuffs that place the template.
    numbers = covariance[: 4 * len(runs) + 1, : 4 * len(runs) + 1]
    return replace(
        _request(survey, own, runs, len(near), wall_mm, value, expanded), covariance=numbers
    )


def _nearest(
    branches: list[Straight], runs: list[Straight], branch: str, run: str
) -> tuple[Straight, Straight]:
    """The two straights that meet closest to where their cuffs are."""
    best: tuple[float, Straight, Straight] | None = None
    for b in branches:
        for r in runs:
            angle = np.degrees(angle_between(b.axis.direction, r.axis.direction))
            if min(angle, 180.0 - angle) < STEEPEST_DEG:
                continue
            on_b, on_r = closest_points(b.axis, r.axis)
            beyond = max(_beyond(b, on_b), _beyond(r, on_r))
            score = beyond + float(np.linalg.norm(on_b - on_r))
            if best is None or score < best[0]:
                best = (score, b, r)
    if best is None:
        raise DataError(
            f"No straight of {branch!r} meets {run!r} at {STEEPEST_DEG:g} deg or more",
            "cope",
            "check the tube names, or cope another tube of this joint",
        )
    if best[0] > REACH_MM:
        raise DataError(
            f"The axes of {branch!r} and {run!r} meet {best[0]:.0f} mm away from their cuffs",
            "cope",
            f"wrap cuffs within {REACH_MM:g} mm of the joint, or check the tube names",
        )
    return best[1], best[2]


def _beyond(straight: Straight, x: Array) -> float:
    """How far a point of the axis lies outside what was measured of the straight."""
    low, high = straight.span
    along = float(straight.axis.along(x))
    return max(low - along, along - high, 0.0)


@dataclass(frozen=True)
class _Axis:
    """A straight's axis as a function of poses: the same weights for changed poses."""

    cuffs: tuple[int, ...]
    weights: Array
    sense: float

    @staticmethod
    def of(survey: Survey, straight: Straight, sense: float) -> _Axis:
        traces = [float(np.trace(survey.pose(c).covariance[3:, 3:])) for c in straight.cuffs]
        return _Axis(straight.cuffs, 1.0 / np.maximum(traces, 1e-12), sense)

    def line(self, poses: Poses) -> Line:
        first = poses[self.cuffs[0]]
        centres = np.array([poses[c].translation for c in self.cuffs])
        axis = axis_through(centres, self.weights, first.rotation[:, 2])
        return Line(axis.point, self.sense * axis.direction)


@dataclass(frozen=True)
class _Frame:
    """Branch and runs with senses that stay fixed while poses change a little.

    The branch runs from the near end to the far end; each run makes an angle of 90 deg or less
    with the branch as it leaves that end.
    """

    branch: _Axis
    runs: tuple[_Axis, ...]
    near: int

    @staticmethod
    def of(survey: Survey, own: Straight, runs: list[Straight], near: int) -> _Frame:
        start = closest_points(own.axis, runs[0].axis)[0]
        if near < len(runs):
            ahead = closest_points(own.axis, runs[near].axis)[0] - start
        else:
            ahead = own.centres.mean(axis=0) - start
        sense = 1.0 if ahead @ own.axis.direction >= 0.0 else -1.0
        z = sense * own.axis.direction
        axes = []
        for n, run in enumerate(runs):
            away = z if n < near else -z
            axes.append(_Axis.of(survey, run, 1.0 if run.axis.direction @ away >= 0 else -1.0))
        return _Frame(_Axis.of(survey, own, sense), tuple(axes), near)

    def turns(self) -> list[int]:
        """Which of the numbers are angles round the branch."""
        k = 4 * len(self.runs)
        cuffs = range(len(self.branch.cuffs))
        return [4 * n + 2 for n in range(len(self.runs))] + [k + 1 + 2 * c for c in cuffs]

    def numbers(self, poses: Poses) -> Array:
        """Per run angle, offset, turn (rad, mm, rad) and along; then length, then per cuff of the
        branch its seam's angle (rad) and its height above the near reference point.
        """
        branch = self.branch.line(poses)
        z = branch.direction
        values: list[float] = []
        feet: list[Array] = []
        x0 = y0 = np.zeros(3)
        for n, axis in enumerate(self.runs):
            run = axis.line(poses)
            away = z if n < self.near else -z
            foot, other = closest_points(branch, run)
            x = -(run.direction - (run.direction @ z) * z)
            x = x / np.linalg.norm(x)
            if n == 0:
                x0, y0 = x, np.cross(z, x)
            feet.append(foot)
            reference = feet[0] if n < self.near else feet[self.near]
            values += [
                angle_between(run.direction, away),
                float((other - foot) @ np.cross(z, x)),
                float(np.arctan2(x @ y0, x @ x0)),
                float((foot - reference) @ away),
            ]
        length = float((feet[self.near] - feet[0]) @ z) if self.near < len(feet) else 0.0
        values.append(length)
        for cuff in self.branch.cuffs:
            seam = poses[cuff].rotation[:, 0]
            values += [float(np.arctan2(seam @ y0, seam @ x0))]
            values += [float((poses[cuff].translation - feet[0]) @ z)]
        return np.array(values)


def _request(
    survey: Survey, own: Straight, runs: list[Straight], near: int, wall_mm: float,
    value: Array, expanded: Array,
) -> CopeRequest:  # fmt: skip
    at: list[RunAt] = []
    measured: list[Quantity] = []
    for n, run in enumerate(runs):
        angle, offset, turn, along = (float(v) for v in value[4 * n : 4 * n + 4])
        u = [float(v) for v in expanded[4 * n : 4 * n + 4]]
        at.append(RunAt(run.od_mm, angle, offset, turn, along, run.tube))
        of = f"{'near' if n < near else 'far'} end: {run.tube}"
        measured.append(Quantity(f"{of} angle", np.degrees(angle), np.degrees(u[0]), "deg"))
        measured.append(Quantity(f"{of} offset", offset, u[1], "mm"))
        if n > 0:
            measured.append(Quantity(f"{of} turn", np.degrees(turn), np.degrees(u[2]), "deg"))
        if n not in (0, near):
            measured.append(Quantity(f"{of} along", along, u[3], "mm"))
    k = 4 * len(runs)
    if near < len(runs):
        measured.append(Quantity("length", float(value[k]), float(expanded[k]), "mm"))
    placing = []
    for c, cuff in enumerate(own.cuffs):
        j = k + 1 + 2 * c
        seam, u_seam = (float(np.degrees(v[j])) for v in (value, expanded))
        placing.append(
            f"On the surveyed {own.tube!r} the seam of cuff {cuff} stands at {seam % 360.0:.1f} "
            f"deg (U {u_seam:.2f}) and its middle {float(value[j + 1]):.1f} mm (U "
            f"{float(expanded[j + 1]):.2f}) from the near end's reference point."
        )
    request = CopeRequest(
        own.tube, BranchTube(own.od_mm, wall_mm), tuple(at[:near]), tuple(at[near:]),
        measured=tuple(measured), placing=tuple(placing), warnings=survey.quality.warnings,
    )  # fmt: skip
    return replace(request, length_mm=float(value[k])) if near < len(runs) else request
