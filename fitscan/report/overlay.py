"""What is drawn on photos: a gap, a recheck, or a survey, projected through the lens.

The shapes go to `raster`; which photos are taken to `choose`. One look has one meaning in all
pictures: yellow and full is where a tube was measured, blue and dashed where it should be,
vermilion the difference between them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from fitscan.fit.gap import Gap, GapStation
from fitscan.fit.recheck import CuffShift, Recheck
from fitscan.fit.verdict import Verdict
from fitscan.geometry.line import Line
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.layout import Layout
from fitscan.report.drawing import Arrow, Cross, Drawing, Key, Label, Stroke, Symbol
from fitscan.report.labels import Wish, place_labels
from fitscan.report.outline import axis_points, end_circles, silhouette, square_border
from fitscan.report.palette import VERDICT_LOOKS
from fitscan.report.view import PhotoView
from fitscan.report.words import SHORT_CAUTION, amount, exaggeration
from fitscan.shape.straight import Straight, straights_of
from fitscan.survey.survey import Survey

__all__ = [
    "LABEL_PX",
    "Sheet",
    "cross_out",
    "draw_markers",
    "draw_tubes",
    "gap_drawing",
    "gap_points",
    "inside",
    "photo_words",
    "recheck_drawing",
    "recheck_points",
    "renamed",
    "square_to_axis",
    "survey_drawing",
    "worst_gap_points",
]

LABEL_PX = 42.0
"""Letters of labels, of a picture 1800 px wide: 8 px on a phone held upright, 18 sideways."""

_ARROW_SHARE = 0.13
_PUSH_SHARE = 0.09
_SHORTEST_PUSH_PX = 30.0
_MOST_ARROW_LABELS = 6
_MOST_LEFT_OUT = 4
_SMALLEST_CROSS_PX = 16.0

_MEANINGS = {
    "tube outline": "tube as measured, with its axis",
    "seat outline": "where it should be, with its axis",
    "whisker": "distance between the axes",
    "marker": "markers measured in this photo",
    "left out": "left out: moved, or unreliable in this photo",
}


@dataclass
class Sheet:
    """A drawing in the making."""

    view: PhotoView
    strokes: list[Stroke] = field(default_factory=list)
    arrows: list[Arrow] = field(default_factory=list)
    crosses: list[Cross] = field(default_factory=list)
    symbols: list[Symbol] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    legend: list[Key] = field(default_factory=list)
    any_hidden: bool = False
    factor: float = 1.0

    def add_curve(self, role: str, points: Array, of: str) -> None:
        """Draw a line in space (n, 3) where the photo shows it."""
        for piece in self.view.curves(points):
            if _touches(piece, self.view):
                self.strokes.append(Stroke(role, piece, of))

    def add_tube(
        self,
        kind: str,
        axis: Line,
        od_mm: float,
        span: tuple[float, float],
        of: str,
        *,
        hidden: bool = False,
    ) -> None:
        """Axis, silhouette and ends of a straight; `kind` is "tube" or "seat".

        A straight that something hides in this photo is drawn as its axis alone.
        """
        self.add_curve(f"{kind} axis", axis_points(axis, span), of)
        if hidden:
            self.any_hidden = True
            return
        for edge in silhouette(axis, 0.5 * od_mm, span, self.view.eye):
            self.add_curve(f"{kind} outline", edge, of)
        for ring in end_circles(axis, 0.5 * od_mm, span):
            self.add_curve(f"{kind} outline", ring, of)

    def obstacles(self) -> Array:
        """Places that labels should not cover."""
        shown = ("tube outline", "seat outline", "tube axis", "seat axis", "whisker")
        lines = [s.places[::4] for s in self.strokes if s.role in shown]
        lines += [np.linspace(a.tail, a.head, 8) for a in self.arrows]
        lines += [c.lines.reshape(-1, 2) for c in self.crosses]
        return np.concatenate(lines) if lines else np.zeros((0, 2))

    def label(self, wishes: Sequence[Wish]) -> int:
        """Place labels and their leaders; returns how many found no room."""
        crop = self.view.crop
        labels, leaders, left_out = place_labels(
            wishes, LABEL_PX, crop.shown_width, crop.shown_height, self.obstacles(), self.labels
        )
        self.labels += labels
        self.strokes = leaders + self.strokes
        return len(left_out)

    def finish(self, heading: str, warnings: Iterable[str]) -> Drawing:
        """The drawing with its words and its legend."""
        present = {s.role for s in self.strokes} | ({"left out"} if self.crosses else set())
        legend = [Key(role, text) for role, text in _MEANINGS.items() if role in present]
        order = ["marker", "leader"]
        below = [s for role in order for s in self.strokes if s.role == role]
        above = [s for s in self.strokes if s.role not in order]
        if self.any_hidden:
            self.lines.append("Tubes of which this photo shows no cuff are drawn as their axes.")
        crop = self.view.crop
        return Drawing(
            crop.shown_width, crop.shown_height, tuple(below + above), tuple(self.arrows),
            tuple(self.crosses), tuple(self.symbols), tuple(self.labels), heading,
            tuple(self.lines), tuple(warnings), SHORT_CAUTION, tuple(legend + self.legend),
            self.factor,
        )  # fmt: skip


def _touches(piece: Array, view: PhotoView) -> bool:
    size = np.array([view.crop.shown_width, view.crop.shown_height])
    return bool(np.all(piece.max(axis=0) >= 0.0) and np.all(piece.min(axis=0) <= size - 1.0))


def photo_words(view: PhotoView) -> str:
    """Name of the photo, and how much it is enlarged."""
    scale = view.crop.shown_width / view.crop.width
    enlarged = f", enlarged {scale:.1f} times" if scale > 1.05 else ""
    return f"Photo {view.entry.name}{enlarged}"


def inside(place: Array, view: PhotoView) -> bool:
    """Whether a place (2,) lies in the picture."""
    size = np.array([view.crop.shown_width, view.crop.shown_height])
    return bool(np.all(place >= 0.0) and np.all(place <= size - 1.0))


# ---------------------------------------------------------------- gap


def gap_points(gap: Gap) -> Array:
    """Points (n, 3) that a picture of a gap should show, in the frame of the bar's survey."""
    points = [p for s in gap.stations for p in (s.seated_mm, s.bar_mm)]
    return gap.alignment.a_from_b.inverse().apply(np.array(points))


