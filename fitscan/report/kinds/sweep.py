"""A door's sweep in a report: clearance by door angle, the hinge, and the positions.

Its own picture is left to `plots_sweep`.
"""

from __future__ import annotations

from fitscan.fit.sweep import clearance_words
from fitscan.fit.sweep_file import SweepFile
from fitscan.fit.verdict import Verdict
from fitscan.report.kinds.result import Result
from fitscan.report.section import Column, Judged, Measured, Section, Table

__all__ = ["RESULT"]

_ANGLES = (
    Column("open", "open_deg", "deg", 1),
    Column("clearance", "clearance_mm", "mm"),
    Column("verdict", "verdict"),
    Column("nearest", "nearest"),
)
_POSITIONS = (
    Column("survey", "survey"),
    Column("open", "open_deg", "deg"),
    Column("slid along the hinge", "slid_mm", "mm"),
)


def _section(document: SweepFile) -> Section:
    t = document.tightest
    angles = tuple(
        (a.open_deg, Measured(a.clearance_mm, a.clearance_U_mm), Verdict(a.verdict), a.obstacle)
        for a in document.angles
    )
    positions = tuple(
        (p.survey, Measured(p.open_deg, p.open_U_deg), Measured(p.slid_mm, p.slid_U_mm))
        for p in document.positions
    )
    verdicts = tuple(Verdict(a.verdict) for a in document.angles)
    axis = (
        f"known to U {document.axis_point_U_mm:.2f} mm beside the {document.door} and "
        f"{document.axis_direction_U_deg:.3f} deg in direction"
    )
    note = "clearance: from the bar's surface; below 0 they overlap."
    return Section(
        word="Door sweep",
        title=f"{document.bar} past the {document.door}",
        headline=f"{clearance_words(t.clearance_mm, t.clearance_U_mm)} at the tightest, "
        f"{t.open_deg:.1f} deg open ({t.obstacle})",
        judged=(Judged(f"at least {document.wanted_mm:g} mm", verdicts, "door angles"),),
        sentences=(*document.sentences, *document.deciding),
        tables=(
            Table("Clearance while the door shuts", _ANGLES, angles, note, "angles"),
            Table("Positions of the door", _POSITIONS, positions, key="positions"),
        ),
        frame=document.frame,
        facts=(("hinge axis", axis), ("points of the door", str(document.points))),
        warnings=document.warnings,
        tool_version=document.tool_version,
        surveys=tuple(p.survey for p in document.positions),
    )


RESULT = Result(SweepFile, _section)
