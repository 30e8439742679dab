"""A job and its audit as lines for the screen.

Finding out is left to `fitscan.job`; printing to the command line.
"""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.text import Text

from fitscan.job.audit import Audit
from fitscan.job.layout import FOLDERS, Job
from fitscan.report.pieces import heading

__all__ = ["audit_lines", "job_lines"]

_MOST = 40


def job_lines(job: Job) -> RenderableType:
    """What was begun or added, and where things go."""
    count = f"{len(job.added)} new, {job.listed} on the list"
    verb = "begun" if job.begun else "kept"
    lines: list[RenderableType] = [heading(f"Job {job.name}, list {verb}: {count}")]
    lines += [Text(f"added: {path}") for path in job.added[:_MOST]]
    lines += _more(len(job.added) - _MOST)
    lines += [Text(f"changed by hand, listed anew: {path}") for path in job.edited]
    lines += [Text(f"left by an interrupted fitscan, cleared away: {p}") for p in job.cleared]
    lines += [Text(f"taken off: {path}") for path in job.removed]
    lines.append(Text(f"folders: {', '.join(FOLDERS)}; kit.toml and camera.json beside them"))
    return Group(*lines)


def audit_lines(result: Audit) -> RenderableType:
    """What was looked at, then every finding, the bad ones first."""
    name = f"Job {result.name}" if result.name is not None else f"Folder {result.folder}"
    said = "not whole" if result.bad else "whole"
    lines: list[RenderableType] = [heading(f"{name}: {said}")]
    if result.name is None:
        lines.append(
            Text(
                "The folder keeps no list of its files (`fitscan job` begins one), so only what "
                "surveys and records say of each other was checked."
            )
        )
    lines.append(Text(f"files: {result.files}, of which {result.listed} are on the list"))
    lines.append(Text(f"cameras, surveys and records that open: {result.documents}"))
    lines.append(Text(f"records that are sealed: {result.sealed}"))
    lines.append(Text(f"photos of surveys and records that are here: {result.photos}"))
    shown = result.findings[: max(_MOST, len(result.bad))]
    lines += [Text(f"{f.kind}: {f.words}", style="bold red" if f.bad else "") for f in shown]
    lines += _more(len(result.findings) - len(shown))
    return Group(*lines)


def _more(count: int) -> list[RenderableType]:
    return [Text(f"... and {count} more")] if count > 0 else []