def worst_gap_points(gap: Gap) -> Array:
    """Points (4, 3) around the worst station, in the frame of the bar's survey.

    The first two lie on the line of the gap itself, the others along the bar, so that a photo that
    sees the first two far apart shows the gap; the bar's diameter is a third of either span.
    """
    straight, s = max(
        ((g, s) for g in gap.straights for s in g.stations), key=lambda pair: pair[1].total_mm
    )
    away = s.bar_mm - s.seated_mm
    size = float(np.linalg.norm(away))
    across = away / size if size > 1e-9 else straight.across
    along = np.cross(straight.across, straight.out)
    reach = 1.5 * straight.bar_od_mm
    arms = reach * np.array([across, -across, along, -along])
    return gap.alignment.a_from_b.inverse().apply(0.5 * (s.bar_mm + s.seated_mm) + arms)


def gap_drawing(gap: Gap, bar_survey: Survey, target_survey: Survey, view: PhotoView) -> Drawing:
    """Bar, seated axis and gap on a photo of the bar's survey.

    The seat is carried over by the inverse of the alignment, so everything is drawn where it is,
    at its true size.
    """
    sheet = Sheet(view)
    bar_from_target = gap.alignment.a_from_b.inverse()
    draw_markers(sheet, bar_survey)
    for seat in straights_of(target_survey, gap.target):
        axis = _carried(seat.axis, bar_from_target)
        sheet.add_tube("seat", axis, gap.straights[0].bar_od_mm, seat.span, gap.target)
    for bar in straights_of(bar_survey, gap.bar):
        sheet.add_tube("tube", bar.axis, bar.od_mm, bar.span, gap.bar)
    _draw_pushes(sheet, gap, bar_from_target)
    named = [(i, s) for i, s in enumerate(gap.stations, 1)]
    lost = _draw_stations(sheet, named, bar_from_target)
    cross_out(sheet, bar_survey, {m.marker_id: "moved" for m in gap.alignment.moved})
    sheet.lines = [
        *gap.sentences[1:3],
        "Labels: distance between the axes ± U (k = 2), drawn at its true place and size.",
        f"{photo_words(view)}, survey {bar_survey.name}; the seat was measured in survey "
        f"{target_survey.name} and carried over by the {gap.on}'s markers.",
    ]
    if lost:
        sheet.lines.append(f"{lost} stations have no label for lack of room: see the table.")
    worst = max(gap.stations, key=lambda s: s.total_mm)
    heading = (
        f"{gap.bar}: {amount(worst.total_mm, worst.total_expanded_mm, 'mm')} off its seat at worst"
    )
    return sheet.finish(heading, gap.warnings)


