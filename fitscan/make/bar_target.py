"""Where a bar's axis should run: from stubs in a recess, from pointers on a contour, or typed.

The bar itself is left to `bar_fit` and `bar_plan`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.geometry.line import Line, closest_points
from fitscan.geometry.rotation import Array, angle_between
from fitscan.make.flat_marks import flat_marks
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.contour import Contour
from fitscan.shape.datum import car_axes
from fitscan.shape.marks import Marks
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

__all__ = ["BarTarget", "contour_target", "lips_target", "stub_target", "typed_target"]

_STEP_MM = 25.0
_CROSSING_RAD = np.radians(1.0)
_FAR_MM = 400.0
"""Axes of neighbouring stubs that cross further away than this from both start no bend."""


@dataclass(frozen=True)
class BarTarget:
    """Places that a bar's axis should pass, in order along it.

    Attributes:
        name: of the target.
        points: (m, 3) mm in `frame`.
        labels: (m,) what each place is, in words.
        covariance: (3 m, 3 m) mm^2; None for typed points without uncertainty.
        known: how many numbers the places fix: 2 for a point, 4 for a straight axis.
        crossings: (k, 3) where neighbouring straight axes cross; None when some do not.
        frame: in words.
        warnings: that every output must carry.
    """

    name: str
    points: Array
    labels: tuple[str, ...]
    covariance: Array | None
    known: int
    crossings: Array | None = None
    frame: str = "as typed"
    warnings: tuple[str, ...] = ()

    @property
    def most_bends(self) -> int:
        """As many bends as the places can fix: four numbers for the ends, three for each bend."""
        return max((self.known - 4) // 3, 0)


def typed_target(
    points: Array, *, u_mm: float | None = None, standoff_mm: float = 0.0, away: Array | None = None
) -> BarTarget:
    """A target from typed points.

    Args:
        points: (m, 3) mm in order.
        u_mm: standard uncertainty of each coordinate.
        standoff_mm: moves the points, along `away` made square to the contour at each.
        away: (3,) direction away from the surface.

    Raises:
        InputError: fewer than two points, two at one place, or a stand-off without direction.
    """
    x = np.asarray(points, dtype=np.float64)
    if len(x) < 2 or not np.all(np.isfinite(x)) or np.abs(x).max() > 1e5:
        raise InputError(
            "A bar needs two or more points of plain numbers", "--point", "write X,Y,Z in mm"
        )
    _check_apart(x, [f"point {n}" for n in range(1, len(x) + 1)])
    if standoff_mm:
        if away is None or not np.linalg.norm(away) > 0:
            raise InputError(
                "A stand-off from typed points needs a direction", "--away",
                "give X,Y,Z of the direction away from the surface",
            )  # fmt: skip
        x = x + standoff_mm * _square(np.tile(away, (len(x), 1)), x)
    covariance = None if u_mm is None else u_mm**2 * np.eye(x.size)
    labels = tuple(f"point {n}" for n in range(1, len(x) + 1))
    return BarTarget("typed points", x, labels, covariance, 2 * len(x))


def contour_target(
    survey: Survey, pointers: Sequence[int], *, standoff_mm: float, od_mm: float
) -> BarTarget:
    """A target that keeps a bar's skin at a distance from a contour marked by pointers.

    Each pointer's paper lies on the surface: its normal, made square to the contour, says which way
    is away from it.

    Args:
        survey: that shows the pointers.
        pointers: ids in order along the contour, three or more.
        standoff_mm: from the tips to the bar's skin.
        od_mm: of the bar.

    Raises:
        InputError: fewer than three, or one that was not found.
        DataError: two tips at one place.
    """
    if len(pointers) < 3:
        raise InputError(
            "A contour needs three pointers or more", "--contour", "name them in order along it"
        )
    marks = Marks.of(survey, pointers, "the contour")
    told = car_axes(survey)

    def points(poses: list[Poses]) -> Array:
        tips = marks.points(poses[0], pointers)
        normals = np.array([poses[0][p].rotation[:, 2] for p in pointers])
        axis = tips + (standoff_mm + od_mm / 2.0) * _square(normals, tips)
        return np.asarray(told.car_from_survey.apply(axis).ravel())

    value, covariance = propagate(points, [MarkerInput(survey, marks.ids)])
    names = {m.id: m.name for m in flat_marks(survey.kit)}
    labels = tuple(names[p] for p in pointers)
    x = value.reshape(-1, 3)
    _check_apart(x, list(labels))
    return BarTarget(
        f"contour of {len(pointers)} pointers", x, labels, covariance, 2 * len(pointers), None,
        told.frame, survey.quality.warnings,
    )  # fmt: skip


def lips_target(survey: Survey, contour: Contour, *, standoff_mm: float, od_mm: float) -> BarTarget:
    """A target along one lip, or along the centre line between two.

    It has a place at every tip of the first lip; between two lips, where the second lies abreast.
    Out of the recess is the mean normal of the pointers' papers.

    Args:
        survey: that shows the pointers.
        contour: of one lip or two.
        standoff_mm: from the lip (or from the line midway between two) to the bar's skin.
        od_mm: of the bar.

    Raises:
        InputError: a single lip with fewer than three pointers.
        DataError: fewer than two places.
    """
    if not contour.centred:
        ids = contour.markers
        return contour_target(survey, ids, standoff_mm=standoff_mm, od_mm=od_mm)
    told = car_axes(survey)
    stops = contour.stops(1e9)
    if len(stops) < 2:
        raise DataError(
            "The two lips lie abreast of each other at one place only", "--contour",
            "put the pointers of both lips along the same length of the recess",
        )  # fmt: skip

    def points(poses: list[Poses]) -> Array:
        middle = contour.points(poses[0], stops)[0]
        normals = np.sum([poses[0][m].rotation[:, 2] for m in contour.markers], axis=0)
        away = _square(np.tile(normals, (len(middle), 1)), middle)
        axis = middle + (standoff_mm + od_mm / 2.0) * away
        return np.asarray(told.car_from_survey.apply(axis).ravel())

    value, covariance = propagate(points, [MarkerInput(survey, contour.markers)])
    # What a lip may bow between its tips is not known: it is added in all directions.
    bow = np.repeat(stops.bow_u_mm**2, 3)
    labels = tuple(f"{contour.name}, {a:.0f} mm along" for a in stops.along_mm)
    return BarTarget(
        contour.name, value.reshape(-1, 3), labels, covariance + np.diag(bow), 2 * len(stops),
        None, told.frame, survey.quality.warnings,
    )  # fmt: skip


def stub_target(survey: Survey, tubes: Sequence[str], *, standoff_mm: float = 0.0) -> BarTarget:
    """A target from stubs: their axes are where the bar would sit, the seated axis.

    Args:
        survey: that shows the stubs.
        tubes: names, in order along the bar; every straight of each counts as a stub of its own.
        standoff_mm: moves the axes out of the recess, along the mean normal of the flat markers of
            the stubs' part.

    Raises:
        InputError: an unknown tube, one without cuffs in the photos, or a stand-off without flat
            markers to say which way is out.
        DataError: a stub with a single cuff: its direction is known too badly for a bar.
    """
    if not tubes:
        raise InputError("No stub is named", "--seat", "give the tube's name in the kit")
    rules = [AxisRule.of(survey, s) for t in dict.fromkeys(tubes) for s in straights_of(survey, t)]
    lone = [r for r in rules if r.lone]
    if lone:
        raise DataError(
            f"{lone[0].name} has a single cuff, so its direction is known too badly for a bar",
            survey.frame,
            "wrap a second cuff on each stub, as far away as it allows",
        )
    rules = _in_line(rules)
    told = car_axes(survey)
    part = survey.kit.part_of(rules[0].cuffs[0])
    seen = tuple(m.id for m in flat_marks(survey.kit) if m.part == part and survey.has(m.id))
    if standoff_mm and not seen:
        raise InputError(
            f"Nothing says which way is out of the recess: the part {part!r} has no flat markers",
            "--standoff-mm",
            "stick tags on it, or leave the stand-off out",
        )
    used = tuple(c for r in rules for c in r.cuffs) + (seen if standoff_mm else ())
    source = MarkerInput(survey, used)

    def points(poses: list[Poses]) -> Array:
        out = np.array([0.0, 0.0, 0.0])
        if standoff_mm:
            out = np.sum([poses[0][m].rotation[:, 2] for m in seen], axis=0)
        places = [p for r in rules for p in _stations(r, r.axis(poses[0]), standoff_mm, out)]
        return np.asarray(told.car_from_survey.apply(np.array(places)).ravel())

    value, covariance = propagate(points, [source])
    labels = tuple(f"{r.name}, {a - _ends(r)[0]:.0f} mm along" for r in rules for a in _along(r))
    x = value.reshape(-1, 3)
    return BarTarget(
        " and ".join(dict.fromkeys(tubes)), x, labels, covariance, 4 * len(rules),
        _crossings(x, [len(_along(r)) for r in rules]), told.frame, survey.quality.warnings,
    )  # fmt: skip


def _ends(rule: AxisRule) -> tuple[float, float]:
    """Where a stub's measured axis begins and ends, along its own line."""
    low, high = rule.straight.span
    return (low, high) if rule.sense > 0 else (-high, -low)


