"""A door's sweep as a file: the axis, the positions, and the clearance at each door angle.

U is the expanded uncertainty (k = 2) throughout. Computing is left to `sweep`.
"""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.fit.result_file import CAUTION
from fitscan.fit.sweep import DoorAngle, Sweep
from fitscan.geometry.rotation import Array
from fitscan.store.json_file import JsonDocument

__all__ = ["SweepFile", "sweep_document"]

Vector = tuple[float, float, float]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class PositionRow(_Model):
    """One position of the door, and how far it slid along the axis to get there."""

    survey: str
    open_deg: float
    open_U_deg: float
    slid_mm: float
    slid_U_mm: float


class LeftOutRow(_Model):
    """A marker that did not keep its place in one survey."""

    marker_id: int
    survey: str


class AngleRow(_Model):
    """The smallest clearance at one door angle; points in `frame`, on the shut door's side."""

    open_deg: float
    clearance_mm: float
    clearance_U_mm: float
    verdict: str
    obstacle: str
    door_mm: Vector
    bar_mm: Vector


class SweepFile(JsonDocument):
    """A sweep as stored."""

    KIND: ClassVar[str] = "fitscan.sweep"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    door: str
    on: tuple[str, ...]
    bar: str
    bar_od_mm: float
    frame: str
    wanted_mm: float
    points: int
    axis_point_mm: Vector
    axis_point_U_mm: float
    axis_direction: Vector
    axis_direction_U_deg: float
    congruency_statistic: float
    congruency_critical: float
    positions: tuple[PositionRow, ...]
    left_out: tuple[LeftOutRow, ...]
    tightest: AngleRow
    angles: tuple[AngleRow, ...]
    sentences: tuple[str, ...]
    deciding: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def _angle(a: DoorAngle) -> AngleRow:
    return AngleRow(
        open_deg=a.open_deg,
        clearance_mm=a.clearance_mm,
        clearance_U_mm=a.expanded_mm,
        verdict=a.verdict.value,
        obstacle=a.obstacle,
        door_mm=_vector(a.door_mm),
        bar_mm=_vector(a.bar_mm),
    )


def sweep_document(s: Sweep) -> SweepFile:
    """Turn a sweep into its file's model."""
    from fitscan import __version__
    from fitscan.fit.verdict import COVERAGE

    hinge = s.hinge
    slides = zip(s.positions, hinge.slides_mm, hinge.slides_expanded_mm, strict=True)
    return SweepFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        door=hinge.door,
        on=hinge.on,
        bar=s.bar,
        bar_od_mm=s.bar_od_mm,
        frame=s.frame,
        wanted_mm=s.wanted_mm,
        points=len(s.door_points),
        axis_point_mm=_vector(s.axis.point),
        axis_point_U_mm=hinge.place_expanded_mm,
        axis_direction=_vector(s.axis.direction),
        axis_direction_U_deg=hinge.tilt_expanded_deg,
        congruency_statistic=hinge.statistic,
        congruency_critical=hinge.critical,
        positions=tuple(
            PositionRow(
                survey=name, open_deg=angle, open_U_deg=u, slid_mm=float(slid), slid_U_mm=float(v)
            )
            for (name, angle, u), slid, v in slides
        ),
        left_out=tuple(LeftOutRow(marker_id=o.marker_id, survey=o.survey) for o in hinge.odd),
        tightest=_angle(s.tightest),
        angles=tuple(_angle(a) for a in s.angles),
        sentences=s.sentences,
        deciding=s.deciding,
        warnings=s.warnings,
        caution=CAUTION,
    )
