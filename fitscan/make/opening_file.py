"""A planned opening as files in one folder: PDF, DXF, JSON and a picture, all named `opening`.

The plan comes from `opening_plan`, the drawing from `opening_sheet`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from fitscan.fit.verdict import COVERAGE
from fitscan.make.file_set import write_files
from fitscan.make.flat_dxf import render_dxf
from fitscan.make.flat_pdf import Plate, render_pdf
from fitscan.make.names import check_name, shown
from fitscan.make.opening_plan import CAUTIONS, OpeningPlan, place_u
from fitscan.make.opening_sheet import opening_drawing
from fitscan.make.quantity import FileRow, QuantityRow, quantity_rows
from fitscan.make.words_sheet import words_sheet
from fitscan.markers.sheet_page import Format
from fitscan.store.json_file import JsonDocument, render_json

__all__ = ["OpeningFile", "OpeningFiles", "opening_document", "write_opening"]

Place = tuple[float, float]


class MarkRow(FileRow):
    """A mark on the panel, and how far it stands out of the plane of all."""

    name: str
    x_mm: float
    y_mm: float
    off_mm: float


class DistanceRow(FileRow):
    """From mark to mark, to check by hand."""

    a: str
    b: str
    mm: float


class OpeningFile(JsonDocument):
    """An opening as stored; places are in the template's frame: x from the first mark to the
    second, y to its left as one looks at the face.
    """

    KIND: ClassVar[str] = "fitscan.opening"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    name: str
    tube: str
    od_mm: float
    clearance_mm: float
    thickness_mm: float
    marks: tuple[MarkRow, ...]
    distances: tuple[DistanceRow, ...]
    centre_mm: Place
    slant_deg: float
    heading_deg: float
    place_expanded_mm: float | None
    slot: bool
    length_mm: float
    width_mm: float
    land_mm: float | None
    outline_mm: tuple[Place, ...]
    measured: tuple[QuantityRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


@dataclass(frozen=True)
class OpeningFiles:
    """What was written; pages of the PDF."""

    paths: tuple[Path, ...]
    pages: int


def opening_document(plan: OpeningPlan) -> OpeningFile:
    """Turn a plan into its file's model."""
    from fitscan import __version__

    request, at = plan.request, plan.request.source.at
    marks = zip(request.source.names, at.marks.tolist(), at.off.tolist(), strict=True)
    return OpeningFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        name=request.name,
        tube=request.source.tube,
        od_mm=request.source.od_mm,
        clearance_mm=request.clearance_mm,
        thickness_mm=request.thickness_mm,
        marks=tuple(MarkRow(name=n, x_mm=x, y_mm=y, off_mm=o) for n, (x, y), o in marks),
        distances=tuple(DistanceRow(a=a, b=b, mm=mm) for a, b, mm in plan.distances),
        centre_mm=(float(at.centre[0]), float(at.centre[1])),
        slant_deg=math.degrees(at.slant_rad),
        heading_deg=math.degrees(at.heading_rad),
        place_expanded_mm=place_u(request.source),
        slot=plan.hole.slot,
        length_mm=plan.hole.length_mm,
        width_mm=plan.hole.width_mm,
        land_mm=plan.hole.land_mm,
        outline_mm=tuple((float(x), float(y)) for x, y in plan.hole.outline),
        measured=quantity_rows(plan.numbers),
        sentences=plan.sentences,
        warnings=request.source.warnings,
        caution=" ".join(CAUTIONS),
    )


_HOW = (
    "Lay the sheet on the face that the pointers lie on, print towards you: prick the crosses with "
    "a pin, put them on the pointers' tips, and tape it down. The thick line is the cut. The arrow "
    "at the hole points the way the tube leans as it comes towards you."
)


def write_opening(
    plan: OpeningPlan,
    folder: Path,
    form: Format,
    *,
    replace: bool = False,
    picture: bytes | None = None,
) -> OpeningFiles:
    """Draw the template and write all files, or none.

    Args:
        plan: what to draw.
        folder: made if it is missing.
        form: paper and printer.
        replace: whether older files of these names may be replaced.
        picture: content of `opening.png`, or None for none.

    Raises:
        InputError: a name that cannot be printed, or a file that exists already.
        EnvironmentProblem: the disk is full or read-only.
    """
    request = plan.request
    check_name(request.name, "opening")
    warnings = request.source.warnings
    drawing = opening_drawing(plan)
    distances = tuple(
        f"From {shown(a)} to {shown(b)}: {mm:.1f} mm, straight along the panel."
        for a, b, mm in plan.distances
    )
    told = (*(shown(s) for s in plan.sentences), *distances)
    sheet = words_sheet(f"Opening: {request.name}, numbers to check by hand", told)
    plates = [
        Plate(drawing, (_HOW, CAUTIONS[0], *warnings)),
        Plate(sheet, (CAUTIONS[0], *warnings)),
    ]
    pdf, pages = render_pdf(plates, form, f"opening {request.name}")
    files = {
        "opening.pdf": pdf,
        "opening.dxf": render_dxf([drawing], (*told, *warnings, *CAUTIONS)),
        "opening.json": render_json(opening_document(plan)).encode(),
    }
    if picture is not None:
        files["opening.png"] = picture
    return OpeningFiles(write_files(folder, files, replace=replace), pages)
