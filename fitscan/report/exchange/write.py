"""An export as a folder: its files in the formats that are wanted, and the list of them.

The content of each format is left to its own module.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import InputError
from fitscan.report.exchange.drawing import dxf_of
from fitscan.report.exchange.export_file import LIST_NAME, ExportedRow, ExportFile, SourceRow
from fitscan.report.exchange.glb import glb_of
from fitscan.report.exchange.ply import ply_of
from fitscan.report.exchange.solids import solids_of
from fitscan.report.exchange.tables import csv_files
from fitscan.report.space import Space, space_of
from fitscan.store.access import make_folder
from fitscan.store.atomic import write_new
from fitscan.store.json_file import read_json, write_json

__all__ = ["FORMATS", "Export", "write_export"]

FORMATS = ("csv", "ply", "glb", "dxf")
_UNITS = {
    ".csv": "as the columns' names say",
    ".ply": "mm",
    ".glb": "m, and mm below its first node",
    ".dxf": "mm",
}
_GLB_FRAME = "glTF (Y up, Z forward); below its first node: "


@dataclass(frozen=True)
class Export:
    """What was written; the list is the last."""

    files: tuple[Path, ...]
    document: ExportFile


def write_export(
    files: Sequence[Path], out: Path, formats: Sequence[str] = FORMATS, *, replace: bool = False
) -> Export:
    """Write one survey and the results on it for other programs.

    Args:
        files: one survey or record, and results, see `fitscan.report.space.space_of`.
        out: folder; made if it is missing.
        formats: some of `FORMATS`.
        replace: whether the files of an older export in this folder may be written over.

    Raises:
        InputError: see `space_of`; an unknown format; or a file is in the way.
        EnvironmentProblem: the disk is full or may not be written.
    """
    for name in formats:
        if name not in FORMATS:
            raise InputError(
                f"There is no format {name!r}", "--as", f"use one of: {', '.join(FORMATS)}"
            )
    space = space_of(files)
    content = _content(space, formats or FORMATS)
    folder = make_folder(out)
    _check_free(folder, [*content, LIST_NAME], replace=replace)
    for name, data in content.items():
        write_new(folder / name, data, replace=replace)
    document = _document(space, content)
    write_json(folder / LIST_NAME, document, replace=replace)
    return Export(tuple(folder / n for n in (*content, LIST_NAME)), document)


def _content(space: Space, formats: Sequence[str]) -> dict[str, bytes]:
    out: dict[str, bytes] = {}
    remarks = [
        f"Units mm; frame {space.shapes.frame}; survey {space.survey.name}",
        f"fitscan {space.tool_version}, {space.made_at}",
        *(f"Warning: {w}" for w in space.warnings),
        space.caution,
    ]
    solids = solids_of(space.shapes)
    if "csv" in formats:
        out |= csv_files(space)
    if "ply" in formats:
        out["survey.ply"] = ply_of(solids, remarks)
    if "glb" in formats:
        facts = {
            "frame": space.shapes.frame,
            "unit": "mm",
            "survey": space.survey.name,
            "warnings": list(space.warnings),
            "caution": space.caution,
            "sources": {s.name: s.sha256 for s in space.sources},
        }
        out["survey.glb"] = glb_of(solids, facts, f"fitscan {space.tool_version}")
    if "dxf" in formats:
        out["survey.dxf"] = dxf_of(space.shapes, remarks)
    return out


def _check_free(folder: Path, names: list[str], *, replace: bool) -> None:
    """Only the files of an older export give way, and only when asked."""
    there = [folder / n for n in names if (folder / n).exists()]
    if not there:
        return
    if not replace:
        raise InputError("The file exists already", there[0], "name another folder with --out, or "
                         "give --replace")  # fmt: skip
    ours = {LIST_NAME}
    if (folder / LIST_NAME).exists():
        ours |= {row.name for row in read_json(folder / LIST_NAME, ExportFile).files}
    for path in there:
        if path.name not in ours:
            raise InputError(
                "--replace writes only over the files of an older export, not over this one", path,
                "name another folder with --out",
            )  # fmt: skip


def _document(space: Space, content: dict[str, bytes]) -> ExportFile:
    rows = []
    for name, data in content.items():
        ending = Path(name).suffix
        glb = ending == ".glb"
        rows.append(
            ExportedRow(
                name=name,
                unit=_UNITS[ending],
                frame=(_GLB_FRAME if glb else "") + space.shapes.frame,
                sha256=hashlib.sha256(data).hexdigest(),
            )
        )
    return ExportFile(
        made_at=space.made_at,
        tool_version=space.tool_version,
        survey=space.survey.name,
        frame=space.shapes.frame,
        files=tuple(rows),
        sources=tuple(SourceRow(name=s.name, sha256=s.sha256) for s in space.sources),
        warnings=space.warnings,
        notes=space.notes,
        caution=space.caution,
    )
