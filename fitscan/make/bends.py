"""Bend tables: apexes of a bent tube to length, rotation and angle for a bender, and back.

Where the apexes come from is left to others; the table's file and screen to `bends_file` and
`fitscan.report`.

The three columns of a bend, in the order in which a bender does them: *feed* is the straight from
the last tangent point (or the tube's start) to this bend; *turn* is the angle from the last
bend's plane to this one's, positive clockwise as one looks along the tube from its start (0 at
the first bend); *bend* is the angle that the tube is bent by, 0 to 180 deg.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, angle_between, exp

__all__ = [
    "SHARPEST_DEG",
    "Bend",
    "BendTable",
    "Bender",
    "arc_mm",
    "check_bender",
    "from_apexes",
    "from_rows",
    "setback_mm",
    "to_apexes",
]

STRAIGHTEST_DEG, SHARPEST_DEG = 0.05, 175.0
"""Bends outside are no bends: an apex on a straight line, or a tube folded back on itself."""

SAME_MM = 1e-9
"""Rounding of a length: a straight of exactly nothing may come out as this much less."""


def arc_mm(clr_mm: float, angle_rad: float) -> float:
    """Length of a bend along the centre line: centre-line radius x angle."""
    return clr_mm * angle_rad


def setback_mm(clr_mm: float, angle_rad: float) -> float:
    """From the apex to either tangent point: centre-line radius x tan(angle / 2)."""
    return clr_mm * math.tan(angle_rad / 2.0)


@dataclass(frozen=True)
class Bender:
    """What the bender can do, and how much the tube springs back.

    Attributes:
        clr_mm: centre-line radius of its die.
        between_mm: shortest straight between two bends.
        ends_mm: shortest straight before the first and after the last bend.
        springback_percent, springback_deg: the user's own allowance: the bender is set to
            angle x (1 + percent / 100) + deg.
    """

    clr_mm: float
    between_mm: float = 0.0
    ends_mm: float = 0.0
    springback_percent: float = 0.0
    springback_deg: float = 0.0


@dataclass(frozen=True)
class Bend:
    """One row: see the module's head."""

    feed_mm: float
    turn_rad: float
    bend_rad: float


@dataclass(frozen=True)
class BendTable:
    """A tube as a bender makes it.

    Attributes:
        bender: for whom.
        bends: rows in order.
        last_mm: straight after the last bend.
        frame_from_start: start of the tube in the apexes' frame: origin at the first point, x
            along the first straight, the first bend towards +y.
    """

    bender: Bender
    bends: tuple[Bend, ...]
    last_mm: float
    frame_from_start: Rigid

    @property
    def developed_mm(self) -> float:
        """Length of the straight tube, along the centre line; stretch is not allowed for."""
        arcs = sum(arc_mm(self.bender.clr_mm, b.bend_rad) for b in self.bends)
        return sum(b.feed_mm for b in self.bends) + arcs + self.last_mm

    @property
    def starts_mm(self) -> tuple[float, ...]:
        """Where each bend starts, measured on the straight tube from its start."""
        out, at = [], 0.0
        for bend in self.bends:
            out.append(at + bend.feed_mm)
            at = out[-1] + arc_mm(self.bender.clr_mm, bend.bend_rad)
        return tuple(out)

    def set_rad(self, bend: Bend) -> float:
        """Angle to set the bender to, with the user's allowance for spring-back."""
        b = self.bender
        return bend.bend_rad * (1.0 + b.springback_percent / 100.0) + math.radians(b.springback_deg)


def check_bender(bender: Bender) -> None:
    """Refuse a bender that cannot be.

    Raises:
        InputError: a radius, straight or allowance outside what benders have.
    """
    for what, value, low, high, unit in (
        ("A centre-line radius", bender.clr_mm, 10.0, 1000.0, "mm"),
        ("A straight between bends", bender.between_mm, 0.0, 1000.0, "mm"),
        ("A straight at the ends", bender.ends_mm, 0.0, 1000.0, "mm"),
        ("A spring-back", bender.springback_percent, 0.0, 30.0, "%"),
        ("A spring-back", bender.springback_deg, 0.0, 20.0, "deg"),
    ):
        if not (math.isfinite(value) and low <= value <= high):
            raise InputError(
                f"{what} of {value:g} {unit} is none of a bender",
                "bends",
                f"give {low:g} to {high:g} {unit}",
            )


