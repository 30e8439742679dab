"""A bar's stand-off from a contour or a scan, drawn on photos of the bar's survey.

Looks mean the same as in `overlay`; numbers come from `fitscan.fit`.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from fitscan.fit.gap_standoff import Against, Standoff, StandoffStation
from fitscan.geometry.rotation import Array
from fitscan.report.drawing import Drawing, Key, Stroke
from fitscan.report.labels import Wish
from fitscan.report.overlay import (
    Sheet,
    cross_out,
    draw_markers,
    draw_tubes,
    inside,
    photo_words,
    renamed,
    square_to_axis,
)
from fitscan.report.palette import VERDICT_LOOKS
from fitscan.report.view import PhotoView
from fitscan.report.words import amount
from fitscan.shape.centre_line import CentreLine
from fitscan.survey.survey import Survey

__all__ = ["standoff_drawing", "standoff_heading", "standoff_points", "worst_standoff_points"]

_OUTLINE = {
    Against.LIP: "lip, by its pointers",
    Against.CENTRE: "lips, by their pointers",
    Against.SCAN: "the scan's surface where it is nearest",
}


def standoff_heading(result: Standoff) -> str:
    """The result in one line."""
    s = result.worst
    told = amount(s.value_mm, s.expanded_mm, "mm")
    if result.against is Against.CENTRE:
        return f"{result.bar}: {told} off {result.target} at worst"
    if result.standoff_mm is not None:
        wanted = f"the wanted {result.standoff_mm:g} mm to {result.target}"
        return f"{result.bar}: {told} off {wanted} at worst"
    if s.value_mm < -s.expanded_mm:
        told = amount(-s.value_mm, s.expanded_mm, "mm")
        return f"{result.bar}: fouls {result.target} by {told} at worst"
    return f"{result.bar}: clearance {told} to {result.target} at its tightest"


def standoff_points(result: Standoff) -> Array:
    """Points (n, 3) that a picture should show, in the frame of the bar's survey."""
    points = [p for s in result.stations for p in (s.target_mm, s.bar_mm)]
    return result.chain.start.inverse().apply(np.array(points))


def worst_standoff_points(result: Standoff) -> Array:
    """Points (4, 3) around the worst station, as `overlay.worst_gap_points` gives them."""
    s = result.worst
    along = _along(result, s)
    away = s.target_mm - s.bar_mm
    away = away - (away @ along) * along
    size = float(np.linalg.norm(away))
    unit = away / size if size > 1e-9 else np.cross(along, [0.0, 0.0, 1.0])
    reach = 1.5 * result.bar_od_mm
    arms = reach * np.array([unit, -unit, along, -along])
    return result.chain.start.inverse().apply(s.target_mm + arms)


def _along(result: Standoff, s: StandoffStation) -> Array:
    """Direction (3,) of the bar near a station, from its neighbours on the bar."""
    bars = np.array([x.bar_mm for x in result.stations])
    far = bars[np.argsort(np.linalg.norm(bars - s.bar_mm, axis=1))]
    if len(far) < 2:
        return np.array([1.0, 0.0, 0.0])
    way = far[1] - s.bar_mm
    return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))


def standoff_drawing(
    result: Standoff, line: CentreLine, survey: Survey, view: PhotoView
) -> Drawing:
    """Bar, target and what is between them on a photo of the bar's survey.

    The target is carried over by the inverse of the chain, so everything is drawn where it is.

    Args:
        result: to draw.
        line: the bar's centre line in its survey.
        survey: the bar's.
        view: of one of its photos.
    """
    sheet = Sheet(view)
    bar_from_target = result.chain.start.inverse()
    draw_markers(sheet, survey)
    for number, curve in enumerate(result.outline):
        centre = result.against is Against.CENTRE and number == len(result.outline) - 1
        role = "seat axis" if centre else "seat outline"
        sheet.add_curve(role, bar_from_target.apply(_fine(curve)), result.target)
    draw_tubes(sheet, survey, [result.bar])
    places = line.places(5.0)
    for piece in sorted(set(places.piece.tolist())):
        if piece % 2:
            rows = np.flatnonzero(places.piece == piece)
            own = line.points(line.poses, places.take(rows))
            sheet.add_curve("tube axis", own, result.bar)
    lost = _draw_stations(sheet, result)
    cross_out(sheet, survey, {m.marker_id: "moved" for _, m in result.chain.moved})
    labels = (
        "distance of the axis from where it shall be"
        if result.against is Against.CENTRE
        else "clearance of the bar's outside, negative where it fouls"
    )
    where = (
        "everything was measured in this survey"
        if not result.chain.steps
        else f"the target comes from survey {result.chain.target.name}, carried over by the "
        f"{result.on}'s markers"
    )
    sheet.lines = [
        *result.sentences[:2],
        f"Labels: {labels} ± U (k = 2), drawn at its true place and size.",
        f"{photo_words(view)}, survey {survey.name}; {where}.",
    ]
    if lost:
        sheet.lines.append(f"{lost} stations have no label for lack of room: see the table.")
    drawing = sheet.finish(standoff_heading(result), result.warnings)
    meaning = {"whisker": "from the bar to the target", "seat outline": _OUTLINE[result.against]}
    return renamed(drawing, meaning)


def _fine(curve: Array) -> Array:
    """A line (n, 3) with places in between, so that the lens bends it in the picture."""
    if len(curve) < 2:
        return curve
    share = np.linspace(0.0, 1.0, 12, endpoint=False)[:, None]
    pieces = [a + share * (b - a) for a, b in pairwise(curve)]
    return np.concatenate([*pieces, curve[-1:]])


def _draw_stations(sheet: Sheet, result: Standoff) -> int:
    """Whisker, verdict and label of each station; returns how many labels found no room."""
    bar_from_target = result.chain.start.inverse()
    wishes: list[tuple[float, Wish]] = []
    verdicts = []
    for number, s in enumerate(result.stations, 1):
        start = s.bar_mm
        if result.against is not Against.CENTRE:
            # From the bar's outside: that is what is clear, or is not.
            away = s.target_mm - s.bar_mm
            size = max(float(np.linalg.norm(away)), 1e-9)
            start = s.bar_mm + 0.5 * result.bar_od_mm / size * away
        ends, seen = sheet.view.shown(bar_from_target.apply(np.array([s.target_mm, start])))
        if not seen.all() or not inside(ends[1], sheet.view):
            continue
        look = VERDICT_LOOKS[s.verdict]
        sheet.strokes.append(Stroke("whisker", ends, f"station {number}"))
        verdicts.append(s.verdict)
        told = s.value_mm if s.clearance_mm is None else s.clearance_mm
        u = s.expanded_mm if s.clearance_expanded_mm is None else s.clearance_expanded_mm
        wish = Wish(
            amount(told, u, "mm"), ends.mean(axis=0), square_to_axis(sheet, ends[1]),
            f"station {number}", look.shape, look.colour,
        )  # fmt: skip
        wishes.append((s.value_mm if s is not result.worst else np.inf, wish))
    for verdict in dict.fromkeys(verdicts):
        look = VERDICT_LOOKS[verdict]
        sheet.legend.append(Key("symbol", f"station {verdict.value}", look.shape, look.colour))
    order = sorted(range(len(wishes)), key=lambda i: (0 < i < len(wishes) - 1, -wishes[i][0]))
    return sheet.label([wishes[i][1] for i in order])
