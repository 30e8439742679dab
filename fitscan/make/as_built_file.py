"""A fitted tube against its plan, as a file; and reading the plan whatever kind it is.

Comparing is left to `as_built`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from fitscan.errors import InputError
from fitscan.fit.angle_file import ReadingRow, reading_row
from fitscan.fit.result_file import CAUTION
from fitscan.fit.verdict import COVERAGE
from fitscan.make.as_built import AsBuilt, cope_as_built, tube_as_built
from fitscan.make.bar_file import BarFile
from fitscan.make.bends_file import BendsFile
from fitscan.make.cope_file import CopeFile
from fitscan.store.json_file import JsonDocument, kind_of, read_json
from fitscan.survey.survey import Survey

__all__ = ["AsBuiltFile", "as_built_document", "compare_with_plan"]


class AsBuiltFile(JsonDocument):
    """A comparison as stored; `value` is what the survey found, `wanted` what was planned."""

    KIND: ClassVar[str] = "fitscan.as_built"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    name: str
    survey: str
    tolerance_deg: float
    tolerance_mm: float
    readings: tuple[ReadingRow, ...]
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def compare_with_plan(
    file: Path,
    survey: Survey,
    tube: str | None,
    near: Sequence[str],
    far: Sequence[str],
    *,
    tolerance_deg: float,
    tolerance_mm: float,
) -> AsBuilt:
    """Read a plan, of a cope, a bar or a bend table, and hold a survey against it.

    Raises:
        InputError: the file is no such plan, or names that do not belong to it.
        DataError: the survey cannot be compared with it.
    """
    kind = kind_of(file)
    if kind == CopeFile.KIND:
        return cope_as_built(
            read_json(file, CopeFile), survey, branch=tube, near=near, far=far,
            tolerance_deg=tolerance_deg, tolerance_mm=tolerance_mm,
        )  # fmt: skip
    if kind not in (BarFile.KIND, BendsFile.KIND):
        raise InputError(
            "This is no plan of a cope, a bar or a bend table", file,
            "give cope.json, bar.json or the file that `fitscan bends --out` wrote",
        )  # fmt: skip
    if near or far:
        raise InputError("A bent tube has no runs", "--run", "leave it out for this plan")
    plan = read_json(file, BarFile) if kind == BarFile.KIND else read_json(file, BendsFile)
    return tube_as_built(plan, survey, tube, tolerance_deg=tolerance_deg, tolerance_mm=tolerance_mm)


def as_built_document(result: AsBuilt) -> AsBuiltFile:
    """Turn a comparison into its file's model."""
    from fitscan import __version__

    return AsBuiltFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        name=result.name,
        survey=result.survey,
        tolerance_deg=result.tolerance_deg,
        tolerance_mm=result.tolerance_mm,
        readings=tuple(reading_row(r) for r in result.readings),
        sentences=result.sentences,
        warnings=result.warnings,
        caution=CAUTION,
    )