def _draw_pushes(sheet: Sheet, gap: Gap, bar_from_target: Rigid) -> None:
    """At the worst station of each straight, an arrow that pushes the bar towards its seat.

    It tells the direction only, from outside up to the bar's surface; a gap that is not proven gets
    none, nor one that the photo sees end on.
    """
    view = sheet.view
    for straight in gap.straights:
        s = max(straight.stations, key=lambda s: s.total_mm)
        if s.total_mm <= s.total_expanded_mm:
            continue
        towards = (s.seated_mm - s.bar_mm) / float(np.linalg.norm(s.seated_mm - s.bar_mm))
        surface = s.bar_mm - 0.5 * straight.bar_od_mm * towards
        room = _PUSH_SHARE * max(view.crop.shown_width, view.crop.shown_height)
        long_mm = room / view.px_per_mm(bar_from_target.apply(s.bar_mm[None]))
        ends = np.stack([surface - long_mm * towards, surface])
        places, seen = view.shown(bar_from_target.apply(ends))
        if not seen.all() or not all(inside(p, view) for p in places):
            continue
        if np.linalg.norm(places[1] - places[0]) >= _SHORTEST_PUSH_PX:
            sheet.arrows.append(Arrow(places[0], places[1], f"push straight {straight.number}"))
    if sheet.arrows:
        sheet.legend.append(Key("arrow", "move the bar this way (direction only)"))


def _draw_stations(
    sheet: Sheet, stations: list[tuple[int, GapStation]], bar_from_target: Rigid
) -> int:
    """Whisker, verdict and label of each station; returns how many labels found no room."""
    wishes: list[tuple[float, Wish]] = []
    verdicts: list[Verdict] = []
    for number, s in stations:
        ends, seen = sheet.view.shown(bar_from_target.apply(np.array([s.seated_mm, s.bar_mm])))
        if not seen.all() or not inside(ends[1], sheet.view):
            continue
        of = f"station {number}"
        look = VERDICT_LOOKS[s.verdict]
        sheet.strokes.append(Stroke("whisker", ends, of))
        verdicts.append(s.verdict)
        text = amount(s.total_mm, s.total_expanded_mm, "mm")
        away = square_to_axis(sheet, ends[1])
        wish = Wish(text, ends.mean(axis=0), away, of, look.shape, look.colour)
        wishes.append((s.total_mm, wish))
    for verdict in dict.fromkeys(verdicts):
        look = VERDICT_LOOKS[verdict]
        sheet.legend.append(Key("symbol", f"station {verdict.value}", look.shape, look.colour))
    # Ends first, then the worst: they are what a fitter looks for.
    order = sorted(range(len(wishes)), key=lambda i: (0 < i < len(wishes) - 1, -wishes[i][0]))
    return sheet.label([wishes[i][1] for i in order])


def square_to_axis(sheet: Sheet, at: Array) -> Array:
    """Direction (2,) away from the tube in the picture, upwards or to the side."""
    axes = [s.places for s in sheet.strokes if s.role == "tube axis"]
    if not axes:
        return np.array([0.0, -1.0])
    nearest = min(axes, key=lambda p: float(np.linalg.norm(p - at, axis=1).min()))
    i = int(np.clip(np.argmin(np.linalg.norm(nearest - at, axis=1)), 1, len(nearest) - 1))
    along = nearest[i] - nearest[i - 1]
    away = np.array([along[1], -along[0]])
    return away if away[1] <= 0 else -away


def _carried(axis: Line, b_from_a: Rigid) -> Line:
    return Line(b_from_a.apply(axis.point), b_from_a.turn(axis.direction))


# ---------------------------------------------------------------- recheck


def recheck_points(result: Recheck) -> Array:
    """Points (n, 3) that a picture of a recheck should show, in the frame of the later survey."""
    now_from_told = _now_from_told(result)
    return now_from_told.apply(np.array([s.place_mm + s.shift_mm for s in result.shifts]))


