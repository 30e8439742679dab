"""An audit as JSON for machines.

Finding is left to `audit`.
"""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.job.audit import Audit
from fitscan.store.document import JsonDocument

__all__ = ["AuditFile", "audit_document"]


class FindingRow(BaseModel):
    """See `fitscan.job.audit.Finding`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: str
    path: str
    words: str
    bad: bool


class AuditFile(JsonDocument):
    """See `fitscan.job.audit.Audit`."""

    KIND: ClassVar[str] = "fitscan.audit"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    folder: str
    name: str | None
    whole: bool
    files: int
    listed: int
    photos: int
    documents: int
    sealed: int
    findings: tuple[FindingRow, ...]


def audit_document(result: Audit) -> AuditFile:
    """Turn an audit into its model."""
    from fitscan import __version__

    return AuditFile(
        tool_version=__version__,
        folder=str(result.folder),
        name=result.name,
        whole=not result.bad,
        files=result.files,
        listed=result.listed,
        photos=result.photos,
        documents=result.documents,
        sealed=result.sealed,
        findings=tuple(
            FindingRow(kind=f.kind, path=f.path, words=f.words, bad=f.bad) for f in result.findings
        ),
    )
