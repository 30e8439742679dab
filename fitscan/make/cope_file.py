"""A planned cope as files: `cope.pdf`, `cope.dxf` and `cope.json` in one folder.

The plan comes from `cope_plan`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Literal

import numpy as np

from fitscan.errors import InputError
from fitscan.make.cope import RunAt
from fitscan.make.cope_plan import CAUTIONS, CopePlan, End
from fitscan.make.file_set import write_files
from fitscan.make.flat_dxf import render_dxf
from fitscan.make.flat_pdf import Plate, render_pdf
from fitscan.make.quantity import FileRow, QuantityRow, quantity_rows
from fitscan.make.words_sheet import words_sheet
from fitscan.markers.sheet_page import PAPERS, Format
from fitscan.store.json_file import JsonDocument, Upgrade, render_json

__all__ = ["CopeFile", "CopeFiles", "cope_document", "cope_format", "write_cope"]

ROW_DEG = 7.5


class RunRow(FileRow):
    """A run at an end."""

    name: str
    od_mm: float
    angle_deg: float
    offset_mm: float
    turn_deg: float
    along_mm: float


class EdgeRow(FileRow):
    """Heights above the end's reference point at one angle round the branch."""

    angle_deg: float
    outside_mm: float
    inside_mm: float
    cut_mm: float
    line_mm: float


class EndRow(FileRow):
    """One coped end."""

    end: str
    runs: tuple[RunRow, ...]
    saddle_mm: float
    outside_saddle_mm: float
    gap_mm: float
    overhang_mm: float
    expanded_mm: float | None
    around_mm: float
    square_edge_mm: float
    edge: tuple[EdgeRow, ...]


def _without_u(old: dict[str, Any]) -> dict[str, Any]:
    """Version 1 did not say how well edges and the cut piece are known."""
    ends = [{**end, "expanded_mm": None} for end in old["ends"]]
    return {**old, "ends": ends, "stock_expanded_mm": None}


class CopeFile(JsonDocument):
    """A cope as stored; from version 2 with U (k = 2) of the edges and of the cut piece."""

    KIND: ClassVar[str] = "fitscan.cope"
    SCHEMA_VERSION: ClassVar[int] = 2
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {1: _without_u}

    tool_version: str
    coverage_factor: float
    name: str
    od_mm: float
    wall_mm: float
    kerf_mm: float
    paper_mm: float
    fit: Literal["square", "ground"]
    length_mm: float | None
    stock_mm: float | None
    stock_expanded_mm: float | None
    lines_mm: tuple[float, float, float, float] | None
    between_mm: float | None
    ends: tuple[EndRow, ...]
    measured: tuple[QuantityRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


@dataclass(frozen=True)
class CopeFiles:
    """What was written; pages of the PDF."""

    pdf: Path
    dxf: Path
    json: Path
    pages: int
    picture: Path | None = None


def cope_format(paper: str, measured_150_mm: tuple[float, float] | None = None) -> Format:
    """Paper by name, and what a steel rule says of the 150 mm rulers of an earlier sheet.

    Raises:
        InputError: another paper, or a reading that no printer gives.
    """
    if paper.lower() not in PAPERS:
        raise InputError(f"There is no paper {paper!r}", "--paper", "give a4 or letter")
    short, long = (mm / 150.0 for mm in measured_150_mm or (150.0, 150.0))
    for scale in (short, long):
        if not 0.95 <= scale <= 1.05:
            raise InputError(
                f"A ruler of {150.0 * scale:g} mm is not the 150 mm of a printer",
                "--measured-150-mm",
                "print at 100 % and measure again; 142.5 to 157.5 mm is possible",
            )
    return Format(PAPERS[paper.lower()], short, long)


def _run(r: RunAt) -> RunRow:
    return RunRow(
        name=r.name,
        od_mm=r.od_mm,
        angle_deg=math.degrees(r.angle_rad),
        offset_mm=r.offset_mm,
        turn_deg=math.degrees(r.turn_rad),
        along_mm=r.along_mm,
    )


def _end(end: End) -> EndRow:
    p = end.profile
    degrees = np.arange(0.0, 360.0, ROW_DEG)
    columns = [
        np.interp(np.radians(degrees), p.angle, values)
        for values in (p.outside, p.inside, p.cut, p.line)
    ]
    edge = tuple(
        EdgeRow(angle_deg=d, outside_mm=o, inside_mm=i, cut_mm=c, line_mm=n)
        for d, o, i, c, n in np.column_stack([degrees, *columns]).tolist()
    )
    return EndRow(
        end=end.name,
        runs=tuple(_run(r) for r in p.runs),
        saddle_mm=p.depth_mm,
        outside_saddle_mm=p.outside_depth_mm,
        gap_mm=p.gap_mm,
        overhang_mm=p.overhang_mm,
        expanded_mm=end.expanded_mm,
        around_mm=end.template.around_mm,
        square_edge_mm=end.template.square_edge_mm,
        edge=edge,
    )


def cope_document(plan: CopePlan) -> CopeFile:
    """Turn a plan into its file's model."""
    from fitscan import __version__
    from fitscan.fit.verdict import COVERAGE

    r = plan.request
    return CopeFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        name=r.name,
        od_mm=r.branch.od_mm,
        wall_mm=r.branch.wall_mm,
        kerf_mm=r.kerf_mm,
        paper_mm=r.paper_mm,
        fit=r.fit,
        length_mm=r.length_mm,
        stock_mm=plan.stock_mm,
        stock_expanded_mm=plan.stock_expanded_mm,
        lines_mm=plan.lines_mm,
        between_mm=plan.between_mm,
        ends=tuple(_end(e) for e in plan.ends),
        measured=quantity_rows(r.measured),
        sentences=plan.sentences,
        warnings=r.warnings,
        caution=" ".join(CAUTIONS),
    )


