"""The sheet of a verification: kept as it was measured, never written over.

Comparing is left to `verify`.
"""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path
from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.fit.result_file import CAUTION
from fitscan.fit.verdict import COVERAGE
from fitscan.fit.verify import CheckedLength, Verification
from fitscan.store.json_file import JsonDocument, read_json, write_json

__all__ = ["LengthRow", "VerifyFile", "keep_sheet", "read_sheet", "verify_document"]


class LengthRow(BaseModel):
    """One length; error is measured less read, U (k = 2) holds both sides."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    ids: tuple[int, int]
    ends: tuple[str, str]
    read_mm: float
    read_u_mm: float
    measured_mm: float
    measured_U_mm: float  # noqa: N815  - U is the symbol of JCGM 100
    error_mm: float
    error_U_mm: float  # noqa: N815
    error_over_U: float  # noqa: N815
    agrees: bool
    verdict: str


class VerifyFile(JsonDocument):
    """A verification as stored."""

    KIND: ClassVar[str] = "fitscan.verify"
    SCHEMA_VERSION: ClassVar[int] = 1

    made_at: str
    tool_version: str
    coverage_factor: float
    survey: str
    scale_source: str
    note: str
    limit_mm: float
    lengths: tuple[LengthRow, ...]
    scale_error: float
    scale_U: float  # noqa: N815
    longest_share: float
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def verify_document(result: Verification, note: str = "") -> VerifyFile:
    """Turn a verification into its file's model, dated now."""
    from fitscan import __version__

    return VerifyFile(
        made_at=datetime.now(timezone.utc).replace(microsecond=0).isoformat(),
        tool_version=__version__,
        coverage_factor=COVERAGE,
        survey=result.survey,
        scale_source=result.scale_source,
        note=note,
        limit_mm=result.limit_mm,
        lengths=tuple(_row(c) for c in result.lengths),
        scale_error=result.scale_error,
        scale_U=result.scale_expanded,
        longest_share=result.longest_share,
        sentences=result.sentences,
        warnings=result.warnings,
        caution=CAUTION,
    )


def _row(c: CheckedLength) -> LengthRow:
    return LengthRow(
        ids=c.read.ids,
        ends=c.labels,
        read_mm=c.read.length_mm,
        read_u_mm=c.read.u_mm,
        measured_mm=c.measured_mm,
        measured_U_mm=c.measured_expanded_mm,
        error_mm=c.error_mm,
        error_U_mm=c.expanded_mm,
        error_over_U=c.ratio,
        agrees=c.agrees,
        verdict=c.verdict.value,
    )


def keep_sheet(path: Path, document: VerifyFile) -> None:
    """Write a sheet; never over another file.

    Raises:
        InputError: the file exists.
    """
    write_json(path, document)


def read_sheet(path: Path) -> VerifyFile:
    """Read a sheet.

    Raises:
        InputError: missing, torn, not a sheet, or of a newer schema.
    """
    return read_json(path, VerifyFile)
