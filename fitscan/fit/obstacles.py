"""What of a door a bar may hit: corners of tags, tips of pointers, lips between them, stubs.

Each is a point that follows from marker poses. When and how near the bar comes is left to `sweep`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

__all__ = ["Obstacle", "door_points", "stub_points"]

_LIP_STEP_MM = 5.0
"""Distance of the points that stand for a lip between two pointers."""

_LONGEST_LIP_MM = 400.0
"""Pointers further apart are not joined: a lip is not that straight."""

_STUB_STEP_MM = 10.0
_STUB_SIDES = 24


@dataclass(frozen=True)
class Obstacle:
    """A point of the door.

    Attributes:
        name: where it is, in words.
        survey: position in the list of surveys that it is taken from.
        parts: (marker id, point (3,) in the marker's frame, weight); weights add up to 1.
        grown_mm: by how much the thing reaches beyond the point, all round (a stub's radius).
    """

    name: str
    survey: int
    parts: tuple[tuple[int, Array, float], ...]
    grown_mm: float = 0.0

    def at(self, poses: dict[int, Rigid]) -> Array:
        """The point (3,) in the frame of the poses."""
        return np.asarray(np.sum([w * poses[m].apply(x) for m, x, w in self.parts], axis=0))

    @property
    def markers(self) -> tuple[int, ...]:
        """Markers that it depends on."""
        return tuple(m for m, _, _ in self.parts)

    def own_variance(self, way: Array) -> float:
        """Variance along a direction that is not the survey's: none."""
        return 0.0


def door_points(surveys: Sequence[Survey], door: str, *, joined: bool = False) -> list[Obstacle]:
    """Corners of the door's tags, tips of its pointers, and lips between pointers of one name.

    Each marker is taken from the survey that knows it best.

    Args:
        surveys: in which to look.
        door: the part.
        joined: whether pointers whose names differ in a last number only ("upper lip 1", "upper
            lip 2") are joined by straight lines. Where a lip bends between two pointers, such a
            line leaves it, and may cross a bar that the lip does not touch.

    Raises:
        DataError: no survey shows a tag or a pointer of the door.
    """
    best = _best(surveys, door)
    out: list[Obstacle] = []
    cuffs = {c.first_id for s in surveys for c in s.kit.cuff}
    pointers = {p.id: p for s in surveys for p in s.kit.pointer}
    sides = {t.id: t.side_mm for s in surveys for t in s.kit.tag}
    lips: dict[str, list[tuple[int, int]]] = {}
    for marker, k in best.items():
        if marker in cuffs:
            continue
        if marker in pointers:
            spec = pointers[marker]
            tip = _tip(surveys[k], marker)
            out.append(Obstacle(f"pointer {marker} ({spec.name})", k, ((marker, tip, 1.0),)))
            found = re.fullmatch(r"(.*\D)\s*(\d+)", spec.name)
            if found:
                lips.setdefault(found.group(1).strip(), []).append((int(found.group(2)), marker))
        elif marker in sides:
            half = 0.5 * sides[marker]
            for x, y in ((-half, half), (half, half), (half, -half), (-half, -half)):
                corner = np.array([x, y, 0.0])
                out.append(Obstacle(f"a corner of tag {marker}", k, ((marker, corner, 1.0),)))
    for name, members in lips.items() if joined else ():
        ordered = [m for _, m in sorted(members)]
        for a, b in pairwise(ordered):
            out += _lip(surveys, best, name, a, b)
    if not out:
        raise DataError(
            f"No tag or pointer of the part {door!r} was measured",
            "sweep",
            "stick tags on it, and pointers at what the bar could hit",
        )
    return out


def stub_points(surveys: Sequence[Survey], tube: str) -> list[Obstacle]:
    """Points on a stub's axis, each as thick as the stub: the stub as a solid thing on the door.

    Raises:
        InputError: no such tube in the kits.
        DataError: no survey shows its cuffs.
    """
    out: list[Obstacle] = []
    shown = [k for k, s in enumerate(surveys) if any(
        c.tube == tube and s.has(c.first_id) for c in s.kit.cuff)]  # fmt: skip
    if not shown:
        surveys[0].cuffs_of(tube)
        raise DataError(
            f"No cuff of {tube!r} was found", "sweep", "add the survey that shows the stubs"
        )
    k = shown[0]
    for straight in straights_of(surveys[k], tube):
        first, last = straight.cuffs[0], straight.cuffs[-1]
        low, high = straight.span
        poses = [surveys[k].poses[surveys[k].row(c)] for c in (first, last)]
        start, end = (float(straight.axis.along(p.translation)) for p in poses)
        name = f"stub {tube}, straight {straight.number}"
        for along in np.arange(low, high + 0.5 * _STUB_STEP_MM, _STUB_STEP_MM):
            if first == last:
                local = poses[0].inverse().apply(straight.axis.at(float(along)))
                parts: tuple[tuple[int, Array, float], ...] = ((first, local, 1.0),)
            else:
                share = (along - start) / (end - start)
                parts = ((first, np.zeros(3), 1.0 - share), (last, np.zeros(3), float(share)))
            out.append(Obstacle(name, k, parts, 0.5 * straight.od_mm))
    return out


def _best(surveys: Sequence[Survey], door: str) -> dict[int, int]:
    """The survey that knows each marker of the door best."""
    out: dict[int, tuple[float, int]] = {}
    for k, survey in enumerate(surveys):
        for m in survey.of_part(door):
            spread = float(np.trace(survey.pose(m).covariance[3:, 3:]))
            if m not in out or spread < out[m][0]:
                out[m] = (spread, k)
    return {m: k for m, (_, k) in out.items()}


def _tip(survey: Survey, pointer: int) -> Array:
    spec = next(p for p in survey.kit.pointer if p.id == pointer)
    return np.array([0.0, -spec.reach_mm * survey.quality.printer[1], 0.0])


def _lip(
    surveys: Sequence[Survey], best: dict[int, int], name: str, a: int, b: int
) -> list[Obstacle]:
    """Points between two neighbouring pointers of a lip, when one survey shows both."""
    both = [k for k, s in enumerate(surveys) if s.has(a) and s.has(b)]
    if not both:
        return []
    k = best[a] if best[a] in both else both[0]
    survey = surveys[k]
    tips = {m: _tip(survey, m) for m in (a, b)}
    ends = [survey.poses[survey.row(m)].apply(tips[m]) for m in (a, b)]
    length = float(np.linalg.norm(ends[1] - ends[0]))
    if length > _LONGEST_LIP_MM:
        return []
    count = max(int(length / _LIP_STEP_MM), 2)
    return [
        Obstacle(
            f"{name} between pointers {a} and {b}", k, ((a, tips[a], 1.0 - t), (b, tips[b], t))
        )
        for t in np.linspace(0.0, 1.0, count + 1)[1:-1].tolist()
    ]  # fmt: skip
