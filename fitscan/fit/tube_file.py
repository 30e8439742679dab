"""Tubes and nodes as a file: numbers with U (k = 2), points in the told frame.

Computing is left to `tubes`.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from pydantic import BaseModel, ConfigDict

from fitscan.fit.angle_file import ReadingRow, reading_row
from fitscan.fit.result_file import CAUTION
from fitscan.fit.tubes import TubeReport
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.shape.node import Node
from fitscan.shape.tube import Bend, Tube, TubeStraight
from fitscan.store.json_file import JsonDocument

__all__ = ["TubesFile", "tubes_document"]

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class StraightShape(_Row):
    """A straight's axis; covariances of the middle (mm^2) and of the unit direction."""

    straight: int
    cuffs: tuple[int, ...]
    middle_mm: Vector
    middle_covariance: Matrix
    direction: Vector
    direction_covariance: Matrix


class BendShape(_Row):
    """A bend; tangent points are null without a centre-line radius."""

    before: int
    after: int
    apex_mm: Vector
    apex_covariance: Matrix
    normal: Vector
    starts_mm: Vector | None
    ends_mm: Vector | None


class TubeShape(_Row):
    """A tube."""

    tube: str
    od_mm: float
    clr_mm: float | None
    straights: tuple[StraightShape, ...]
    bends: tuple[BendShape, ...]


class NodeShape(_Row):
    """A node: where each axis passes closest to the other."""

    a: str
    b: str
    on_a_mm: Vector
    on_b_mm: Vector


class TubesFile(JsonDocument):
    """Tubes as stored; points and covariances are in `frame`."""

    KIND: ClassVar[str] = "fitscan.tubes"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    survey: str
    frame: str
    tolerance_mm: float
    tubes: tuple[TubeShape, ...]
    nodes: tuple[NodeShape, ...]
    readings: tuple[ReadingRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def _turned(covariance: Array, told: Rigid) -> Matrix:
    m = told.rotation @ covariance @ told.rotation.T
    return (_vector(m[0]), _vector(m[1]), _vector(m[2]))


def _straight(s: TubeStraight, told: Rigid) -> StraightShape:
    return StraightShape(
        straight=s.number,
        cuffs=s.cuffs,
        middle_mm=_vector(told.apply(s.middle_mm)),
        middle_covariance=_turned(s.middle_covariance, told),
        direction=_vector(told.turn(s.direction)),
        direction_covariance=_turned(s.direction_covariance, told),
    )


def _bend(b: Bend, told: Rigid) -> BendShape:
    ends = None if b.tangents_mm is None else told.apply(np.asarray(b.tangents_mm))
    return BendShape(
        before=b.before,
        after=b.after,
        apex_mm=_vector(told.apply(b.apex_mm)),
        apex_covariance=_turned(b.apex_covariance, told),
        normal=_vector(told.turn(b.normal)),
        starts_mm=None if ends is None else _vector(ends[0]),
        ends_mm=None if ends is None else _vector(ends[1]),
    )


def _tube(t: Tube, told: Rigid) -> TubeShape:
    return TubeShape(
        tube=t.name,
        od_mm=t.od_mm,
        clr_mm=t.clr_mm,
        straights=tuple(_straight(s, told) for s in t.straights),
        bends=tuple(_bend(b, told) for b in t.bends),
    )


def _node(n: Node, told: Rigid) -> NodeShape:
    return NodeShape(
        a=n.a.name,
        b=n.b.name,
        on_a_mm=_vector(told.apply(n.on_a_mm)),
        on_b_mm=_vector(told.apply(n.on_b_mm)),
    )


def tubes_document(report: TubeReport) -> TubesFile:
    """Turn a report into its file's model."""
    from fitscan import __version__

    told = report.axes.car_from_survey
    return TubesFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        survey=report.survey,
        frame=report.axes.frame,
        tolerance_mm=report.tolerance_mm,
        tubes=tuple(_tube(t, told) for t in report.tubes),
        nodes=tuple(_node(n, told) for n in report.nodes),
        readings=tuple(reading_row(r) for r in report.readings),
        sentences=report.sentences,
        warnings=report.warnings,
        caution=CAUTION,
    )
