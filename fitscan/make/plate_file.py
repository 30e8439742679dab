"""A planned foot plate as files in one folder: PDF, DXF, JSON and a picture, all named `plate`.

The plan comes from `plate_plan`, the drawing from `plate_sheet`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.make.file_set import write_files
from fitscan.make.flat_dxf import render_dxf
from fitscan.make.flat_pdf import Plate, render_pdf
from fitscan.make.names import check_name, shown
from fitscan.make.plate_plan import CAUTIONS, PlatePlan
from fitscan.make.plate_sheet import plate_drawing
from fitscan.make.quantity import FileRow, QuantityRow, quantity_rows
from fitscan.make.words_sheet import words_sheet
from fitscan.markers.sheet_page import Format
from fitscan.store.json_file import JsonDocument, render_json

__all__ = ["PlateFile", "PlateFiles", "plate_document", "write_plate"]

Place = tuple[float, float]


class CornerRow(FileRow):
    """A corner in the flat pattern, and how far it stands out of its face's plane."""

    face: int
    name: str
    x_mm: float
    y_mm: float
    off_mm: float


class FoldRow(FileRow):
    """A fold; lines run across the pattern."""

    angle_deg: float
    towards_the_viewer: bool
    allowance_mm: float
    setback_mm: float
    starts_mm: tuple[Place, Place]
    middle_mm: tuple[Place, Place]
    ends_mm: tuple[Place, Place]


class AgainstRow(FileRow):
    """A number against the least that the user's rule asks."""

    what: str
    unit: str
    value: float
    expanded: float | None
    least: float
    verdict: str


class PlateFile(JsonDocument):
    """A plate as stored; places are in the pattern, seen from the side away from the car."""

    KIND: ClassVar[str] = "fitscan.plate"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    name: str
    thickness_mm: float
    radius_mm: float
    k_factor: float
    area_cm2: float
    face_areas_cm2: tuple[float, ...]
    outline_mm: tuple[Place, ...]
    folds: tuple[FoldRow, ...]
    corners: tuple[CornerRow, ...]
    rule: str | None
    against: tuple[AgainstRow, ...]
    measured: tuple[QuantityRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


@dataclass(frozen=True)
class PlateFiles:
    """What was written; pages of the PDF."""

    paths: tuple[Path, ...]
    pages: int


def _line(points: Array) -> tuple[Place, Place]:
    (a, b), (c, d) = points.tolist()
    return ((a, b), (c, d))


def _corners(plan: PlatePlan) -> tuple[CornerRow, ...]:
    out = []
    source = plan.request.source
    for n, (face, names, spots) in enumerate(
        zip(source.faces, source.names, plan.plate.corners, strict=True), 1
    ):
        for name, (x, y), off in zip(names, spots.tolist(), face.off.tolist(), strict=True):
            out.append(CornerRow(face=n, name=name, x_mm=x, y_mm=y, off_mm=off))
    return tuple(out)


def plate_document(plan: PlatePlan) -> PlateFile:
    """Turn a plan into its file's model."""
    from fitscan import __version__

    request, plate = plan.request, plan.plate
    return PlateFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        name=request.name,
        thickness_mm=request.sheet.thickness_mm,
        radius_mm=request.sheet.radius_mm,
        k_factor=request.sheet.k_factor,
        area_cm2=plan.area_cm2,
        face_areas_cm2=tuple(a / 100.0 for a in plate.face_areas_mm2),
        outline_mm=tuple((float(x), float(y)) for x, y in plate.outline),
        folds=tuple(
            FoldRow(
                angle_deg=math.degrees(f.angle_rad),
                towards_the_viewer=f.inner_corner,
                allowance_mm=f.allowance_mm,
                setback_mm=f.setback_mm,
                starts_mm=_line(f.starts),
                middle_mm=_line(f.middle),
                ends_mm=_line(f.ends),
            )
            for f in plate.folds
        ),
        corners=_corners(plan),
        rule=None if request.rule is None else request.rule.name,
        against=tuple(
            AgainstRow(
                what=a.what,
                unit=a.unit,
                value=a.value,
                expanded=a.expanded,
                least=a.least,
                verdict=a.verdict,
            )
            for a in plan.against
        ),
        measured=quantity_rows(plan.numbers),
        sentences=plan.sentences,
        warnings=request.source.warnings,
        caution=" ".join(CAUTIONS),
    )


_HOW = (
    "The print is the side away from the car. Cut along the thick line; bend along the dashed "
    "line, which is the middle of the bend; the thin lines beside it are where the bend begins and "
    "ends. Crosses are the pointers' tips."
)


def write_plate(
    plan: PlatePlan,
    folder: Path,
    form: Format,
    *,
    replace: bool = False,
    picture: bytes | None = None,
) -> PlateFiles:
    """Draw the pattern and write all files, or none.

    Args:
        plan: what to draw.
        folder: made if it is missing.
        form: paper and printer.
        replace: whether older files of these names may be replaced.
        picture: content of `plate.png`, or None for none.

    Raises:
        InputError: a name that cannot be printed, or a file that exists already.
        EnvironmentProblem: the disk is full or read-only.
    """
    request = plan.request
    check_name(request.name, "plate")
    warnings = request.source.warnings
    drawing = plate_drawing(plan)
    told = tuple(shown(s) for s in plan.sentences)
    sheet = words_sheet(f"Foot plate: {request.name}, numbers to check by hand", told)
    advice = (CAUTIONS[0], *warnings)
    plates = [Plate(drawing, (_HOW, *advice)), Plate(sheet, advice)]
    pdf, pages = render_pdf(plates, form, f"plate {request.name}")
    files = {
        "plate.pdf": pdf,
        "plate.dxf": render_dxf([drawing], (*told, *warnings, *CAUTIONS)),
        "plate.json": render_json(plate_document(plan)).encode(),
    }
    if picture is not None:
        files["plate.png"] = picture
    return PlateFiles(write_files(folder, files, replace=replace), pages)