def recheck_drawing(result: Recheck, record: Survey, now: Survey, view: PhotoView) -> Drawing:
    """The part where it is, where it was recorded, and arrows for the way back.

    Tubes are drawn where they are; only the arrows are longer than true, by the drawing's factor.
    """
    sheet = Sheet(view)
    now_from_record = result.alignment.a_from_b.inverse()
    draw_markers(sheet, now)
    tubes = list(dict.fromkeys(c.tube for c in now.kit.cuff if c.part == result.part))
    for straight in _measured_straights(record, tubes):
        axis = _carried(straight.axis, now_from_record)
        hidden = _hidden(straight, now, view)
        sheet.add_tube("seat", axis, straight.od_mm, straight.span, straight.tube, hidden=hidden)
    draw_tubes(sheet, now, tubes)
    _draw_shifts(sheet, result)
    cross_out(sheet, now, {m.marker_id: "moved" for m in result.alignment.moved})
    worst = max(result.shifts, key=lambda s: s.size_mm)
    sheet.lines = [
        *result.sentences[:3],
        f"Arrows: the way to move it back, drawn {sheet.factor:g} times too long; all else is at "
        "its true place. Labels: how far it is off ± U (k = 2).",
        f"{photo_words(view)}, survey {now.name}, against the record {record.name}, both "
        f"aligned on the {result.on}. Directions: {result.axes.frame}.",
    ]
    heading = (
        f"{result.part}: {amount(worst.size_mm, worst.size_expanded_mm, 'mm')} off its record at "
        f"worst ({worst.label})"
    )
    drawing = sheet.finish(heading, result.warnings)
    return renamed(drawing, {"seat outline": "where it was recorded, with its axis"})


def renamed(drawing: Drawing, meanings: dict[str, str]) -> Drawing:
    """The drawing with other words for some of its legend's roles."""
    legend = tuple(
        Key(k.role, meanings.get(k.role, k.text), k.shape, k.colour) for k in drawing.legend
    )
    return Drawing(**{**vars(drawing), "legend": legend})


def _now_from_told(result: Recheck) -> Rigid:
    now_from_record = result.alignment.a_from_b.inverse()
    return now_from_record @ result.axes.car_from_survey.inverse()


def _measured_straights(survey: Survey, tubes: list[str]) -> list[Straight]:
    """Straights of those tubes that have a measured cuff."""
    seen = [
        t for t in tubes if any(c.tube == t and survey.has(c.first_id) for c in survey.kit.cuff)
    ]
    return [s for t in seen for s in straights_of(survey, t)]


def draw_tubes(sheet: Sheet, survey: Survey, tubes: list[str]) -> None:
    """Draw the straights of some tubes that have a measured cuff."""
    for straight in _measured_straights(survey, tubes):
        hidden = _hidden(straight, survey, sheet.view)
        sheet.add_tube(
            "tube", straight.axis, straight.od_mm, straight.span, straight.tube, hidden=hidden
        )


def _hidden(straight: Straight, survey: Survey, view: PhotoView) -> bool:
    """Whether none of a straight's cuffs was measured in the photo."""
    printed = {i for c in survey.kit.cuff if c.first_id in straight.cuffs for i in c.ids}
    return printed.isdisjoint(view.entry.tags)


def _draw_shifts(sheet: Sheet, result: Recheck) -> None:
    """An arrow for each proven shift, an open circle for the others, labels for the largest."""
    now_from_told = _now_from_told(result)
    view = sheet.view
    proven = [s for s in result.shifts if s.size_mm > s.size_expanded_mm]
    sheet.factor = _arrow_factor(proven, now_from_told, view)
    wishes: list[tuple[float, Wish]] = []
    for s in result.shifts:
        here = s.place_mm + s.shift_mm
        back = here - sheet.factor * s.shift_mm if s in proven else here
        ends, seen = view.shown(now_from_told.apply(np.array([here, back])))
        if not seen.all() or not inside(ends[0], view):
            continue
        of = f"marker {s.marker_id}"
        text = amount(s.size_mm, s.size_expanded_mm, "mm")
        if s in proven:
            sheet.arrows.append(Arrow(ends[0], ends[1], of))
            away = ends[0] - ends[1]
            wishes.append((s.size_mm, Wish(text, ends[0], away, of)))
        else:
            sheet.symbols.append(Symbol(ends[0], "o", "#FFFFFF", of))
    if sheet.arrows:
        sheet.legend.append(Key("arrow", f"move it this way (drawn {sheet.factor:g} x)"))
    if sheet.symbols:
        sheet.legend.append(Key("symbol", "no shift proven here", "o", "#FFFFFF"))
    wishes.sort(key=lambda w: -w[0])
    sheet.label([w for _, w in wishes[:_MOST_ARROW_LABELS]])


