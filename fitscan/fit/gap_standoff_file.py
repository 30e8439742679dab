"""How a bar stands off a contour or a scan, as a file: units in every name, U beside every number.

U is the expanded uncertainty (k = 2) throughout. Computing is left to `gap_contour` and
`gap_scan`.
"""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.fit.gap_standoff import Standoff, StandoffStation
from fitscan.fit.result_file import CAUTION, LoopRow, StepRow, loop_rows, step_rows
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.shape.scan_place import Placement
from fitscan.store.document import JsonDocument

__all__ = ["StandoffFile", "standoff_document"]

Vector = tuple[float, float, float]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class StandoffRow(_Model):
    """One station; what does not apply to its kind of target is null."""

    along_mm: float
    piece: str
    value_mm: float
    value_U_mm: float
    verdict: str
    clearance_mm: float | None
    clearance_U_mm: float | None
    across_mm: float | None
    across_U_mm: float | None
    out_mm: float | None
    out_U_mm: float | None
    target_mm: Vector
    bar_mm: Vector


class NamedRow(_Model):
    """A point that was picked in the scan."""

    marker_id: int
    misfit_mm: float
    used: bool


class PlacementRow(_Model):
    """Where the scan lies in the target's survey; covariance of the tangent (rad 3, mm 3)."""

    scan: str
    sha256: str
    survey_from_scan_rotation: tuple[Vector, Vector, Vector]
    survey_from_scan_translation_mm: Vector
    covariance: tuple[tuple[float, ...], ...]
    named: tuple[NamedRow, ...]
    refined_places: int
    refined_rms_mm: float
    scale: float
    scale_U: float


class StandoffFile(JsonDocument):
    """A bar against a contour or a scan, as stored.

    `against` is "lip", "centre line" or "scan". `value_mm` of a station is what is judged: the
    distance of the axis from where it shall be, the error of the stand-off, or, where
    `standoff_mm` is null, the clearance itself.
    """

    KIND: ClassVar[str] = "fitscan.standoff"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    bar: str
    bar_od_mm: float
    against: str
    target: str
    on: str
    frame: str
    standoff_mm: float | None
    tolerance_mm: float
    steps: tuple[StepRow, ...]
    loops: tuple[LoopRow, ...]
    placement: PlacementRow | None
    stations: tuple[StandoffRow, ...]
    outline_mm: tuple[tuple[Vector, ...], ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def _row(s: StandoffStation) -> StandoffRow:
    return StandoffRow(
        along_mm=s.along_mm,
        piece=s.piece,
        value_mm=s.value_mm,
        value_U_mm=s.expanded_mm,
        verdict=s.verdict.value,
        clearance_mm=s.clearance_mm,
        clearance_U_mm=s.clearance_expanded_mm,
        across_mm=s.across_mm,
        across_U_mm=s.across_expanded_mm,
        out_mm=s.out_mm,
        out_U_mm=s.out_expanded_mm,
        target_mm=_vector(s.target_mm),
        bar_mm=_vector(s.bar_mm),
    )


def _placement(p: Placement) -> PlacementRow:
    turn = p.survey_from_scan.rotation
    return PlacementRow(
        scan=p.scan,
        sha256=p.sha256,
        survey_from_scan_rotation=(_vector(turn[0]), _vector(turn[1]), _vector(turn[2])),
        survey_from_scan_translation_mm=_vector(p.survey_from_scan.translation),
        covariance=tuple(tuple(float(v) for v in row) for row in p.covariance),
        named=tuple(
            NamedRow(marker_id=n.marker, misfit_mm=n.misfit_mm, used=n.used) for n in p.named
        ),
        refined_places=p.planes,
        refined_rms_mm=p.plane_rms_mm,
        scale=p.scale,
        scale_U=COVERAGE * p.scale_u,
    )


def standoff_document(result: Standoff) -> StandoffFile:
    """Turn a result into its file's model."""
    from fitscan import __version__

    return StandoffFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        bar=result.bar,
        bar_od_mm=result.bar_od_mm,
        against=result.against.value,
        target=result.target,
        on=result.on,
        frame=result.frame,
        standoff_mm=result.standoff_mm,
        tolerance_mm=result.tolerance_mm,
        steps=step_rows(result.chain.steps),
        loops=loop_rows(result.loops),
        placement=None if result.placement is None else _placement(result.placement),
        stations=tuple(_row(s) for s in result.stations),
        outline_mm=tuple(tuple(_vector(x) for x in line) for line in result.outline),
        sentences=result.sentences,
        warnings=result.warnings,
        caution=CAUTION,
    )
