"""The cope of a branch tube: how long each line along its surface stays, so that it sits on runs.

Drawing the template is left to `template`, angles and offsets from surveys to `measured_cope`.

The frame of a branch: z runs along its axis from the near end to the far end; angles round it are
anticlockwise seen from +z, and the 0 line is where the first run of the near end has turn 0. A run
with turn 0 has its direction in the plane of z and 0, leaning away from the 0 line by `angle`, so
the 0 line lies on the side of the wide angle and 180 on the side of the narrow one (angle < 90).
Heights are counted along the branch from its reference point, the foot of the common
perpendicular of the branch's axis and the axis of the end's first run, away from that run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array

__all__ = ["STEEPEST_DEG", "BranchTube", "CopeProfile", "Fit", "RunAt", "cope_profile"]

STEEPEST_DEG = 15.0
"""Below this angle between two axes a cope is a long knife edge that nobody welds."""

SAMPLES = 7200
"""Places round the branch; an edge between two of them strays by less than a micrometre."""

TOUCH_MM = 1e-9
"""Tubes that graze each other to this are taken as touching: sums of typed numbers round."""

Fit = Literal["square", "ground"]


@dataclass(frozen=True)
class BranchTube:
    """The tube that is cut.

    Attributes:
        od_mm: outside diameter.
        wall_mm: wall thickness.
    """

    od_mm: float
    wall_mm: float

    @property
    def outside(self) -> float:
        """Outside radius, mm."""
        return self.od_mm / 2.0

    @property
    def inside(self) -> float:
        """Inside radius, mm."""
        return self.od_mm / 2.0 - self.wall_mm


@dataclass(frozen=True)
class RunAt:
    """A tube that the branch's end sits on, seen from the branch.

    Attributes:
        od_mm: its outside diameter.
        angle_rad: between its axis and the branch, as the branch leaves it.
        offset_mm: by how much the axes miss each other; positive when the run's axis passes on
            the side of turn + 90 deg.
        turn_rad: round the branch, anticlockwise seen from +z.
        along_mm: height of its common perpendicular with the branch, see the module's frame.
        name: for sentences.
    """

    od_mm: float
    angle_rad: float
    offset_mm: float = 0.0
    turn_rad: float = 0.0
    along_mm: float = 0.0
    name: str = "the run"

    @property
    def radius(self) -> float:
        """Outside radius, mm."""
        return self.od_mm / 2.0

    def height(self, radius_mm: float, angle: Array) -> Array:
        """Where a line along the branch meets this run, coming from the branch's other end.

        w = (sqrt(R^2 - (r sin t - e)^2) - r cos t cos b) / sin b, the intersection of two
        cylinders; for b = 90 deg, e = 0 and r = R it is the Steinmetz curve (A. Gray, "Modern
        Differential Geometry of Curves and Surfaces", 1997).

        Args:
            radius_mm: of the line from the branch's axis.
            angle: (n,) rad round the branch.

        Returns:
            heights (n,) mm; minus infinity where the line passes beside the run.
        """
        t = angle - self.turn_rad
        aside = radius_mm * np.sin(t) - self.offset_mm
        room = (self.radius - np.abs(aside)) * (self.radius + np.abs(aside))
        lean = radius_mm * np.cos(t) * math.cos(self.angle_rad)
        height = (np.sqrt(np.maximum(room, 0.0)) - lean) / math.sin(self.angle_rad)
        touches = np.abs(aside) <= self.radius + TOUCH_MM
        return np.where(touches, self.along_mm + height, -np.inf)

    def clearance(self, inner_mm: float, outer_mm: float, angle: Array) -> Array:
        """Highest place (n,) mm where the wall between two radii meets this run.

        The height is concave in the radius, so its only stationary place, moved into the part of
        the wall that meets the run, is the highest. Minus infinity where the wall passes beside.
        """
        t = angle - self.turn_rad
        s, a = np.sin(t), np.cos(t) * math.cos(self.angle_rad)
        flat = np.abs(s) < 1e-12  # the wall runs along the plane of both directions there
        safe = np.where(flat, 1.0, s)
        reach = self.radius + TOUCH_MM
        bounds = [(self.offset_mm - reach) / safe, (self.offset_mm + reach) / safe]
        ends = np.sort(np.stack(bounds), axis=0)
        low = np.where(flat, inner_mm, np.maximum(inner_mm, ends[0]))
        high = np.where(flat, outer_mm, np.minimum(outer_mm, ends[1]))
        slope = np.sqrt(s**2 + a**2)
        best = -self.radius * a * np.sign(safe) / np.where(slope > 0, slope, 1.0)
        peak = np.where(flat, np.where(a < 0, outer_mm, inner_mm), (best + self.offset_mm) / safe)
        radius = np.clip(peak, low, np.maximum(low, high))
        aside = np.abs(radius * s - self.offset_mm)
        room = np.maximum((self.radius - aside) * (self.radius + aside), 0.0)
        height = self.along_mm + (np.sqrt(room) - radius * a) / math.sin(self.angle_rad)
        meets = (low <= high) & (~flat | (abs(self.offset_mm) <= reach))
        return np.where(meets, height, -np.inf)


@dataclass(frozen=True)
class CopeProfile:
    """One coped end.

    Attributes:
        branch, runs: what it is for.
        fit: "square": cut square to the surface, the wall clears the run everywhere; "ground":
            the outside edge lies on the run and the inside is ground back by hand.
        kerf_mm: how far the cut eats past the line, on the kept side.
        angle: (n,) rad from 0 to 2 pi, both ends included.
        outside: (n,) mm height of the run's surface at the outside of the branch.
        inside: (n,) mm the same at its inside.
        cut: (n,) mm where the finished edge stands, on the outside surface.
        line: (n,) mm where to cut: the finished edge moved by the kerf into the waste, square to
            itself on the unrolled surface.
        overhang_mm: how far the branch's skin stands past the run beside it; 0 when it is covered.
    """

    branch: BranchTube
    runs: tuple[RunAt, ...]
    fit: Fit
    kerf_mm: float
    angle: Array
    outside: Array
    inside: Array
    cut: Array
    line: Array
    overhang_mm: float

    @property
    def depth_mm(self) -> float:
        """Saddle depth: from the lowest to the highest place of the finished edge."""
        return float(self.cut.max() - self.cut.min())

    @property
    def outside_depth_mm(self) -> float:
        """The same for the run's surface at the outside of the branch, without the wall."""
        return float(self.outside.max() - self.outside.min())

    @property
    def gap_mm(self) -> float:
        """Widest gap that stays at the outside, along the branch."""
        return float(np.max(self.cut - self.outside))

    def at(self, angle_rad: float) -> float:
        """Height in mm of the finished edge at an angle round the branch."""
        return float(np.interp(angle_rad % (2.0 * math.pi), self.angle, self.cut))


def cope_profile(
    branch: BranchTube, runs: tuple[RunAt, ...], *, kerf_mm: float = 0.0, fit: Fit = "square"
) -> CopeProfile:
    """Work out where to cut a branch's end.

    With several runs the end clears them all: the highest of their curves at each angle. Where the
    skin of a branch passes beside a run and only its inside still meets it (same-size tubes whose
    axes miss each other by a millimetre), the edge follows the outermost part that meets it.

    Args:
        branch: the tube to cut.
        runs: one or two tubes at this end.
        kerf_mm: how far the cut eats past its line on the kept side.
        fit: see `CopeProfile`.

    Raises:
        InputError: a size that no tube has, an angle under 15 deg, or a branch that does not find
            a run all round; the sentence says what would be possible.
    """
    _check(branch, runs, kerf_mm)
    angle = np.linspace(0.0, 2.0 * math.pi, SAMPLES + 1)
    clear = np.max([r.clearance(branch.inside, branch.outside, angle) for r in runs], axis=0)
    if not np.all(np.isfinite(clear)):
        raise _misses(branch, runs, angle[~np.isfinite(clear)])
    edges = [
        np.max([r.height(radius, angle) for r in runs], axis=0)
        for radius in (branch.outside, branch.inside)
    ]
    outside, inside = (np.where(np.isfinite(e), e, clear) for e in edges)
    cut = clear if fit == "square" else outside
    line = _into_waste(cut, branch.outside * 2.0 * math.pi / SAMPLES, kerf_mm)
    overhang = _overhang(branch, runs, angle)
    return CopeProfile(
        branch, runs, fit, kerf_mm, angle, outside, inside, cut, line, overhang
    )  # fmt: skip


def _into_waste(edge: Array, step_mm: float, kerf_mm: float) -> Array:
    """Lower border of all circles of radius kerf round an edge that closes on itself."""
    if kerf_mm == 0.0:
        return edge.copy()
    ring = edge[:-1]
    lowest = ring - kerf_mm
    for n in range(1, int(kerf_mm / step_mm) + 1):
        drop = math.sqrt(max(kerf_mm**2 - (n * step_mm) ** 2, 0.0))
        lowest = np.minimum(lowest, np.minimum(np.roll(ring, n), np.roll(ring, -n)) - drop)
    return np.append(lowest, lowest[0])


def _overhang(branch: BranchTube, runs: tuple[RunAt, ...], angle: Array) -> float:
    """How far the skin passes beside the run that covers it best, at its worst place."""
    t = angle - np.array([[r.turn_rad] for r in runs])
    offset = np.array([[r.offset_mm] for r in runs])
    past = np.abs(branch.outside * np.sin(t) - offset) - np.array([[r.radius] for r in runs])
    worst = float(np.max(np.min(past, axis=0)))
    return worst if worst > 1e-6 else 0.0


def _check(branch: BranchTube, runs: tuple[RunAt, ...], kerf_mm: float) -> None:
    sizes = [branch.od_mm, branch.wall_mm, kerf_mm]
    sizes += [v for r in runs for v in (r.od_mm, r.angle_rad, r.offset_mm, r.turn_rad, r.along_mm)]
    if not all(math.isfinite(v) for v in sizes):
        raise InputError("A number of the cope is not finite", "cope", "give plain numbers")
    if not 1 <= len(runs) <= 2:
        raise InputError(
            f"There are {len(runs)} runs at one end", "cope", "give one or two for each end"
        )
    for what, od in [("branch", branch.od_mm), *((r.name, r.od_mm) for r in runs)]:
        if not 15.0 <= od <= 300.0:
            raise InputError(
                f"An outside diameter of {od:g} mm is none of a cage's tube", what, "give 15 to 300"
            )
    if not 0.2 <= branch.wall_mm < branch.outside:
        raise InputError(
            f"A wall of {branch.wall_mm:g} mm does not go into a tube of {branch.od_mm:g} mm",
            "branch",
            f"give 0.2 to less than {branch.outside:g} mm",
        )
    if not 0.0 <= kerf_mm <= 5.0:
        raise InputError(f"A kerf of {kerf_mm:g} mm cannot be allowed for", "cope", "give 0 to 5")
    for run in runs:
        degrees = math.degrees(run.angle_rad)
        if not STEEPEST_DEG - 1e-9 <= degrees <= 180.0 - STEEPEST_DEG + 1e-9:
            raise InputError(
                f"The axes meet at {degrees:g} deg, too flat for a cope",
                run.name,
                f"{STEEPEST_DEG:g} to {180.0 - STEEPEST_DEG:g} deg is possible; for less, move the "
                "joint or join the tubes another way",
            )


def _misses(branch: BranchTube, runs: tuple[RunAt, ...], where: Array) -> InputError:
    """What would be possible when a part of the branch finds no run."""
    run, inside, offset = runs[0], branch.inside, abs(runs[0].offset_mm)
    if len(runs) > 1:
        first, last = (math.degrees(a) for a in (where.min(), where.max()))
        return InputError(
            f"Between {first:.0f} and {last:.0f} deg the branch of {branch.od_mm:g} mm passes "
            "beside both runs",
            ", ".join(r.name for r in runs),
            "check offsets and turns, or move a run until they cover the branch all round",
        )
    larger = 2.0 * (offset + inside)
    ways = [f"a run of {larger:.1f} mm or more"]
    if run.radius > inside:
        ways.insert(0, f"an offset of up to {run.radius - inside:.1f} mm")
    smaller = 2.0 * (run.radius - offset + branch.wall_mm)
    if smaller > 2.0 * branch.wall_mm:
        ways.append(f"a branch of up to {smaller:.1f} mm with this wall")
    return InputError(
        f"The branch of {branch.od_mm:g} x {branch.wall_mm:g} mm is larger than the run of "
        f"{run.od_mm:g} mm at an offset of {offset:.4g} mm: its wall passes beside the run",
        run.name,
        "possible is " + ", or ".join(ways) + "; or cope the other tube to this one",
    )
