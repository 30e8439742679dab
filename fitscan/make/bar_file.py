"""A planned bar as files: `bar.pdf`, `bar.dxf`, `bar.json` and a picture in one folder.

The plan comes from `bar_plan`, the views from `bar_view`; its picture is left to `fitscan.report`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.make.bar_plan import CAUTIONS, BarPlan
from fitscan.make.bar_view import is_flat, side_views
from fitscan.make.bends_file import BendRow, bend_rows
from fitscan.make.file_set import write_files
from fitscan.make.flat_dxf import render_dxf
from fitscan.make.flat_pdf import Plate, render_pdf
from fitscan.make.quantity import FileRow, QuantityRow, quantity_rows
from fitscan.make.quantity import told as number
from fitscan.make.words_sheet import words_sheet
from fitscan.markers.sheet_page import Format
from fitscan.store.json_file import JsonDocument, render_json

__all__ = ["BarFile", "BarFiles", "bar_document", "write_bar"]

Vector = tuple[float, float, float]


class StationRow(FileRow):
    """The bar at one place of its target; the expanded uncertainty is null where there is none."""

    label: str
    at_mm: float
    target_mm: Vector
    away_mm: Vector
    deviation_mm: float
    expanded_mm: float | None


class BarFile(JsonDocument):
    """A bar as stored; points are start, apexes, end, in `frame`."""

    KIND: ClassVar[str] = "fitscan.bar"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    name: str
    od_mm: float
    target: str
    frame: str
    clr_mm: float
    between_mm: float
    ends_mm: float
    springback_percent: float
    springback_deg: float
    bends: tuple[BendRow, ...]
    last_mm: float
    developed_mm: float
    points_mm: tuple[Vector, ...]
    flat: bool
    spare_mm: tuple[float, float]
    stations: tuple[StationRow, ...]
    worst: StationRow
    measured: tuple[QuantityRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


@dataclass(frozen=True)
class BarFiles:
    """What was written; pages of the PDF."""

    paths: tuple[Path, ...]
    pages: int


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def bar_document(plan: BarPlan) -> BarFile:
    """Turn a plan into its file's model."""
    from fitscan import __version__

    request, bender = plan.request, plan.request.bender
    rows = tuple(
        StationRow(
            label=s.label,
            at_mm=s.at_mm,
            target_mm=_vector(s.target_mm),
            away_mm=_vector(s.away_mm),
            deviation_mm=s.deviation_mm,
            expanded_mm=s.expanded_mm,
        )
        for s in plan.stations
    )
    return BarFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        name=request.name,
        od_mm=request.od_mm,
        target=request.target.name,
        frame=request.target.frame,
        clr_mm=bender.clr_mm,
        between_mm=bender.between_mm,
        ends_mm=bender.ends_mm,
        springback_percent=bender.springback_percent,
        springback_deg=bender.springback_deg,
        bends=bend_rows(plan.table),
        last_mm=plan.table.last_mm,
        developed_mm=plan.table.developed_mm,
        points_mm=tuple(_vector(x) for x in plan.apexes),
        flat=is_flat(plan.table),
        spare_mm=plan.spare_mm,
        stations=rows,
        worst=rows[plan.stations.index(plan.worst)],
        measured=quantity_rows(plan.numbers),
        sentences=plan.sentences,
        warnings=request.target.warnings,
        caution=" ".join(CAUTIONS),
    )


_HOW = (
    "Hold the bent tube to the thick lines. Numbers at the cross lines are where each bend starts "
    "and ends, in mm along the straight tube from its start. Crosses are the apexes."
)


def _table_words(plan: BarPlan) -> list[str]:
    """The bend table in lines, for the sheet."""
    u = {q.name: q.expanded for q in plan.numbers}

    def told(name: str, value: float, unit: str) -> str:
        return number(value, u[name], unit) if name in u else f"{value:.2f} {unit}"

    out = []
    for n, row in enumerate(bend_rows(plan.table), 1):
        out.append(
            f"Bend {n}: feed {told(f'bend {n} feed', row.feed_mm, 'mm')}, turn "
            f"{told(f'bend {n} turn', row.turn_deg, 'deg')}, angle "
            f"{told(f'bend {n} angle', row.bend_deg, 'deg')}, set the bender to "
            f"{row.set_deg:.1f} deg; starts at {row.start_mm:.1f} mm, arc {row.arc_mm:.1f} mm."
        )
    last = told("last straight", plan.table.last_mm, "mm")
    out.append(
        f"Last straight {last}; developed length "
        f"{told('developed length', plan.table.developed_mm, 'mm')}."
    )
    for n, x in enumerate(plan.apexes):
        name = "Start" if n == 0 else "End" if n == len(plan.apexes) - 1 else f"Apex {n}"
        out.append(
            f"{name}: X {x[0]:.1f}, Y {x[1]:.1f}, Z {x[2]:.1f} mm ({plan.request.target.frame})."
        )
    return out


def write_bar(
    plan: BarPlan,
    folder: Path,
    form: Format,
    *,
    replace: bool = False,
    picture: bytes | None = None,
) -> BarFiles:
    """Draw the side views and write all files, or none.

    Args:
        plan: what to draw.
        folder: made if it is missing.
        form: paper and printer.
        replace: whether older files of these names may be replaced.
        picture: content of `bar.png`, or None for none.

    Raises:
        InputError: a file exists already.
        EnvironmentProblem: the disk is full or read-only.
    """
    request = plan.request
    warnings = request.target.warnings
    views = side_views(plan.table, request.od_mm, request.name)
    plates = [Plate(view, (_HOW, CAUTIONS[0], *warnings)) for view in views]
    told = (*plan.sentences, *_table_words(plan))
    sheet = words_sheet(f"Bar: {request.name}, bend table", told)
    plates.append(Plate(sheet, (CAUTIONS[0], *warnings)))
    pdf, pages = render_pdf(plates, form, f"bar {request.name}")
    dxf = render_dxf(views, (*told, *warnings, *CAUTIONS))
    files = {
        "bar.pdf": pdf,
        "bar.dxf": dxf,
        "bar.json": render_json(bar_document(plan)).encode(),
    }
    if picture is not None:
        files["bar.png"] = picture
    return BarFiles(write_files(folder, files, replace=replace), pages)