def _along(rule: AxisRule) -> Array:
    low, high = _ends(rule)
    return np.linspace(low, high, max(int(np.ceil((high - low) / _STEP_MM)), 2) + 1)


def _stations(rule: AxisRule, axis: Line, standoff_mm: float, out: Array) -> Array:
    places = np.array([axis.at(a) for a in _along(rule)])
    if standoff_mm == 0.0:
        return places
    aside = out - (out @ axis.direction) * axis.direction
    return places + standoff_mm * aside / np.linalg.norm(aside)


def _in_line(rules: list[AxisRule]) -> list[AxisRule]:
    """Stubs in the order along the bar, all facing from its start to its end."""
    if len(rules) == 1:
        return rules
    middles = np.array([r.straight.centres.mean(axis=0) for r in rules])
    spread = middles - middles.mean(axis=0)
    way = np.linalg.svd(spread)[2][0]
    if way @ (middles[-1] - middles[0]) < 0:
        way = -way
    order = np.argsort(spread @ way)
    middles = middles[order]
    ahead = np.gradient(middles, axis=0)
    return [rules[i].facing(a) for i, a in zip(order, ahead, strict=True)]


def _crossings(points: Array, counts: list[int]) -> Array | None:
    """Half way between neighbouring axes where they pass closest, if all do so between them."""
    ends = np.cumsum([0, *counts])
    pieces = [points[a:b] for a, b in pairwise(ends.tolist())]
    out = []
    for one, two in pairwise(pieces):
        a = Line.through(one[0], one[-1] - one[0])
        b = Line.through(two[0], two[-1] - two[0])
        if angle_between(a.direction, b.direction) < _CROSSING_RAD:
            return None
        on_a, on_b = closest_points(a, b)
        middle = 0.5 * (on_a + on_b)
        if np.linalg.norm(middle - one[-1]) > _FAR_MM or np.linalg.norm(middle - two[0]) > _FAR_MM:
            return None
        out.append(middle)
    return np.array(out) if out else None


def _square(directions: Array, points: Array) -> Array:
    """Directions (n, 3) made square to the line through points (n, 3), as unit vectors."""
    along = np.gradient(points, axis=0)
    along = along / np.linalg.norm(along, axis=1)[:, None]
    aside = directions - np.sum(directions * along, axis=1)[:, None] * along
    size = np.linalg.norm(aside, axis=1)
    if size.min() < 0.3 * np.linalg.norm(directions, axis=1).min():
        raise DataError(
            "The direction away from the surface runs along the contour", "bar",
            "lay pointers flat on the surface beside the contour, or give another direction",
        )  # fmt: skip
    return np.asarray(aside / size[:, None])


def _check_apart(points: Array, labels: list[str]) -> None:
    apart = np.linalg.norm(np.diff(points, axis=0), axis=1)
    if apart.min() < 1.0:
        n = int(np.argmin(apart))
        raise InputError(
            f"{labels[n]} and {labels[n + 1]} are at one place", "bar", "leave out one of them"
        )
