"""A survey as things in space: tubes, printed squares, pointers, rules, cameras, gaps and moves.

What is drawn or written of them is left to `scene` and `exchange`; numbers come from the survey,
and each text that people see carries its U.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from fitscan.errors import DataError
from fitscan.fit.verdict import COVERAGE, Verdict
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.layout import Layout
from fitscan.report.outline import square_border
from fitscan.report.words import amount
from fitscan.shape.straight import CUFF_REACH_MM, Straight, straights_of
from fitscan.shape.tube import Tube, find_tube
from fitscan.survey.survey import Survey

__all__ = [
    "EyeShape",
    "Shapes",
    "SpanShape",
    "SpotShape",
    "SquareShape",
    "TubeShape",
    "largest_u_mm",
    "measured_span",
    "shapes_of",
]

_ARC_STEP_RAD = np.radians(6.0)
_EYE_DEPTH_MM = 120.0


@dataclass(frozen=True)
class TubeShape:
    """A tube as a round bar along a path.

    Attributes:
        role: "tube" where it was measured, "seat" where it should be.
        name: of the tube; part: it belongs to.
        od_mm: outside diameter.
        path: (n, 3) along its axis, mm.
        joined: whether the path runs through bends that were found; else it is one straight.
        text: for people.
    """

    role: str
    name: str
    part: str
    od_mm: float
    path: Array
    text: str
    joined: bool = False


@dataclass(frozen=True)
class SquareShape:
    """A printed square: its border (n, 3), closed, and what its marker is."""

    tag_id: int
    marker_id: int
    part: str
    border: Array
    text: str


@dataclass(frozen=True)
class SpotShape:
    """A place that is known: a marker's centre, or a pointer's tip.

    Attributes:
        kind: "tag", "cuff" or "tip".
        marker_id, name, part: which.
        place: (3,) mm; covariance (3, 3) mm^2.
        tail: (3,) where a pointer's arrow starts, or None.
        text: for people.
    """

    kind: str
    marker_id: int
    name: str
    part: str
    place: Array
    covariance: Array
    tail: Array | None
    text: str

    @property
    def expanded_mm(self) -> float:
        """U (k = 2) in the worst direction."""
        return largest_u_mm(self.covariance)


@dataclass(frozen=True)
class EyeShape:
    """A camera: where a photo was taken from, and the corners (4, 3) of what it looks at."""

    name: str
    place: Array
    corners: Array
    text: str


@dataclass(frozen=True)
class SpanShape:
    """A distance between two places.

    Attributes:
        role: "gap", "move" (from where it is to where it should go) or "rule".
        name: of the station, marker or rule.
        ends: (2, 3) mm, at their true places.
        text: for people, with U.
        verdict: or None.
        proven: whether its length is more than its U.
    """

    role: str
    name: str
    ends: Array
    text: str
    verdict: Verdict | None = None
    proven: bool = True


@dataclass(frozen=True)
class Shapes:
    """Things in space, all in one frame, mm."""

    frame: str
    tubes: tuple[TubeShape, ...] = ()
    squares: tuple[SquareShape, ...] = ()
    spots: tuple[SpotShape, ...] = ()
    eyes: tuple[EyeShape, ...] = ()
    spans: tuple[SpanShape, ...] = ()

    def with_more(self, more: Shapes) -> Shapes:
        """These and others of the same frame; what lay in a seat gives way to the seat itself."""
        seats = {t.name for t in more.tubes if t.role == "seat"}
        return replace(
            self,
            tubes=(*(t for t in self.tubes if t.name not in seats), *more.tubes),
            squares=self.squares + more.squares,
            spots=self.spots + more.spots,
            eyes=self.eyes + more.eyes,
            spans=self.spans + more.spans,
        )

    def told(self, frame: str, told_from_here: Rigid) -> Shapes:
        """The same in another frame."""
        go, turn = told_from_here.apply, told_from_here.rotation
        return Shapes(
            frame,
            tuple(replace(t, path=go(t.path)) for t in self.tubes),
            tuple(replace(s, border=go(s.border)) for s in self.squares),
            tuple(
                replace(
                    s, place=go(s.place), covariance=turn @ s.covariance @ turn.T,
                    tail=None if s.tail is None else go(s.tail),
                )
                for s in self.spots
            ),
            tuple(replace(e, place=go(e.place), corners=go(e.corners)) for e in self.eyes),
            tuple(replace(s, ends=go(s.ends)) for s in self.spans),
        )  # fmt: skip


def largest_u_mm(covariance: Array) -> float:
    """U (k = 2) in the worst direction of a place with covariance (3, 3) mm^2."""
    return COVERAGE * float(np.sqrt(max(float(np.linalg.eigvalsh(covariance)[-1]), 0.0)))


def shapes_of(survey: Survey) -> Shapes:
    """Everything that a survey knows, in its own frame."""
    return Shapes(
        survey.frame,
        tuple(_tubes(survey)),
        tuple(_squares(survey)),
        tuple(_spots(survey)),
        tuple(_eyes(survey)),
        tuple(_rules(survey)),
    )


def _tubes(survey: Survey) -> Iterable[TubeShape]:
    seen = {c.tube: c for c in survey.kit.cuff if survey.has(c.first_id)}
    for name, cuff in seen.items():
        straights = straights_of(survey, name)
        try:
            tube = find_tube(survey, name)
        except DataError:
            # Straights that do not meet in bends: each stands for itself.
            for s in straights:
                yield TubeShape("tube", name, cuff.part, s.od_mm, _ends(s), _words(s, None))
            continue
        for run in _runs(tube):
            path = _run_path(tube, run, {s.number: s for s in straights})
            words = [_words(s, tube) for s in straights if s.number in run]
            yield TubeShape(
                "tube", name, cuff.part, tube.od_mm, path, "\n".join(words), joined=len(run) > 1
            )


def _ends(s: Straight) -> Array:
    return np.array([s.axis.at(along) for along in s.span])


def _words(s: Straight, tube: Tube | None) -> str:
    text = f"{s.tube}, straight {s.number}: {s.od_mm:g} mm outside, {len(s.cuffs)} cuffs"
    known = next((k for k in tube.straights if k.number == s.number), None) if tube else None
    if known is None:
        return text
    direction = np.degrees(COVERAGE * known.direction_u_rad)
    return (
        f"{text}; axis known to U = {COVERAGE * known.across_u_mm:.2f} mm in its middle, "
        f"{direction:.2f} deg"
    )


def _runs(tube: Tube) -> list[list[int]]:
    """Numbers of the straights that hang together by bends, in the tube's order."""
    joined = {(b.before, b.after) for b in tube.bends}
    runs: list[list[int]] = []
    for straight in tube.straights:
        if runs and (runs[-1][-1], straight.number) in joined:
            runs[-1].append(straight.number)
        else:
            runs.append([straight.number])
    return runs


