"""Where to hold the phone, drawn: the car from above and from the side, with numbered places.

Which places help is left to `fitscan.plan`, the page to `page`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.plan.advise import Advice
from fitscan.plan.greedy import Plan
from fitscan.plan.stage import Bar, Box, bars_of
from fitscan.plan.words import about_mm, held
from fitscan.report.page import page, plain, png_of
from fitscan.report.palette import COLOURS
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.store.atomic import write_new
from fitscan.survey.survey import Survey

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["advice_sketch", "plan_sketch", "write_advice_sketch", "write_plan_sketch"]

_WIDTH_IN = 9.0
_AHEAD_MM = 330.0
_TABLE_LINE_IN = 0.24


@dataclass(frozen=True)
class _Shot:
    """A numbered place for a photo, mm, in the axes that are drawn."""

    number: int
    eye: Array
    aim: Array
    upright: bool
    words: str


@dataclass(frozen=True)
class _Picture:
    """What both views show, in the axes that are drawn."""

    bars: tuple[Bar, ...]
    boxes: tuple[Box, ...]
    markers: Array
    about: Array
    taken: Array
    shots: tuple[_Shot, ...]
    axes: CarAxes
    ground: float | None


@plain
def plan_sketch(plan: Plan) -> Figure:
    """A plan's places in two views and a list; artists carry gid "place N", "tube", "marker"."""
    project = plan.project
    turn = project.axes.car_from_survey
    about = {m for p in plan.planned for m in _about(plan, p.wish.tube, p.wish.marker)}
    poses = {m: turn.apply(p.translation) for m, p in project.stage.poses.items()}
    shots = tuple(
        _Shot(
            p.number, turn.apply(p.spot.eye), turn.apply(p.spot.aim), p.spot.upright,
            f"{p.where}; {p.distance_mm / 1000.0:.1f} m from it, lens {p.height_mm / 1000.0:.1f} m "
            f"{'above the ground' if project.ground_mm is not None else 'above the lowest marker'}"
            f", {held(p.spot.upright)}",
        )
        for p in plan.places
    )  # fmt: skip
    picture = _Picture(
        tuple(_turned(b, project.axes) for b in project.stage.bars),
        project.stage.boxes if project.ground_mm is not None else (),
        np.array([x for m, x in poses.items() if m not in about]).reshape(-1, 3),
        np.array([x for m, x in poses.items() if m in about]).reshape(-1, 3),
        np.zeros((0, 3)),
        shots,
        project.axes,
        project.ground_mm,
    )
    lines = [f"{s}." for s in plan.sentences]
    lines.append(f"Worked out for {project.lens_words}. The numbers follow a walk round the car.")
    return _drawn(f"{len(shots)} photos to take", lines, (), picture)


@plain
def advice_sketch(survey: Survey, advice: Sequence[Advice]) -> Figure:
    """Photos to add to a survey; artists as in `plan_sketch`, and "taken" for earlier photos."""
    axes = car_axes(survey)
    turn = axes.car_from_survey
    poses = dict(zip(survey.markers, survey.poses, strict=True))
    photos = [a for a in advice if a.spot is not None]
    about = {a.marker for a in photos}
    shots = tuple(
        _Shot(n, turn.apply(s.eye), turn.apply(s.aim), s.upright, _words(a))
        for n, (a, s) in enumerate(((a, a.spot) for a in photos), 1)
        if s is not None
    )
    taken = [
        turn.apply(-p.cam_from_survey.rotation.T @ p.cam_from_survey.translation)
        for p in survey.photos
        if p.refused is None and p.cam_from_survey is not None
    ]
    places = {m: turn.apply(p.translation) for m, p in poses.items()}
    picture = _Picture(
        tuple(_turned(b, axes) for b in bars_of(survey.kit, poses)),
        (),
        np.array([x for m, x in places.items() if m not in about]).reshape(-1, 3),
        np.array([x for m, x in places.items() if m in about]).reshape(-1, 3),
        np.array(taken).reshape(-1, 3),
        shots,
        axes,
        None,
    )
    count = {0: "No photo", 1: "One photo"}.get(len(shots), f"{len(shots)} photos")
    lines = [f"{a.sentence}." for a in advice if a.spot is None]
    heading = f"{count} would help survey {survey.name} most"
    return _drawn(heading, lines, survey.quality.warnings, picture)


