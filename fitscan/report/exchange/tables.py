"""Tables for spreadsheets and scripts: points, axes, and each table of each result, as CSV.

The form is RFC 4180 in UTF-8 with a byte order mark, as spreadsheets want it. Units stand in the
columns' names, the frame in a column of its own; numbers are written whole, not rounded.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from fitscan.fit.verdict import COVERAGE, Verdict
from fitscan.report.section import Cell, Column, Measured, Table
from fitscan.report.space import Space
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.straight import straights_of
from fitscan.shape.told import ToldFrame
from fitscan.survey.survey import Survey

__all__ = ["csv_files"]

_POINTS = (
    "marker_id", "kind", "name", "part", "x_mm", "y_mm", "z_mm", "U_x_mm", "U_y_mm", "U_z_mm",
    "cov_xx_mm2", "cov_xy_mm2", "cov_xz_mm2", "cov_yy_mm2", "cov_yz_mm2", "cov_zz_mm2", "frame",
)  # fmt: skip
_AXES = (
    "tube", "straight", "part", "od_mm", "from_x_mm", "from_y_mm", "from_z_mm", "to_x_mm",
    "to_y_mm", "to_z_mm", "direction_x", "direction_y", "direction_z", "U_across_mm",
    "U_direction_deg", "frame",
)  # fmt: skip
_RISKY = ("=", "+", "-", "@", "\t", "\r")


def csv_files(space: Space) -> dict[str, bytes]:
    """Content by file name."""
    files = {
        "points.csv": _csv(_POINTS, _points(space)),
        "axes.csv": _csv(_AXES, _axes(space.survey)),
    }
    for part in space.results:
        for number, table in enumerate(part.section.tables, 1):
            stem = part.source.name.rsplit(".", 1)[0]
            name = _file_name(f"{stem} {table.key or number}")
            if name in files:
                name = _file_name(f"{stem} {number} {table.key}")
            heads, rows = _table(table, part.section.frame)
            files[name] = _csv(heads, rows)
    return files


def _file_name(text: str) -> str:
    """A name that every file system takes, from words of the user."""
    return re.sub(r"[^\w.-]+", "_", text).strip("._")[:80] + ".csv"


def _csv(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(heads)
    for row in rows:
        writer.writerow([_safe(value) for value in row])
    return stream.getvalue().encode("utf-8-sig")


def _safe(value: Any) -> Any:
    """Spreadsheets run text that begins like a formula; an apostrophe makes it text again."""
    if isinstance(value, str) and value.startswith(_RISKY):
        return f"'{value}"
    if isinstance(value, float):
        return repr(float(value))
    return "" if value is None else value


def _points(space: Space) -> Iterable[Sequence[Any]]:
    survey = space.survey
    frame = ToldFrame.of(survey)
    reach = {p.id: p.reach_mm * survey.quality.printer[1] for p in survey.kit.pointer}
    upper = np.triu_indices(3)
    for s in space.shapes.spots:
        drop = reach.get(s.marker_id, 0.0)
        place, covariance = frame.point(s.marker_id, np.array([0.0, -drop, 0.0]))
        expanded = COVERAGE * np.sqrt(np.clip(np.diag(covariance), 0.0, None))
        yield (
            s.marker_id, s.kind, s.name, s.part, *place.tolist(), *expanded.tolist(),
            *covariance[upper].tolist(), frame.name,
        )  # fmt: skip


def _axes(survey: Survey) -> Iterable[Sequence[Any]]:
    frame = ToldFrame.of(survey)
    for name in dict.fromkeys(c.tube for c in survey.kit.cuff if survey.has(c.first_id)):
        for s in straights_of(survey, name):
            rule = AxisRule.of(survey, s)
            told = frame.axis(rule)
            # The span is measured along the straight; the rule may run the other way.
            low, high = s.span
            reach = (low, high) if rule.sense > 0 else (-high, -low)
            ends = [told.middle_mm + along * told.direction for along in reach]
            part = survey.kit.part_of(s.cuffs[0])
            yield (
                s.tube, s.number, part, s.od_mm, *ends[0].tolist(), *ends[1].tolist(),
                *told.direction.tolist(), COVERAGE * told.across_u_mm,
                float(np.degrees(COVERAGE * told.direction_u_rad)), frame.name,
            )  # fmt: skip


def _table(table: Table, frame: str) -> tuple[list[str], list[list[Any]]]:
    """A result's table with U in columns of its own."""
    wide = [
        any(isinstance(row[i], Measured) for row in table.rows) for i in range(len(table.columns))
    ]
    heads: list[str] = []
    for column, measured in zip(table.columns, wide, strict=True):
        heads.append(column.key)
        if measured:
            heads.append(_u_key(column))
    rows = []
    for row in table.rows:
        cells: list[Any] = []
        for cell, measured in zip(row, wide, strict=True):
            cells += _cells(cell, measured=measured)
        rows.append([*cells, frame])
    return [*heads, "frame"], rows


def _u_key(column: Column) -> str:
    return f"U_{column.key}"


def _cells(cell: Cell, *, measured: bool) -> list[Any]:
    if isinstance(cell, Measured):
        return [cell.value, cell.expanded]
    value = cell.value if isinstance(cell, Verdict) else cell
    return [value, None] if measured else [value]