def _run_path(tube: Tube, run: list[int], straights: dict[int, Straight]) -> Array:
    """Path (n, 3) along a run: from its first cuff through its bends to its last cuff."""
    known = {s.number: s for s in tube.straights}
    points = [_free_end(known[run[0]].direction, straights[run[0]], -1.0)]
    for bend in tube.bends:
        if bend.before not in run:
            continue
        if bend.tangents_mm is None:
            points.append(bend.apex_mm[None])
            continue
        points.append(_arc(bend.apex_mm, bend.tangents_mm, bend.angle_rad))
    points.append(_free_end(known[run[-1]].direction, straights[run[-1]], 1.0))
    return np.concatenate(points)


def _free_end(direction: Array, s: Straight, sense: float) -> Array:
    """The outer end (1, 3) of a straight, a cuff's half beyond its outermost cuff."""
    way = sense * direction
    along = s.axis.along(s.centres)
    feet = s.axis.point + along[:, None] * s.axis.direction
    outermost = feet[int(np.argmax(feet @ way))]
    return np.asarray(outermost + CUFF_REACH_MM * way)[None]


def _arc(apex: Array, tangents: Array, angle: float) -> Array:
    """Points (n, 3) of the arc that touches both legs at `tangents`, at equal angles."""
    middle = tangents.mean(axis=0)
    inward = middle - apex
    depth = float(np.linalg.norm(inward))
    half = 0.5 * angle
    reach = float(np.linalg.norm(tangents[0] - apex))
    radius = reach / np.tan(half)
    centre = apex + inward / depth * (reach / np.sin(half))
    start = (tangents[0] - centre) / radius
    end = (tangents[1] - centre) / radius
    share = np.linspace(0.0, 1.0, max(3, int(np.ceil(angle / _ARC_STEP_RAD)) + 1))[:, None]
    spread = np.sin((1.0 - share) * angle) * start + np.sin(share * angle) * end
    return np.asarray(centre + radius * spread / np.sin(angle))