def write_plan_sketch(plan: Plan, stem: Path, *, replace: bool) -> Path:
    """Write STEM-plan.png; never over another file unless `replace`."""
    out = stem.with_name(f"{stem.name}-plan.png")
    write_new(out, png_of(plan_sketch(plan)), replace=replace)
    return out


def write_advice_sketch(
    survey: Survey, advice: Sequence[Advice], stem: Path, *, replace: bool
) -> Path:
    """Write STEM-advice.png; never over another file unless `replace`."""
    out = stem.with_name(f"{stem.name}-advice.png")
    write_new(out, png_of(advice_sketch(survey, advice)), replace=replace)
    return out


def _about(plan: Plan, tube: str | None, marker: int | None) -> list[int]:
    if marker is not None:
        return [marker]
    return [c.first_id for c in plan.project.stage.kit.cuff if c.tube == tube]


def _words(a: Advice) -> str:
    assert a.expanded_now_mm is not None  # An advice with a place has its numbers.
    assert a.expanded_then_mm is not None
    assert a.distance_mm is not None
    aside = ", scale aside" if a.scale_aside else ""
    return (
        f"marker {a.marker}: {a.where}; {about_mm(a.distance_mm)}, {held(a.upright)}; "
        f"U {a.expanded_now_mm:.2f} mm now, {a.expanded_then_mm:.2f} mm then{aside}"
    )


def _turned(bar: Bar, axes: CarAxes) -> Bar:
    turn = axes.car_from_survey
    return Bar(bar.name, turn.apply(bar.start), turn.apply(bar.end), bar.radius_mm)


# ---------------------------------------------------------------- drawing


def _drawn(
    heading: str, lines: Sequence[str], warnings: Sequence[str], picture: _Picture
) -> Figure:
    """Both views, one above the other and to one scale, then the list of places."""
    from fitscan.report.lettering import wrapped

    low, high = _extent(picture)
    wide = 0.92 * _WIDTH_IN
    scale = wide / (high[0] - low[0])
    top_in, side_in = ((high[k] - low[k]) * scale for k in (1, 2))
    rows = [wrapped(f"{s.number}: {s.words}", 30.0, 0.9 * _WIDTH_IN * 200.0) for s in picture.shots]
    list_in = _TABLE_LINE_IN * sum(len(r) for r in rows) + 0.15
    figure, (_, top) = page(heading, lines, warnings, top_in + side_in + list_in + 1.2)
    height = figure.get_figheight()
    y = top - 0.35 / height
    for title, (a, b), inches in (
        ("from above", (0, 1), top_in), ("from the right side", (0, 2), side_in)
    ):  # fmt: skip
        axes = figure.add_axes((0.04, y - inches / height, 0.92, inches / height))
        _view(axes, picture, a, b)
        axes.set_xlim(low[a], high[a])
        axes.set_ylim(low[b], high[b])
        axes.set_title(_title(title, picture.axes), loc="left", fontsize=11, weight="bold")
        y -= (inches + 0.55) / height
    y += 0.2 / height
    for row in rows:
        for i, text in enumerate(row):
            figure.text(0.05 if i == 0 else 0.085, y, text, va="top", size=10.8, parse_math=False)
            y -= _TABLE_LINE_IN / height
    return figure


def _title(view: str, axes: CarAxes) -> str:
    if axes.known:
        return f"{view}; the car's front is on the right"
    plain = view.replace("the right side", "the side")
    return f"{plain}, in the survey's own axes: the car's are not known"


def _extent(picture: _Picture) -> tuple[Array, Array]:
    points = [picture.markers, picture.about, picture.taken]
    points += [np.array([b.start, b.end]) for b in picture.bars]
    points += [np.array([s.eye]) for s in picture.shots]
    points += [np.array([b.low, b.high]) for b in picture.boxes]
    everything = np.concatenate([p.reshape(-1, 3) for p in points])
    low, high = everything.min(axis=0) - 330.0, everything.max(axis=0) + 330.0
    if picture.ground is not None:
        low[2] = min(low[2], picture.ground - 60.0)
    return low, high


