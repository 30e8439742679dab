"""The list of an export: which files, in which unit and frame, from which files of fitscan's.

It lies beside them as `export.json`, and lets a later export replace these files and no others.
"""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.store.json_file import JsonDocument

__all__ = ["LIST_NAME", "ExportFile", "ExportedRow", "SourceRow"]

LIST_NAME = "export.json"


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ExportedRow(_Row):
    """One file of the export."""

    name: str
    unit: str
    frame: str
    sha256: str


class SourceRow(_Row):
    """One file that it was made from."""

    name: str
    sha256: str


class ExportFile(JsonDocument):
    """An export's list as stored."""

    KIND: ClassVar[str] = "fitscan.export"
    SCHEMA_VERSION: ClassVar[int] = 1

    made_at: str
    tool_version: str
    survey: str
    frame: str
    files: tuple[ExportedRow, ...]
    sources: tuple[SourceRow, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    caution: str
