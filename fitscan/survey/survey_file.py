"""The survey's file: every number with its unit in its name, readable by people and machines.

Writing and strict reading are left to `fitscan.store`.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from fitscan.errors import DataError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.model import LENS_PARAMETERS, Lens
from fitscan.markers.kit import Kit
from fitscan.photos.identity import CameraIdentity
from fitscan.store.arrays import PackedSymmetric, pack_symmetric, unpack_symmetric
from fitscan.store.json_file import JsonDocument, Upgrade, read_json, write_json
from fitscan.survey.lens_bin import LensBin
from fitscan.survey.survey import (
    Dropped,
    MarkerCheck,
    PhotoEntry,
    Quality,
    RuleCheck,
    Sources,
    Survey,
)

__all__ = ["SurveyFile", "read_survey", "survey_document", "survey_of", "write_survey"]

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]
Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class MarkerRow(_Model):
    """A marker's pose: centre and rotation (rows) of survey_from_marker.

    The covariance is that of (turn x y z in rad, centre x y z in mm), in the survey's frame. How
    well its photos control each other is told as in `fitscan.survey.survey.MarkerCheck`.
    """

    id: int
    part: str
    photos: int
    centre_mm: Vector
    rotation: Matrix
    covariance: tuple[tuple[float, ...], ...]
    squares: int | None = None
    redundancy: float | None = None
    smallest_error_px: float | None = None
    smallest_error_mm: float | None = None


class CuffRow(_Model):
    """A tube's axis at a cuff, in the survey's frame, and how the strip was wrapped."""

    first_id: int
    tube: str
    straight: int
    axis_point_mm: Vector
    axis_direction: Vector
    skew_deg: float
    radius_mm: float
    pitch: float


class PhotoRow(_Model):
    """A photo of the shoot; `refused` says why it was left out."""

    name: str
    sha256: str
    refused: str | None
    tags: tuple[int, ...]
    rms_px: float
    rotation: Matrix | None
    translation_mm: Vector | None
    focal_factor: float
    principal_point_shift_px: tuple[float, float]
    orientation: int


class LensRow(_Model):
    """Brown's lens as adjusted."""

    f_px: float
    aspect: float
    cx_px: float
    cy_px: float
    k1: float
    k2: float
    k3: float
    p1: float
    p2: float
    width_px: int
    height_px: int


class IdentityRow(_Model):
    """Which camera; null where the photos are silent."""

    maker: str | None
    model: str | None
    lens: str | None
    focal_length_mm: float | None
    focal_35mm: float | None
    digital_zoom: float | None
    width_px: int
    height_px: int


class RuleRow(_Model):
    """A rule after the adjustment."""

    ids: tuple[int, int]
    length_mm: float
    u_mm: float
    difference_mm: float
    redundancy: float
    smallest_error_mm: float | None


class DroppedRow(_Model):
    """What was left out, and why; photo is empty when it concerns all."""

    photo: str
    tag_id: int
    reason: str


class LensBinRow(_Model):
    """What is left of the corners in one ring or sector, see `fitscan.survey.lens_bin.LensBin`."""

    low: float
    high: float
    squares: int
    radial: float
    radial_u: float
    tangential: float
    tangential_u: float


class QualityRow(_Model):
    """How good the survey is, see `fitscan.survey.survey.Quality`."""

    squares: int
    sought: int
    expected: int
    redundancy: int
    rms_px: float
    flat_factor: float
    cuff_factor: float
    scale_source: str
    scale_u: float
    lens_source: str
    printer: tuple[float, float]
    printer_u: tuple[float, float]
    ink_mm: float
    rules: tuple[RuleRow, ...]
    dropped: tuple[DroppedRow, ...]
    warnings: tuple[str, ...]
    advice: tuple[str, ...]
    rings: tuple[LensBinRow, ...]
    sectors: tuple[LensBinRow, ...]


