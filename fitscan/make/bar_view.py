"""True-scale side views of a bent bar, to hold against the tube while it is bent.

The bend table comes from `bends`; paper is left to `flat_pdf`. A bar whose bends lie in one plane
has one view; any other has a view for each bend, in the plane of that bend.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.make.bends import BendTable, to_apexes
from fitscan.make.bent_line import BentLine
from fitscan.make.flat import Drawing, Kind, Label, Stroke

__all__ = ["is_flat", "side_views"]

_FLAT_RAD = math.radians(0.5)
_LEG_MM = 85.0
"""How much of the straights beside a bend its own view shows."""

_MARGIN_MM, _OVER_MM, _LETTER_MM = 16.0, 5.0, 3.0


def is_flat(table: BendTable) -> bool:
    """Whether all bends lie in one plane, to half a degree: a bender's turn is not set finer."""
    turns = [abs(b.turn_rad) for b in table.bends[1:]]
    return all(min(t, abs(math.pi - t)) < _FLAT_RAD for t in turns)


def side_views(table: BendTable, od_mm: float, name: str) -> list[Drawing]:
    """Views of the bar, each at true size.

    Args:
        table: what is bent.
        od_mm: outside diameter of the tube.
        name: of the bar.
    """
    apexes = to_apexes(table)
    if len(apexes) < 3:
        return []
    starts = [*table.starts_mm]
    if is_flat(table):
        return [_view(table, apexes, range(len(table.bends)), starts, od_mm, f"{name}: side view")]
    out = []
    for n in range(len(table.bends)):
        legs = [apexes[n], apexes[n + 1], apexes[n + 2]]
        back = table.bender.clr_mm * math.tan(table.bends[n].bend_rad / 2.0)
        for k in (0, 2):
            away = legs[k] - legs[1]
            size = float(np.linalg.norm(away))
            legs[k] = legs[1] + away * min(size, back + _LEG_MM) / size
        view = _view(
            table,
            np.array(legs),
            range(n, n + 1),
            starts,
            od_mm,
            f"{name}: side view of bend {n + 1}",
        )
        out.append(view)
    return out


def _view(
    table: BendTable, apexes: Array, bends: Sequence[int], starts: list[float], od_mm: float,
    title: str,
) -> Drawing:  # fmt: skip
    clr = table.bender.clr_mm
    flat = _flattened(apexes, clr)
    sheet = _Ink(flat, od_mm)
    line = BentLine.through(np.column_stack([flat, np.zeros(len(flat))]), clr)
    whole = len(apexes) == len(table.bends) + 2 and is_flat(table)
    sheet.tube(line, whole=whole)
    for k, n in enumerate(bends):
        sheet.bend(table, line, k, n, starts[n])
    if whole:
        sheet.end_labels(line, table.developed_mm)
    return sheet.drawing(title)


def _flattened(apexes: Array, clr: float) -> Array:
    """Apexes (n, 2) in their plane: x from start to end, the first bend turning the tube upwards.

    The lengths and angles are the bar's own; what little it leaves its plane is not drawn.
    """
    line = BentLine.through(apexes, clr)
    legs = np.diff(apexes, axis=0)
    sizes = np.linalg.norm(legs, axis=1)
    sides = np.cross(legs[:-1], legs[1:])
    at, heading = np.zeros(2), 0.0
    out = [at]
    for n, size in enumerate(sizes):
        at = at + size * np.array([math.cos(heading), math.sin(heading)])
        out.append(at)
        if n < len(line.angles):
            way = 1.0 if sides[n] @ sides[0] >= 0.0 else -1.0
            heading += way * float(line.angles[n])
    flat = np.array(out)
    run = flat[-1] - flat[0]
    x = run / np.linalg.norm(run)
    return np.asarray(flat @ np.column_stack([x, [-x[1], x[0]]]))