_HOW = (
    "Cut the paper along the thick edge and the thin outline. Wrap it tight round the tube, print "
    "outwards, the tab underneath, the outline's left side exactly on the 360 line beside the tab. "
    "The arrow points to the tube's other end; the 0 lines of both ends lie on one line along the "
    "tube. Heights count from the reference point: where the branch's axis passes closest to the "
    "first run's axis. Lines are named anticlockwise as seen from the far end; 0 is the side of "
    "the wide angle to the first run of the near end."
)


def write_cope(
    plan: CopePlan,
    folder: Path,
    form: Format,
    *,
    replace: bool = False,
    picture: bytes | None = None,
) -> CopeFiles:
    """Draw the templates and write all files, or none.

    Args:
        plan: what to draw.
        folder: made if it is missing.
        form: paper and printer.
        replace: whether older files of these names may be replaced.
        picture: content of `cope.png`, or None for none.

    Raises:
        InputError: a file exists already.
        EnvironmentProblem: the disk is full or read-only.
    """
    request = plan.request
    length = tuple(s for s in plan.sentences if s.startswith("Cut piece"))
    advice = (_HOW, CAUTIONS[0], *length, *request.warnings)
    plates = [Plate(e.template.drawing, advice) for e in plan.ends]
    if request.measured:
        told = words_sheet(f"Cope: {request.name}, numbers to check by hand", plan.sentences)
        plates.append(Plate(told, (CAUTIONS[0], *request.warnings)))
    pdf, pages = render_pdf(plates, form, f"cope {request.name}")
    remarks = (*plan.sentences, *request.warnings, *CAUTIONS)
    dxf = render_dxf([e.template.drawing for e in plan.ends], remarks)
    files = {
        "cope.pdf": pdf,
        "cope.dxf": dxf,
        "cope.json": render_json(cope_document(plan)).encode(),
    }
    if picture is not None:
        files["cope.png"] = picture
    written = write_files(folder, files, replace=replace)
    return CopeFiles(written[0], written[1], written[2], pages, *written[3:])