def _with_sources(old: dict[str, Any]) -> dict[str, Any]:
    """Version 1 did not say when and from which files it was made."""
    return {**old, "made_at": None, "kit_sha256": None, "camera_sha256": None}


def _without_bins(old: dict[str, Any]) -> dict[str, Any]:
    """Version 2 did not keep what is left over by place in the photo."""
    return {**old, "quality": {**old["quality"], "rings": [], "sectors": []}}


class SurveyFile(JsonDocument):
    """A survey as stored.

    A record holds a survey: a new version here needs one in `fitscan.fit.record_file` too.
    """

    KIND: ClassVar[str] = "fitscan.survey"
    SCHEMA_VERSION: ClassVar[int] = 3
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {1: _with_sources, 2: _without_bins}

    name: str
    tool_version: str
    made_at: str | None
    kit_sha256: Hash | None
    camera_sha256: Hash | None
    camera: IdentityRow
    lens: LensRow
    quality: QualityRow
    markers: tuple[MarkerRow, ...]
    cuffs: tuple[CuffRow, ...]
    photos: tuple[PhotoRow, ...]
    kit: Kit
    joint_covariance: PackedSymmetric


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def _matrix(r: Array) -> Matrix:
    return (_vector(r[0]), _vector(r[1]), _vector(r[2]))


def survey_document(survey: Survey) -> SurveyFile:
    """Turn a survey into its file's model."""
    from fitscan import __version__

    markers = []
    for row, m in enumerate(survey.markers):
        pose = survey.pose(m)
        covariance = tuple(tuple(float(v) for v in line) for line in pose.covariance)
        check: dict[str, Any] = vars(survey.checks[row]) if survey.checks else {}
        markers.append(
            MarkerRow(
                id=m,
                part=survey.kit.part_of(m),
                photos=survey.sights[row],
                centre_mm=_vector(pose.b_from_a.translation),
                rotation=_matrix(pose.b_from_a.rotation),
                covariance=covariance,
                **check,
            )
        )
    cuffs = []
    for c in survey.kit.cuff:
        if survey.has(c.first_id):
            axis = survey.axis_at(c.first_id)
            skew, radius, pitch = survey.forms[c.first_id]
            cuffs.append(
                CuffRow(
                    first_id=c.first_id,
                    tube=c.tube,
                    straight=c.straight,
                    axis_point_mm=_vector(axis.point),
                    axis_direction=_vector(axis.direction),
                    skew_deg=float(np.degrees(skew)),
                    radius_mm=radius,
                    pitch=pitch,
                )
            )
    lens = dict(zip(LENS_PARAMETERS, (float(v) for v in survey.lens.values), strict=True))
    size = {"width_px": survey.lens.width_px, "height_px": survey.lens.height_px}
    return SurveyFile(
        name=survey.name,
        tool_version=__version__,
        made_at=survey.made_at,
        kit_sha256=survey.sources.kit_sha256,
        camera_sha256=survey.sources.camera_sha256,
        camera=IdentityRow(**vars(survey.identity)),
        lens=LensRow.model_validate({**lens, **size}),
        quality=_quality_row(survey.quality),
        markers=tuple(markers),
        cuffs=tuple(cuffs),
        photos=tuple(_photo_row(p) for p in survey.photos),
        kit=survey.kit,
        joint_covariance=pack_symmetric(survey.covariance),
    )


def _photo_row(p: PhotoEntry) -> PhotoRow:
    pose = p.cam_from_survey
    return PhotoRow(
        name=p.name,
        sha256=p.sha256,
        refused=p.refused,
        tags=p.tags,
        rms_px=p.rms_px,
        rotation=_matrix(pose.rotation) if pose else None,
        translation_mm=_vector(pose.translation) if pose else None,
        focal_factor=p.focal_factor,
        principal_point_shift_px=p.principal_point_px,
        orientation=p.orientation,
    )