def _arrow_factor(shifts: list[CuffShift], now_from_told: Rigid, view: PhotoView) -> float:
    if not shifts:
        return 1.0
    here = now_from_told.apply(np.array([s.place_mm + s.shift_mm for s in shifts]))
    room = _ARROW_SHARE * max(view.crop.shown_width, view.crop.shown_height)
    largest = max(s.size_mm for s in shifts)
    return exaggeration(largest * view.px_per_mm(here), room)


# ---------------------------------------------------------------- survey


def survey_drawing(survey: Survey, view: PhotoView) -> Drawing:
    """Everything measured in a photo: markers with their ids, tubes, and what was left out."""
    sheet = Sheet(view)
    draw_markers(sheet, survey)
    tubes = list(dict.fromkeys(c.tube for c in survey.kit.cuff))
    draw_tubes(sheet, survey, tubes)
    cross_out(sheet, survey, {})
    tags = set(view.entry.tags)
    wishes = []
    for row, marker in enumerate(survey.markers):
        printed = {t.tag_id for t in Layout.of(survey.kit).tags.values() if t.marker_id == marker}
        place, seen = view.shown(survey.poses[row].translation[None])
        if tags & printed and seen[0] and inside(place[0], view):
            wishes.append(Wish(str(marker), place[0], np.array([0.0, -1.0]), f"marker {marker}"))
    sheet.label(wishes)
    q = survey.quality
    used = sum(p.refused is None for p in survey.photos)
    sheet.lines = [
        f"{photo_words(view)}: {len(view.entry.tags)} squares measured. The survey stands on "
        f"{used} photos; corners fit to {q.rms_px:.2f} px rms; scale from {q.scale_source}.",
    ]
    return sheet.finish(f"Survey {survey.name}: {len(survey.markers)} markers", q.warnings)


# ---------------------------------------------------------------- markers


def draw_markers(sheet: Sheet, survey: Survey) -> None:
    """Outline the squares that were measured in the photo."""
    layout = Layout.of(survey.kit)
    for tag in sheet.view.entry.tags:
        if tag in layout.tags:
            border = square_border(survey, layout.tags[tag])
            if border is not None:
                sheet.add_curve("marker", border, f"tag {tag}")


def cross_out(sheet: Sheet, survey: Survey, moved: dict[int, str]) -> None:
    """Cross out moved markers everywhere, and squares that were left out of this photo."""
    layout = Layout.of(survey.kit)
    name = sheet.view.entry.name
    dropped = [d.tag_id for d in survey.quality.dropped if d.photo in ("", name)]
    squares = [t for t in layout.tags.values() if t.marker_id in moved or t.tag_id in dropped]
    wishes = []
    for place in squares:
        border = square_border(survey, place)
        if border is None:
            continue
        shown, seen = sheet.view.shown(border)
        if not seen.all() or not inside(shown.mean(axis=0), sheet.view):
            continue
        middle = shown[[0, 8, 16, 24]].mean(axis=0)
        # Upright and not too small, whatever the square looks like from the side.
        reach = max(_SMALLEST_CROSS_PX, 0.6 * float(np.max(np.ptp(shown, axis=0))))
        arms = reach * np.array([[[-1.0, -1.0], [1.0, 1.0]], [[-1.0, 1.0], [1.0, -1.0]]])
        sheet.crosses.append(Cross(middle + arms, f"tag {place.tag_id}"))
        if place.marker_id in moved:
            text = f"{place.marker_id} {moved[place.marker_id]}"
            up = np.array([0.0, -1.0])
            wishes.append(Wish(text, middle, up, f"tag {place.tag_id}"))
    sheet.label(wishes[:_MOST_LEFT_OUT])
