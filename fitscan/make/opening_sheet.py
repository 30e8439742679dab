"""The template of an opening: cut line, marks to lay it by, edge, and how the tube leans.

The hole comes from `opening_plan`; paper is left to `flat_pdf`.
"""

from __future__ import annotations

import math

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.make.flat import Drawing, Kind, Label, Stroke
from fitscan.make.names import shown
from fitscan.make.opening_plan import OpeningPlan
from fitscan.markers.sheet_ink import text_width

__all__ = ["opening_drawing"]

_MARGIN_MM, _CROSS_MM, _LETTER_MM = 14.0, 5.0, 2.8
_EDGE_OVER_MM = 15.0
_FEWEST_MARKS, _REACH_MM = 3, 200.0


def opening_drawing(plan: OpeningPlan) -> Drawing:
    """Draw it at true size, as one looks at the face that the marks lie on."""
    request, at, hole = plan.request, plan.request.source.at, plan.hole
    strokes = [Stroke(Kind.CUT, hole.outline)]
    labels: list[Label] = []
    for n in _beside(at.marks, at.centre):
        name, place = request.source.names[n], at.marks[n]
        strokes += _cross(place, _CROSS_MM)
        words = f"{shown(name)} ({place[0]:.1f}, {place[1]:.1f})"
        labels.append(Label(float(place[0]) + 2.0, float(place[1]) + 1.6, words, size=_LETTER_MM))
    strokes += _cross(at.centre, 3.0)
    labels += _inside(plan)
    if at.slant_rad > math.radians(0.2):
        strokes += _arrow(plan)
    if request.edge is not None:
        strokes.append(_edge(plan))
    boxes = [np.array([[p.x, p.y], [p.x + _width(p), p.y + p.size]]) for p in labels]
    every = np.vstack([*(s.points for s in strokes), *boxes])
    low = every.min(axis=0) - _MARGIN_MM
    size = every.max(axis=0) + _MARGIN_MM - low
    return Drawing(
        f"Opening: {request.name}",
        tuple(Stroke(s.kind, s.points - low) for s in strokes),
        tuple(
            Label(p.x - low[0], p.y - low[1], p.words, p.size, p.room, p.bold, p.middle, p.turned)
            for p in labels
        ),
        float(size[0]),
        float(size[1]),
    )


def _beside(marks: Array, centre: Array) -> list[int]:
    """The marks that the template is laid by: those near the hole, and three in any case.

    A dash may carry tags from door to door; a template as long as that lies on nothing well.
    """
    away = np.linalg.norm(marks - centre, axis=1)
    order = np.argsort(away, kind="stable")
    return sorted(int(n) for k, n in enumerate(order) if k < _FEWEST_MARKS or away[n] <= _REACH_MM)


def _width(label: Label) -> float:
    wide = text_width(label.words, label.size, bold=label.bold)
    return 0.0 if label.middle else min(wide, label.room or wide)


def _cross(place: Array, half: float) -> list[Stroke]:
    ways = (np.array([half, 0.0]), np.array([0.0, half]))
    return [Stroke(Kind.MARK, np.array([place - way, place + way])) for way in ways]


def _inside(plan: OpeningPlan) -> list[Label]:
    """Words on the metal that falls out."""
    request, at = plan.request, plan.request.source.at
    room = 0.78 * plan.hole.width_mm
    x, y = (float(v) for v in at.centre)
    lines = [
        f"{request.source.od_mm:g} tube, {request.clearance_mm:g} clear",
        f"slant {math.degrees(at.slant_rad):.1f} deg",
    ]
    above = [Label(x, y + 5.0, "CUT OUT", size=3.0, room=room, bold=True, middle=True)]
    below = [
        Label(x, y - 6.5 - 3.2 * n, line, size=2.4, room=room, middle=True)
        for n, line in enumerate(lines)
    ]
    return above + below


def _arrow(plan: OpeningPlan) -> list[Stroke]:
    """From the centre, the way that the tube takes as it comes out of the face towards one."""
    at = plan.request.source.at
    way = np.array([math.cos(at.heading_rad), math.sin(at.heading_rad)])
    aside = np.array([-way[1], way[0]])
    tip = at.centre + (plan.hole.length_mm / 2.0 + 9.0) * way
    tail = at.centre + (plan.hole.length_mm / 2.0 - 4.0) * way
    head = np.array([tip - 3.0 * way + 1.6 * aside, tip, tip - 3.0 * way - 1.6 * aside])
    return [Stroke(Kind.CENTRE, np.array([tail, tip])), Stroke(Kind.MARK, head)]


def _edge(plan: OpeningPlan) -> Stroke:
    """The panel's edge, a little beyond its marks and the slot."""
    source, edge = plan.request.source, plan.request.edge
    assert edge is not None
    a, b = (source.at.marks[source.names.index(n)] for n in edge)
    run = (b - a) / np.linalg.norm(b - a)
    along = np.concatenate([[0.0, float((b - a) @ run)], (plan.hole.outline - a) @ run])
    near = [k for k in along if abs(k - float((source.at.centre - a) @ run)) <= _REACH_MM]
    ends = (min(near) - _EDGE_OVER_MM, max(near) + _EDGE_OVER_MM)
    return Stroke(Kind.TRIM, np.array([a + ends[0] * run, a + ends[1] * run]))