def from_apexes(apexes: Array, bender: Bender) -> BendTable:
    """XYZ to length, rotation, angle.

    Args:
        apexes: (n, 3) mm: start, the point of each bend where the straights' axes meet, end.
        bender: whose radius is used.

    Raises:
        InputError: fewer than three points, two at one place, an apex on a straight line or
            folded back, or a straight too short for the bender.
    """
    check_bender(bender)
    points = np.asarray(apexes, dtype=np.float64)
    if points.ndim != 2 or points.shape[1:] != (3,) or len(points) < 3:
        raise InputError(
            "A bent tube needs a start, one or more apexes, and an end", "bends",
            "give three or more points of three numbers",
        )  # fmt: skip
    if not np.all(np.isfinite(points)) or np.abs(points).max() > 1e5:
        raise InputError("A point is not finite", "bends", "give plain numbers of millimetres")
    legs = np.diff(points, axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    if lengths.min() < 1e-6:
        n = int(np.argmin(lengths)) + 1
        raise InputError(f"Points {n} and {n + 1} are at one place", "bends", "leave out one")
    along = legs / lengths[:, None]
    angles = [angle_between(a, b) for a, b in pairwise(along)]
    _check_angles(angles)
    _check_straights(lengths, angles, bender)
    sides = np.cross(along[:-1], along[1:])
    sides /= np.linalg.norm(sides, axis=1)[:, None]
    backs = [setback_mm(bender.clr_mm, a) for a in angles]
    feeds = lengths - np.array([0.0, *backs]) - np.array([*backs, 0.0])
    turns = [0.0] + [
        math.atan2(float(np.cross(a, b) @ d), float(a @ b))
        for a, b, d in zip(sides[:-1], sides[1:], along[1:-1], strict=True)
    ]
    bends = tuple(
        Bend(max(float(f), 0.0), t, a) for f, t, a in zip(feeds[:-1], turns, angles, strict=True)
    )
    rotation = np.column_stack([along[0], np.cross(sides[0], along[0]), sides[0]])
    return BendTable(bender, bends, max(float(feeds[-1]), 0.0), Rigid(rotation, points[0]))


def to_apexes(table: BendTable) -> Array:
    """Length, rotation, angle to XYZ: apexes (n, 3) mm in the frame of the table.

    The turn before the first bend turns that bend's plane about x.
    """
    turn, at = np.eye(3), np.zeros(3)
    points, before = [at], 0.0
    clr = table.bender.clr_mm
    for bend in table.bends:
        back = setback_mm(clr, bend.bend_rad)
        turn = turn @ exp(np.array([bend.turn_rad, 0.0, 0.0]))
        at = at + (before + bend.feed_mm + back) * turn[:, 0]
        points.append(at)
        turn = turn @ exp(np.array([0.0, 0.0, bend.bend_rad]))
        before = back
    points.append(at + (before + table.last_mm) * turn[:, 0])
    return table.frame_from_start.apply(np.array(points))


def from_rows(bends: Sequence[Bend], last_mm: float, bender: Bender) -> BendTable:
    """A table from typed rows, starting at the origin along x.

    Raises:
        InputError: no rows, a number that is none, a bend that is none, or a straight too short.
    """
    check_bender(bender)
    if not bends:
        raise InputError("There is no bend", "bends", "give one or more")
    numbers = [v for b in bends for v in (b.feed_mm, b.turn_rad, b.bend_rad)]
    if not all(math.isfinite(v) and abs(v) < 1e5 for v in [*numbers, last_mm]):
        raise InputError("A number of the bends is not finite", "bends", "give plain numbers")
    angles = [b.bend_rad for b in bends]
    _check_angles(angles)
    backs = [setback_mm(bender.clr_mm, a) for a in angles]
    straights = np.array([*(b.feed_mm for b in bends), last_mm])
    _check_straights(straights + np.array([0.0, *backs]) + np.array([*backs, 0.0]), angles, bender)
    return BendTable(bender, tuple(bends), last_mm, Rigid.identity())


def _check_angles(angles: list[float]) -> None:
    for n, angle in enumerate(angles, 1):
        degrees = math.degrees(angle)
        if degrees < STRAIGHTEST_DEG:
            raise InputError(
                f"Bend {n} has {degrees:.3f} deg: its apex lies on a straight line", "bends",
                "leave that point out",
            )  # fmt: skip
        if degrees > SHARPEST_DEG:
            raise InputError(
                f"Bend {n} has {degrees:.1f} deg and folds the tube back on itself", "bends",
                f"up to {SHARPEST_DEG:g} deg is possible; make two bends of it",
            )  # fmt: skip


def _check_straights(lengths: Array, angles: list[float], bender: Bender) -> None:
    """Refuse a straight that the bender cannot hold, with what would be possible.

    Args:
        lengths: (n + 1,) mm from apex to apex.
        angles: (n,) rad.
        bender: see there.
    """
    tangents = [math.tan(a / 2.0) for a in angles]
    for n, length in enumerate(lengths.tolist()):
        both = sum(tangents[max(n - 1, 0) : n + 1])
        inner = 0 < n < len(angles)
        least = bender.between_mm if inner else bender.ends_mm
        left = length - bender.clr_mm * both
        if left >= least - SAME_MM:
            continue
        place = f"between bends {n} and {n + 1}" if inner else "at the start"
        place = "at the end" if n == len(angles) else place
        apart = f"make it {least - left:.1f} mm longer"
        smaller = (length - least) / both
        ways = [apart, f"take a radius of up to {smaller:.1f} mm"] if smaller >= 10.0 else [apart]
        raise InputError(
            f"The straight {place} would be {left:.1f} mm and the bender needs {least:g} mm",
            "bends",
            ", or ".join(ways),
        )
