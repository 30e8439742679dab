"""An opening for a tube in a report: where it lies from its marks, and how large it is.

Its template at true size is left to `fitscan.make`.
"""

from __future__ import annotations

from fitscan.make.opening_file import OpeningFile
from fitscan.report.kinds.pieces import measured_tables
from fitscan.report.kinds.result import Result
from fitscan.report.section import Column, Measured, Section, Table

__all__ = ["RESULT"]

_MARKS = (
    Column("mark", "mark"),
    Column("x", "x_mm", "mm", 1),
    Column("y", "y_mm", "mm", 1),
    Column("off the sheet", "off_mm", "mm", 2),
)
_DISTANCES = (
    Column("from", "from"),
    Column("to", "to"),
    Column("distance", "distance_mm", "mm", 1),
)


def _section(document: OpeningFile) -> Section:
    marks = tuple((m.name, m.x_mm, m.y_mm, m.off_mm) for m in document.marks)
    distances = tuple((d.a, d.b, d.mm) for d in document.distances)
    tables = [Table("Marks on the sheet", _MARKS, marks, key="marks")]
    if distances:
        note = "Check these on the sheet before cutting."
        tables.append(Table("Distances", _DISTANCES, distances, note, "distances"))
    if document.place_expanded_mm is not None:
        columns = (Column("centre", "axis"), Column("place", "place_mm", "mm"))
        u = document.place_expanded_mm
        rows = tuple((a, Measured(v, u)) for a, v in zip("xy", document.centre_mm, strict=True))
        tables.append(Table("Where the centre lies", columns, rows, key="centre"))
    size = f"{document.length_mm:.1f} x {document.width_mm:.1f} mm"
    return Section(
        word="Opening",
        title=f"{document.name} for {document.tube}",
        headline=f"{'slot' if document.slot else 'hole'} {size}",
        judged=(),
        sentences=document.sentences,
        tables=(*tables, *measured_tables(document.measured)),
        frame="that of the sheet's marks",
        facts=(("clearance", f"{document.clearance_mm:g} mm"),),
        warnings=(*document.warnings, document.caution),
        tool_version=document.tool_version,
    )


RESULT = Result(OpeningFile, _section)
