"""Points of a scan that a person picked and named, so that the scan can be placed in a survey.

Placing it is left to `scan_place`. The file is TOML, or a table of marker, x, y, z (CSV).
"""

from __future__ import annotations

import csv
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit
from fitscan.shape.scan import UNITS_MM
from fitscan.store.access import read_bytes
from fitscan.store.toml_file import read_toml

__all__ = ["PickedPoint", "ScanPoints", "read_scan_points"]

_PICK_U_MM = 0.5
_SURFACE_U_MM = 0.1
_MOST = 1e7

Coordinate = Annotated[float, Field(gt=-_MOST, lt=_MOST, allow_inf_nan=False)]
Sigma = Annotated[float, Field(ge=0.0, lt=100.0, allow_inf_nan=False)]


class PickedPoint(BaseModel):
    """One point: what it is, by id or by name, and where it is in the scan."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    marker: int | None = None
    name: str = ""
    at: tuple[Coordinate, Coordinate, Coordinate]

    @model_validator(mode="after")
    def _said_what_it_is(self) -> PickedPoint:
        if (self.marker is None) == (not self.name):
            raise ValueError('give either marker = ID or name = "the pointer\'s name"')
        return self


class _PointsFile(BaseModel):
    """The file as written by hand.

    unit: of the scan and of the picked points. u_mm: standard uncertainty of a pick.
    surface_u_mm: what the scanner may be off by beyond its visible noise, from its data sheet.
    paper_mm: how far the markers' ink lies above the surface that was scanned: 0 when the markers
    were on it while it was scanned.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    unit: Literal["mm", "cm", "m", "in"] | None = None
    u_mm: Annotated[float, Field(gt=0.0, lt=100.0, allow_inf_nan=False)] = _PICK_U_MM
    surface_u_mm: Sigma = _SURFACE_U_MM
    paper_mm: Sigma = 0.0
    point: Annotated[tuple[PickedPoint, ...], Field(min_length=1)]


@dataclass(frozen=True)
class ScanPoints:
    """Picked points in millimetres.

    Attributes:
        source: name of the file.
        unit: of the scan's file.
        points: (n, 3) mm in the scan's frame.
        what: ids, or names where no id was given.
        u_mm, surface_u_mm, paper_mm: as in the file.
    """

    source: str
    unit: str
    points: Array
    what: tuple[int | str, ...]
    u_mm: float
    surface_u_mm: float
    paper_mm: float

    def markers(self, kit: Kit) -> tuple[int, ...]:
        """Ids of what was picked.

        Raises:
            InputError: something is not a tag or pointer of the kit, or stands twice.
        """
        flat = {t.id for t in kit.tag} | {p.id for p in kit.pointer}
        by_name: dict[str, list[int]] = {}
        named = [(t.name, t.id) for t in kit.tag] + [(p.name, p.id) for p in kit.pointer]
        for name, marker in named:
            if name:
                by_name.setdefault(name.casefold(), []).append(marker)
        out: list[int] = []
        for what in self.what:
            ids = [what] if isinstance(what, int) else by_name.get(what.casefold(), [])
            if len(ids) != 1 or ids[0] not in flat:
                several = "more than one" if len(ids) > 1 else "no"
                raise InputError(
                    f"The kit has {several} tag or pointer {what!r}",
                    self.source,
                    "name the scan's points by tag or pointer ids of the kit, or by their names",
                )
            if ids[0] in out:
                raise InputError(
                    f"The point {what!r} stands twice", self.source, "leave one of them out"
                )
            out.append(ids[0])
        return tuple(out)


def read_scan_points(path: str | os.PathLike[str], unit: str | None = None) -> ScanPoints:
    """Read picked points.

    Args:
        path: TOML, or CSV with a line `marker,x,y,z` for each point.
        unit: what the user says on the command line; must agree with the file's own.

    Raises:
        InputError: no such file, or something in it cannot be used.
    """
    file = Path(path)
    if file.suffix.casefold() == ".csv":
        content = _PointsFile(point=_csv_points(file))
    else:
        content = read_toml(file, _PointsFile)
    if unit is not None and content.unit not in (None, unit):
        raise InputError(
            f"The points file says {content.unit} and the command says {unit}",
            file,
            "let both say the unit of the scan",
        )
    used = unit or content.unit or "mm"
    points = np.array([p.at for p in content.point], dtype=np.float64) * UNITS_MM[used]
    what = tuple(p.name if p.marker is None else p.marker for p in content.point)
    return ScanPoints(
        file.name, used, points, what, content.u_mm, content.surface_u_mm, content.paper_mm
    )  # fmt: skip


def _csv_points(file: Path) -> tuple[PickedPoint, ...]:
    try:
        text = read_bytes(file).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("This is not a text file in UTF-8", file, "save it as UTF-8") from error
    out = []
    for number, row in enumerate(csv.reader(text.splitlines()), 1):
        cells = [c.strip() for c in row]
        if not any(cells) or (number == 1 and not _is_number(cells[-1])):
            continue
        if len(cells) != 4 or not cells[0] or not all(_is_number(c) for c in cells[1:]):
            raise InputError(
                "This line is not marker, x, y, z",
                f"{file}, line {number}",
                "write an id or a pointer's name and three numbers with a point, like 50,12.5,-3,0",
            )
        x, y, z = (float(c) for c in cells[1:])
        if cells[0].isdigit():
            out.append(PickedPoint(marker=int(cells[0]), at=(x, y, z)))
        else:
            out.append(PickedPoint(name=cells[0], at=(x, y, z)))
    if not out:
        raise InputError("There is no point in this file", file, "write a line for each point")
    return tuple(out)


def _is_number(text: str) -> bool:
    try:
        return abs(float(text)) < _MOST
    except ValueError:
        return False