class _Ink:
    """Collects strokes and labels, and shifts them to the drawing's corner at the end."""

    def __init__(self, flat: Array, od_mm: float) -> None:
        self.flat = flat
        self.half = od_mm / 2.0
        self.strokes: list[Stroke] = []
        self.labels: list[Label] = []

    def tube(self, line: BentLine, *, whole: bool) -> None:
        """Axis, both sides of the skin, and the ends square to the axis where the tube ends."""
        axis = line.sampled(1.0)[:, :2]
        ahead = np.gradient(axis, axis=0)
        # At a tangent point the step is finer on one side: the piece's own direction is exact.
        ahead = ahead / np.linalg.norm(ahead, axis=1)[:, None]
        aside = np.column_stack([-ahead[:, 1], ahead[:, 0]])
        sides = [self._skin(line, sign) for sign in (1.0, -1.0)]
        self.strokes.append(Stroke(Kind.CENTRE, axis))
        self.strokes += [Stroke(Kind.OUTLINE, side) for side in sides]
        for k in (0, -1) if whole else ():
            ends = np.array([axis[k] + self.half * aside[k], axis[k] - self.half * aside[k]])
            self.strokes.append(Stroke(Kind.OUTLINE, ends))

    def _skin(self, line: BentLine, sign: float) -> Array:
        """One side: each piece moved square to itself, so that arcs stay arcs."""
        out: list[Array] = []
        for piece in line.pieces:
            if piece.centre is None or piece.inward is None:
                normal = sign * self.half * _left(piece.ahead[:2])
                out += [piece.start[:2] + normal]
                out += [piece.start[:2] + piece.length * piece.ahead[:2] + normal]
                continue
            inwards = 1.0 if _left(piece.ahead[:2]) @ piece.inward[:2] > 0 else -1.0
            radius = line.clr_mm - sign * inwards * self.half
            turn = np.linspace(0.0, piece.angle, max(int(piece.length), 8))[:, None]
            arc = np.sin(turn) * piece.ahead[:2] - np.cos(turn) * piece.inward[:2]
            out += list(piece.centre[:2] + radius * arc)
        return np.array(out)

    def bend(self, table: BendTable, line: BentLine, k: int, n: int, start: float) -> None:
        """Lines where bend n starts and ends, its apex, its numbers; k is its place in the line."""
        row = table.bends[n]
        arc = [p for p in line.pieces if p.centre is not None][k]
        assert arc.inward is not None
        inward = arc.inward[:2]
        length = table.bender.clr_mm * row.bend_rad
        leave = math.cos(row.bend_rad) * arc.ahead[:2] + math.sin(row.bend_rad) * inward
        out_inward = -math.sin(row.bend_rad) * arc.ahead[:2] + math.cos(row.bend_rad) * inward
        apex = self.flat[k + 1]
        back = table.bender.clr_mm * math.tan(row.bend_rad / 2.0)
        for place, normal, at in (
            (arc.start[:2], inward, start),
            (apex + back * leave, out_inward, start + length),
        ):
            reach = self.half + _OVER_MM
            ends = np.array([place - reach * normal, place + reach * normal])
            self.strokes.append(Stroke(Kind.MARK, ends))
            self._label(place + (reach + 2.5) * normal, f"{at:.1f}")
        for way in (np.array([3.0, 0.0]), np.array([0.0, 3.0])):
            self.strokes.append(Stroke(Kind.MARK, np.array([apex - way, apex + way])))
        middle = math.sin(row.bend_rad / 2.0) * arc.ahead[:2]
        middle = middle - math.cos(row.bend_rad / 2.0) * inward
        turned = math.degrees(row.turn_rad)
        turn = "" if n == 0 or abs(turned) < 0.05 else f", turn {turned:+.1f}"
        words = f"bend {n + 1}: {math.degrees(row.bend_rad):.1f} deg{turn}"
        spring = math.degrees(table.set_rad(row) - row.bend_rad)
        if spring:
            words += f", set {math.degrees(table.set_rad(row)):.1f}"
        # Beyond the skin on the outer side, below the numbers at the cross lines.
        self._label(apex + middle * (self.half + _OVER_MM + 7.0), words, bold=True)

    def end_labels(self, line: BentLine, developed_mm: float) -> None:
        """Where the tube starts and ends, and how long it is."""
        first, last = line.pieces[0], line.pieces[-1]
        for place, ahead, words in (
            (first.start[:2], first.ahead[:2], "start 0.0"),
            (self.flat[-1], last.ahead[:2], f"end {developed_mm:.1f}"),
        ):
            self._label(place + (self.half + 4.0) * _left(ahead), words, bold=True)

    def _label(self, place: Array, words: str, *, bold: bool = False) -> None:
        x, y = float(place[0]), float(place[1])
        label = Label(x, y - _LETTER_MM / 3.0, words, size=_LETTER_MM, bold=bold, middle=True)
        self.labels.append(label)

    def drawing(self, title: str) -> Drawing:
        """All of it, moved so that the lower left corner is (0, 0)."""
        every = np.vstack(
            [s.points for s in self.strokes] + [np.array([[p.x, p.y]]) for p in self.labels]
        )
        low = every.min(axis=0) - _MARGIN_MM
        size = every.max(axis=0) + _MARGIN_MM - low
        strokes = tuple(Stroke(s.kind, s.points - low) for s in self.strokes)
        labels = tuple(
            Label(p.x - low[0], p.y - low[1], p.words, p.size, p.room, p.bold, p.middle, p.turned)
            for p in self.labels
        )
        return Drawing(title, strokes, labels, float(size[0]), float(size[1]))


def _left(direction: Array) -> Array:
    return np.array([-direction[1], direction[0]])
