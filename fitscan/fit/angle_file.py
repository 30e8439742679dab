"""Angles as a file: every number with its unit in a key of its own and U (k = 2) beside it.

Computing is left to `angles`.
"""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.fit.angles import Angles
from fitscan.fit.reading import Reading
from fitscan.fit.result_file import CAUTION
from fitscan.fit.verdict import COVERAGE
from fitscan.store.json_file import JsonDocument

__all__ = ["AnglesFile", "ReadingRow", "angles_document", "reading_row"]


class ReadingRow(BaseModel):
    """One number; `wanted`, `tolerance` and `verdict` are null when nothing is judged."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    subject: str
    against: str
    name: str
    unit: str
    value: float
    U: float
    wanted: float | None
    tolerance: float | None
    verdict: str | None
    cuffs: tuple[int, ...]


class AnglesFile(JsonDocument):
    """Angles as stored."""

    KIND: ClassVar[str] = "fitscan.angles"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    survey: str
    frame: str
    tolerance_deg: float
    tolerance_mm: float
    readings: tuple[ReadingRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def reading_row(r: Reading) -> ReadingRow:
    """Turn a reading into its row."""
    judged = r.verdict is not None
    return ReadingRow(
        subject=r.subject,
        against=r.against,
        name=r.name,
        unit=r.unit,
        value=r.value,
        U=r.expanded,
        wanted=r.wanted if judged else None,
        tolerance=r.tolerance if judged else None,
        verdict=r.verdict.value if r.verdict is not None else None,
        cuffs=r.cuffs,
    )


def angles_document(angles: Angles) -> AnglesFile:
    """Turn angles into their file's model."""
    from fitscan import __version__

    return AnglesFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        survey=angles.survey,
        frame=angles.axes.frame,
        tolerance_deg=angles.tolerance_deg,
        tolerance_mm=angles.tolerance_mm,
        readings=tuple(reading_row(r) for r in angles.readings),
        sentences=angles.sentences,
        warnings=angles.warnings,
        caution=CAUTION,
    )