def _quality_row(q: Quality) -> QualityRow:
    content = dict(vars(q))
    content["rules"] = tuple(RuleRow(**vars(r)) for r in q.rules)
    content["dropped"] = tuple(DroppedRow(**vars(d)) for d in q.dropped)
    for name in ("rings", "sectors"):
        content[name] = tuple(LensBinRow(**vars(b)) for b in getattr(q, name))
    return QualityRow(**content)


def survey_of(document: SurveyFile, where: str) -> Survey:
    """Turn a file's model into a survey.

    Raises:
        DataError: the file's parts do not belong together.
    """
    covariance = unpack_symmetric(document.joint_covariance)
    if len(covariance) != 6 * len(document.markers):
        raise DataError(
            "The covariance does not belong to the markers", where, "make the survey again"
        )
    _check_ids(document, where)
    poses = tuple(
        Rigid.checked(np.array(m.rotation), np.array(m.centre_mm), where) for m in document.markers
    )
    lens = document.lens
    values = np.array([getattr(lens, name) for name in LENS_PARAMETERS])
    content = {name: getattr(document.quality, name) for name in QualityRow.model_fields}
    content["rules"] = tuple(RuleCheck(**r.model_dump()) for r in document.quality.rules)
    content["dropped"] = tuple(Dropped(**d.model_dump()) for d in document.quality.dropped)
    for name in ("rings", "sectors"):
        content[name] = tuple(LensBin(**b.model_dump()) for b in getattr(document.quality, name))
    return Survey(
        document.name,
        document.kit,
        CameraIdentity(**document.camera.model_dump()),
        Lens(values, lens.width_px, lens.height_px),
        tuple(m.id for m in document.markers),
        poses,
        covariance,
        {c.first_id: (float(np.radians(c.skew_deg)), c.radius_mm, c.pitch) for c in document.cuffs},
        tuple(_photo_of(p, where) for p in document.photos),
        tuple(m.photos for m in document.markers),
        Quality(**content),
        _checks(document),
        Sources(document.kit_sha256, document.camera_sha256),
        document.made_at,
    )


def _checks(document: SurveyFile) -> tuple[MarkerCheck, ...]:
    rows = [
        MarkerCheck(m.squares, m.redundancy, m.smallest_error_px, m.smallest_error_mm)
        for m in document.markers
        if m.squares is not None and m.redundancy is not None
    ]
    return tuple(rows) if len(rows) == len(document.markers) else ()


def _check_ids(document: SurveyFile, where: str) -> None:
    """Markers once each, all of them in the kit, and a form for every cuff among them."""
    kit = document.kit
    cuffs = {c.first_id for c in kit.cuff}
    known = cuffs | {t.id for t in kit.tag} | {p.id for p in kit.pointer}
    markers = [m.id for m in document.markers]
    if len(set(markers)) < len(markers) or not set(markers) <= known:
        raise DataError(
            "The markers do not belong to the kit in the file", where, "make the survey again"
        )
    if cuffs & set(markers) != {c.first_id for c in document.cuffs}:
        raise DataError("The cuffs do not belong to the markers", where, "make the survey again")


def _photo_of(row: PhotoRow, where: str) -> PhotoEntry:
    pose = None
    if row.rotation is not None and row.translation_mm is not None:
        pose = Rigid.checked(np.array(row.rotation), np.array(row.translation_mm), where)
    return PhotoEntry(
        row.name,
        row.sha256,
        row.refused,
        row.tags,
        row.rms_px,
        pose,
        row.focal_factor,
        row.principal_point_shift_px,
        row.orientation,
    )


def write_survey(path: Path, survey: Survey, *, replace: bool = False) -> None:
    """Write a survey's file; never over another one unless `replace`."""
    write_json(path, survey_document(survey), replace=replace)


def read_survey(path: Path) -> Survey:
    """Read a survey's file.

    Raises:
        InputError: missing, torn, not a survey, or of a newer schema.
        DataError: its parts do not belong together.
    """
    return survey_of(read_json(path, SurveyFile), str(path))
