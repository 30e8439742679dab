"""The flat pattern of a foot plate on paper: outline, fold lines, where the corners lie.

The pattern comes from `plate_plan`; paper is left to `flat_pdf`.
"""

from __future__ import annotations

import math

import numpy as np

from fitscan.make.flat import Drawing, Kind, Label, Stroke
from fitscan.make.names import shown
from fitscan.make.plate_plan import PlatePlan

__all__ = ["plate_drawing"]

_MARGIN_MM, _CROSS_MM = 10.0, 2.5


def plate_drawing(plan: PlatePlan) -> Drawing:
    """Draw it at true size, as one looks at the side away from the car."""
    plate = plan.plate
    strokes = [Stroke(Kind.CUT, plate.outline)]
    labels: list[Label] = []
    for n, fold in enumerate(plate.folds, 1):
        strokes.append(Stroke(Kind.FOLD, fold.middle))
        strokes += [Stroke(Kind.MARK, fold.starts), Stroke(Kind.MARK, fold.ends)]
        way = "towards you" if fold.inner_corner else "away from you"
        words = f"fold {n}: {math.degrees(fold.angle_rad):.1f} deg {way}"
        x, y = fold.ends.mean(axis=0).tolist()
        room = 0.8 * float(np.linalg.norm(fold.middle[1] - fold.middle[0]))
        labels.append(Label(x, y + 1.4, words, size=2.8, room=room, bold=True, middle=True))
    for n, (spots, names) in enumerate(zip(plate.corners, plan.request.source.names, strict=True)):
        middle = spots.mean(axis=0)
        for spot, name in zip(spots, names, strict=True):
            for step in (np.array([_CROSS_MM, 0.0]), np.array([0.0, _CROSS_MM])):
                strokes.append(Stroke(Kind.MARK, np.array([spot - step, spot + step])))
            # Inside the outline, where nothing is cut away.
            place = spot + 6.0 * (middle - spot) / max(float(np.linalg.norm(middle - spot)), 1.0)
            x, y = float(place[0]), float(place[1]) - 0.9
            labels.append(Label(x, y, shown(name), size=2.4, middle=True))
        lines = [f"face {n + 1}"]
        if n == 0:
            lines += [
                shown(plan.request.name),
                f"{plan.request.sheet.thickness_mm:g} mm, {plan.area_cm2:.1f} cm2",
                "DRY-FIT IN CARD FIRST",
            ]
        room = 0.7 * float(np.ptp(spots[:, 0]))
        for k, line in enumerate(lines):
            x, y = float(middle[0]), float(middle[1]) + 1.8 * len(lines) - 3.6 * (k + 1)
            labels.append(Label(x, y, line, size=2.8, room=room, bold=k == 0, middle=True))
    low = plate.outline.min(axis=0) - _MARGIN_MM
    size = plate.outline.max(axis=0) + _MARGIN_MM - low
    return Drawing(
        f"Foot plate: {plan.request.name}",
        tuple(Stroke(s.kind, s.points - low) for s in strokes),
        tuple(
            Label(p.x - low[0], p.y - low[1], p.words, p.size, p.room, p.bold, p.middle, p.turned)
            for p in labels
        ),
        float(size[0]),
        float(size[1]),
    )
