"""Tubes and nodes as a fitter reads them: bends, lengths, offsets, each with U and in words.

The shapes come from `fitscan.shape`; files, tables and pictures are left to others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fitscan.errors import InputError
from fitscan.fit.reading import Basis, Reading, number_words, reading, verdict_sentences
from fitscan.fit.verdict import COVERAGE
from fitscan.fit.wishes import pair_of
from fitscan.shape.axis_rule import AxisRule, axis_named
from fitscan.shape.contradiction import contradictions
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.shape.node import Node, NodeLength, find_length, find_node
from fitscan.shape.straight import straights_of
from fitscan.shape.tube import Bend, Tube, cuffs_in_bends, find_tube
from fitscan.survey.survey import Survey

__all__ = ["TubeReport", "report_tubes"]

_MISS_MM = 1.0
"""Axes that pass each other at a bend by less are what a bent tube is like (no source)."""


@dataclass(frozen=True)
class TubeReport:
    """Tubes and nodes of a survey.

    Attributes:
        survey: its name.
        axes: the frame in which points are told.
        tubes, nodes, lengths: shapes, in the survey's own frame.
        readings: every number.
        rules: the straights that they rest on.
        tolerance_mm: for node offsets.
        sentences: in the fitter's words.
        warnings: that every output must carry.
    """

    survey: str
    axes: CarAxes
    tubes: tuple[Tube, ...]
    nodes: tuple[Node, ...]
    lengths: tuple[NodeLength, ...]
    readings: tuple[Reading, ...]
    rules: tuple[AxisRule, ...]
    tolerance_mm: float
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def heading(self) -> str:
        """What the result is."""
        return f"Tubes in survey {self.survey}"


def report_tubes(
    survey: Survey,
    tubes: Sequence[str],
    nodes: Sequence[str] = (),
    *,
    clr_mm: float | None = None,
    tolerance_mm: float = 1.0,
) -> TubeReport:
    """Bends and straights of tubes, nodes, and the lengths between all of these nodes.

    Args:
        survey: that shows them.
        tubes: names.
        nodes: A=B of two straights (TUBE or TUBE:STRAIGHT) that should meet.
        clr_mm: centre-line radius of the tubes' bends; the kit's [[tube]] if None.
        tolerance_mm: largest wanted offset of a node.

    Raises:
        InputError: nothing is asked, or a tube is unknown or was not found.
        DataError: a tube's straights do not form bends, or a node's axes are parallel.
    """
    if not tubes and not nodes:
        raise InputError("Nothing is asked", "tube", "give --tube, --node or both")
    found = tuple(find_tube(survey, name, clr_mm) for name in dict.fromkeys(tubes))
    rules: dict[str, AxisRule] = {}
    for tube in found:
        for straight in straights_of(survey, tube.name):
            rule = AxisRule.of(survey, straight)
            rules.setdefault(rule.name, rule)
    met = []
    for text in nodes:
        a, b = (axis_named(survey, n, "--node") for n in pair_of(text, "--node"))
        met.append(find_node(survey, a, b))
        rules.setdefault(a.name, a)
        rules.setdefault(b.name, b)
    lengths = tuple(find_length(survey, a, b) for a, b in combinations(met, 2))
    readings: list[Reading] = []
    sentences: list[str] = []
    for tube in found:
        readings += _tube_readings(tube)
        sentences += _tube_words(tube)
    for node in met:
        rows = _node_readings(node, tolerance_mm)
        readings += rows
        sentences.append(f"{node.name}: the axes miss each other by {number_words(rows[0])}")
    for length in lengths:
        row = _length_reading(length)
        readings.append(row)
        along = f" along {length.along}" if length.along else " in a straight line"
        sentences.append(f"From {row.subject} to {row.against}: {number_words(row)}{along}")
    sentences += verdict_sentences(readings)
    return TubeReport(
        survey.name,
        car_axes(survey),
        found,
        tuple(met),
        lengths,
        tuple(readings),
        tuple(rules.values()),
        tolerance_mm,
        tuple(sentences),
        _warnings(survey, found, list(rules.values())),
    )


def _tube_readings(tube: Tube) -> list[Reading]:
    out = []
    cuffs = {s.number: s.cuffs for s in tube.straights}
    for bend in tube.bends:
        near = (*cuffs[bend.before], *cuffs[bend.after])
        rows = [("angle", bend.angle_rad, bend.angle_u_rad, "deg")]
        if bend.turn_rad is not None and bend.turn_u_rad is not None:
            rows.append(("turn from the bend before", bend.turn_rad, bend.turn_u_rad, "deg"))
        if bend.arc_mm is not None and bend.arc_u_mm is not None:
            rows.append(("arc", bend.arc_mm, bend.arc_u_mm, "mm"))
        if bend.setback_mm is not None and bend.setback_u_mm is not None:
            rows.append(("setback", bend.setback_mm, bend.setback_u_mm, "mm"))
        rows.append(("miss of the axes", bend.miss_mm, bend.miss_u_mm, "mm"))
        where = f"{tube.name}, bend {bend.before}-{bend.after}"
        out += [_row(where, "its straights", near, *row) for row in rows]
    for s in tube.straights:
        rows = [("direction known to", 0.0, s.direction_u_rad, "deg")]
        if s.length_mm is not None and s.length_u_mm is not None:
            rows.append(("straight between its bends", s.length_mm, s.length_u_mm, "mm"))
        where = f"{tube.name}, straight {s.number}"
        out += [_row(where, "its cuffs", s.cuffs, *row) for row in rows]
    return out


def _row(
    subject: str, against: str, cuffs: tuple[int, ...], name: str, value: float, u: float, unit: str
) -> Reading:
    """A reading of which nothing is wanted; angles come in radians."""
    factor = float(np.degrees(1.0)) if unit == "deg" else 1.0
    return reading(
        subject, against, name, factor * value, factor * u, unit, cuffs=cuffs, tolerance=0.0
    )


def _tube_words(tube: Tube) -> list[str]:
    out = []
    if not tube.bends:
        one = len(tube.straights) == 1
        what = "one straight was found" if one else "no neighbouring straights were found"
        out.append(f"{tube.name}: {what}, so no bend is told")
    for bend in tube.bends:
        u = COVERAGE * np.degrees(bend.angle_u_rad)
        text = (
            f"{tube.name}: the bend from straight {bend.before} to {bend.after} is "
            f"{np.degrees(bend.angle_rad):.3f} deg (U {u:.3f} deg)"
        )
        if bend.turn_rad is not None and bend.turn_u_rad is not None:
            text += (
                f", turned {np.degrees(bend.turn_rad):.3f} deg (U "
                f"{COVERAGE * np.degrees(bend.turn_u_rad):.3f} deg) from the bend before"
            )
        out.append(text + _bend_words(tube, bend))
    return out


def _bend_words(tube: Tube, bend: Bend) -> str:
    if bend.arc_mm is None or bend.setback_mm is None or tube.clr_mm is None:
        return ""
    return (
        f"; on a centre-line radius of {tube.clr_mm:g} mm its arc is {bend.arc_mm:.1f} mm and it "
        f"starts {bend.setback_mm:.1f} mm before the apex"
    )


def _node_readings(node: Node, tolerance_mm: float) -> list[Reading]:
    cuffs = tuple(dict.fromkeys([*node.a.cuffs, *node.b.cuffs]))
    return [
        reading(
            node.a.name, node.b.name, "node offset", node.offset_mm, node.offset_u_mm, "mm",
            cuffs=cuffs, tolerance=tolerance_mm, wanted=0.0,
            basis=None if node.found is None else Basis(node.found, "miss"),
        ),
        reading(
            node.a.name, node.b.name, "angle at the node", float(np.degrees(node.angle_rad)),
            float(np.degrees(node.angle_u_rad)), "deg", cuffs=cuffs, tolerance=0.0,
        ),
    ]  # fmt: skip


def _length_reading(length: NodeLength) -> Reading:
    rules = (length.first.a, length.first.b, length.second.a, length.second.b)
    cuffs = tuple(dict.fromkeys(c for r in rules for c in r.cuffs))
    return reading(
        length.first.name, length.second.name, "length between nodes", length.length_mm,
        length.length_u_mm, "mm", cuffs=cuffs, tolerance=0.0,
    )  # fmt: skip


def _warnings(survey: Survey, tubes: tuple[Tube, ...], rules: list[AxisRule]) -> tuple[str, ...]:
    out = list(survey.quality.warnings)
    for rule in rules:
        out += [c.sentence for c in contradictions(survey, rule)]
        if rule.lone:
            out.append(
                f"{rule.name} has a single cuff ({rule.cuffs[0]}), so its direction is known "
                "badly: wrap a second one far from it"
            )
    for tube in tubes:
        for cuff, over in cuffs_in_bends(survey, tube):
            out.append(
                f"Cuff {cuff} reaches {over:.0f} mm into a bend of the {tube.name} if the "
                f"centre-line radius is {tube.clr_mm:g} mm: wrap it further from the bend"
            )
        for s in tube.straights:
            if s.length_mm is not None and s.length_mm < 0.0:
                out.append(
                    f"{tube.name}: the bends at the ends of straight {s.number} overlap by "
                    f"{-s.length_mm:.0f} mm: check the centre-line radius"
                )
        for b in tube.bends:
            if abs(b.miss_mm) > max(COVERAGE * b.miss_u_mm, _MISS_MM):
                out.append(
                    f"{tube.name}: straights {b.before} and {b.after} pass {abs(b.miss_mm):.1f} mm "
                    "beside each other at their bend: a cuff slipped, or the bend is twisted"
                )
    return tuple(dict.fromkeys(out))