def _view(axes: Axes, picture: _Picture, a: int, b: int) -> None:
    """One view: a runs to the right, b up."""
    from matplotlib.patches import Rectangle

    axes.set_aspect("equal", adjustable="box")
    axes.set_facecolor("#F4F4F4")
    axes.set_xticks([])
    axes.set_yticks([])
    for box in picture.boxes:
        size = box.high - box.low
        axes.add_patch(
            Rectangle(
                (box.low[a], box.low[b]), size[a], size[b], facecolor="#DDDDDD",
                edgecolor="#888888", hatch="///", linewidth=0.8, zorder=1, gid="block",
            )
        )  # fmt: skip
    if b == 2 and picture.ground is not None:
        axes.axhline(picture.ground, color="black", linewidth=1.5, zorder=1, gid="ground")
    for bar in picture.bars:
        ends = np.stack([bar.start, bar.end])
        axes.plot(ends[:, a], ends[:, b], color="black", linewidth=6.5, solid_capstyle="round",
                  zorder=2)  # fmt: skip
        axes.plot(ends[:, a], ends[:, b], color="#B8B8B8", linewidth=4.5, solid_capstyle="round",
                  zorder=3, gid="tube")  # fmt: skip
    axes.plot(
        picture.markers[:, a], picture.markers[:, b], linestyle="none", marker="s", markersize=4.0,
        color="black", zorder=4, gid="marker", label="marker",
    )  # fmt: skip
    axes.plot(
        picture.about[:, a], picture.about[:, b], linestyle="none", marker="D", markersize=9.0,
        markerfacecolor=COLOURS["vermilion"], markeredgecolor="white", zorder=7, gid="about",
        label="what it is for",
    )  # fmt: skip
    if len(picture.taken):
        axes.plot(
            picture.taken[:, a], picture.taken[:, b], linestyle="none", marker="^", markersize=7.0,
            markerfacecolor="white", markeredgecolor="#555555", zorder=5, gid="taken",
            label="photo taken",
        )  # fmt: skip
    for shot in picture.shots:
        _place(axes, shot, a, b)
    if b == 1:
        axes.legend(loc="upper right", fontsize=9, framealpha=0.9, ncols=3)
        _scale_bar(axes, picture)


def _place(axes: Axes, shot: _Shot, a: int, b: int) -> None:
    """A numbered disc, a wedge the way the phone looks, and a small frame as it is held."""
    from matplotlib.patches import Polygon

    way = shot.aim - shot.eye
    flat = np.array([way[a], way[b]])
    length = max(float(np.linalg.norm(flat)), 1e-9)
    ahead = flat / length * min(_AHEAD_MM, max(length, 60.0))
    side = np.array([-ahead[1], ahead[0]]) * (0.28 if shot.upright else 0.42)
    eye = np.array([shot.eye[a], shot.eye[b]])
    wedge = np.stack([eye, eye + ahead + side, eye + ahead - side])
    axes.add_patch(
        Polygon(wedge, closed=True, facecolor=COLOURS["sky"], alpha=0.45,
                edgecolor=COLOURS["blue"], linewidth=1.2, zorder=6)
    )  # fmt: skip
    axes.plot(
        [eye[0]], [eye[1]], marker="o", markersize=19.0, markerfacecolor=COLOURS["blue"],
        markeredgecolor="white", markeredgewidth=1.5, linestyle="none", zorder=8,
        gid=f"place {shot.number}",
    )  # fmt: skip
    axes.annotate(
        str(shot.number), (eye[0], eye[1]), color="white", ha="center", va="center", fontsize=11,
        weight="bold", zorder=9,
    )  # fmt: skip


def _scale_bar(axes: Axes, picture: _Picture) -> None:
    from matplotlib.transforms import blended_transform_factory

    low, _ = _extent(picture)
    place = 0.06
    mixed = blended_transform_factory(axes.transData, axes.transAxes)
    start = low[0] + 120.0
    axes.plot([start, start + 500.0], [place, place], color="black", linewidth=3.0, transform=mixed)
    axes.text(
        start + 250.0, place + 0.015, "0.5 m", ha="center", va="bottom", fontsize=9, transform=mixed
    )
