"""Plans and advice as files: every number with its unit in its name.

Making them is left to `greedy` and `advise`.
"""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.fit.result_file import CAUTION
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.plan.advise import Advice
from fitscan.plan.greedy import Plan
from fitscan.store.json_file import JsonDocument
from fitscan.survey.survey import Survey

__all__ = ["AdviceFile", "PlanFile", "advice_document", "plan_document"]

Vector = tuple[float, float, float]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class AdviceRow(_Model):
    """One thing that would help; see `fitscan.plan.advise.Advice`."""

    kind: str
    sentence: str
    marker: int | None
    wish: str | None
    where: str
    eye_mm: Vector | None
    aim_mm: Vector | None
    eye_in_car_mm: Vector | None
    upright: bool
    distance_mm: float | None
    near_photo: str | None
    U_now_mm: float | None
    U_then_mm: float | None
    scale_aside: bool
    also: tuple[int, ...]
    shows: tuple[int, ...]


class AdviceFile(JsonDocument):
    """Advice as stored; points are in the survey's frame unless their name says otherwise."""

    KIND: ClassVar[str] = "fitscan.advice"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    survey: str
    advice: tuple[AdviceRow, ...]
    warnings: tuple[str, ...]
    caution: str


class PlaceRow(_Model):
    """A photo to take; the frame is that of the plan."""

    number: int
    rank: int
    where: str
    eye_mm: Vector
    aim_mm: Vector
    upright: bool
    distance_mm: float
    height_mm: float
    markers: tuple[int, ...]


class WishRow(_Model):
    """What is wanted, and what the plan gives of it."""

    wish: str
    wanted_U_mm: float | None  # noqa: N815
    expected_U_mm: float  # noqa: N815
    scale_aside_U_mm: float  # noqa: N815
    reached: bool
    steps: tuple[tuple[int, float], ...]


class PlanFile(JsonDocument):
    """A plan as stored."""

    KIND: ClassVar[str] = "fitscan.plan"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    frame: str
    lens: str
    photos: tuple[PlaceRow, ...]
    wishes: tuple[WishRow, ...]
    scale_u: float
    not_measured: tuple[int, ...]
    sentences: tuple[str, ...]
    caution: str


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def advice_document(survey: Survey, advice: list[Advice]) -> AdviceFile:
    """Turn advice into its file's model."""
    from fitscan import __version__

    rows = [
        AdviceRow(
            kind=a.kind,
            sentence=a.sentence,
            marker=a.marker,
            wish=a.wish,
            where=a.where,
            eye_mm=None if a.eye_mm is None else _vector(a.eye_mm),
            aim_mm=None if a.aim_mm is None else _vector(a.aim_mm),
            eye_in_car_mm=None if a.eye_in_car_mm is None else _vector(a.eye_in_car_mm),
            upright=a.upright,
            distance_mm=a.distance_mm,
            near_photo=a.near_photo,
            U_now_mm=a.expanded_now_mm,
            U_then_mm=a.expanded_then_mm,
            scale_aside=a.scale_aside,
            also=a.also,
            shows=a.shows,
        )
        for a in advice
    ]
    return AdviceFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        survey=survey.name,
        advice=tuple(rows),
        warnings=survey.quality.warnings,
        caution=CAUTION,
    )


def plan_document(plan: Plan) -> PlanFile:
    """Turn a plan into its file's model."""
    from fitscan import __version__

    places = [
        PlaceRow(
            number=p.number,
            rank=p.rank,
            where=p.where,
            eye_mm=_vector(p.spot.eye),
            aim_mm=_vector(p.spot.aim),
            upright=p.spot.upright,
            distance_mm=p.distance_mm,
            height_mm=p.height_mm,
            markers=p.markers,
        )
        for p in plan.places
    ]
    wishes = [
        WishRow(
            wish=p.wish.words,
            wanted_U_mm=p.wish.wanted_mm,
            expected_U_mm=p.expanded_mm,
            scale_aside_U_mm=p.scale_aside_mm,
            reached=p.reached,
            steps=p.steps,
        )
        for p in plan.planned
    ]
    return PlanFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        frame=plan.project.axes.frame,
        lens=plan.project.lens_words,
        photos=tuple(places),
        wishes=tuple(wishes),
        scale_u=plan.scale_u,
        not_measured=plan.left_out,
        sentences=plan.sentences,
        caution=CAUTION,
    )