def _squares(survey: Survey) -> Iterable[SquareShape]:
    for tag in Layout.of(survey.kit).tags.values():
        border = square_border(survey, tag)
        if border is None:
            continue
        part = survey.kit.part_of(tag.marker_id)
        text = _marker_words(survey, tag.marker_id)
        yield SquareShape(tag.tag_id, tag.marker_id, part, border, text)


def _marker_words(survey: Survey, marker: int) -> str:
    u = largest_u_mm(survey.pose(marker).covariance[3:, 3:])
    sights = survey.sights[survey.row(marker)]
    part = survey.kit.part_of(marker)
    cuff = next((c for c in survey.kit.cuff if c.first_id == marker), None)
    pointer = next((p for p in survey.kit.pointer if p.id == marker), None)
    name = f"tag {marker}"
    if cuff is not None:
        name = f"cuff {marker}, {cuff.tube}, straight {cuff.straight}"
    elif pointer is not None:
        name = f"pointer {marker}, {pointer.name}"
    return f"{name} ({part}): centre known to U = {u:.2f} mm, seen in {sights} photos"


def _spots(survey: Survey) -> Iterable[SpotShape]:
    cuffs = {c.first_id: c for c in survey.kit.cuff}
    pointers = {p.id: p for p in survey.kit.pointer}
    for marker in survey.markers:
        pose = survey.pose(marker)
        part = survey.kit.part_of(marker)
        text = _marker_words(survey, marker)
        if marker in pointers:
            tip, covariance = survey.pointer_tip(marker)
            name = pointers[marker].name
            said = f"{name}: tip known to U = {largest_u_mm(covariance):.2f} mm"
            tail = pose.b_from_a.translation
            yield SpotShape("tip", marker, name, part, tip, covariance, tail, said)
            continue
        kind = "cuff" if marker in cuffs else "tag"
        name = cuffs[marker].tube if marker in cuffs else f"tag {marker}"
        place, covariance = pose.b_from_a.translation, pose.covariance[3:, 3:]
        yield SpotShape(kind, marker, name, part, place, covariance, None, text)


def _eyes(survey: Survey) -> Iterable[EyeShape]:
    lens = survey.lens
    right, bottom = lens.width_px - 0.5, lens.height_px - 0.5
    pixels = np.array([[-0.5, -0.5], [right, -0.5], [right, bottom], [-0.5, bottom]])
    rays = np.concatenate([lens.rays(pixels), np.ones((4, 1))], axis=1)
    for photo in survey.photos:
        if photo.cam_from_survey is None:
            continue
        survey_from_cam = photo.cam_from_survey.inverse()
        text = f"{photo.name}: {len(photo.tags)} squares measured, misfit {photo.rms_px:.2f} px rms"
        yield EyeShape(
            photo.name,
            survey_from_cam.translation,
            survey_from_cam.apply(_EYE_DEPTH_MM * rays),
            text,
        )


def _rules(survey: Survey) -> Iterable[SpanShape]:
    for rule in survey.quality.rules:
        if not all(survey.has(i) for i in rule.ids):
            continue
        ends = np.array([survey.poses[survey.row(i)].translation for i in rule.ids])
        text = (
            f"rule {rule.ids[0]}–{rule.ids[1]}: read {rule.length_mm:.1f} mm "
            f"(u {rule.u_mm:.2f} mm), adjusted {rule.length_mm + rule.difference_mm:.2f} mm"
        )
        yield SpanShape("rule", f"{rule.ids[0]}-{rule.ids[1]}", ends, text)


def measured_span(
    role: str, name: str, ends: Array, size: float, expanded: float, verdict: Verdict | None
) -> SpanShape:
    """A gap or a move whose length was measured, with its number in words."""
    said = amount(size, expanded, "mm")
    word = "off" if role == "gap" else "to move"
    text = f"{name}: {said} {word}" + (f", {verdict.value}" if verdict else "")
    return SpanShape(role, name, ends, text, verdict, size > expanded)
