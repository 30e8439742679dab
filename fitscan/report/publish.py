"""Reports and scenes as files: whole or not at all, never over anything but an older one.

What stands in them comes from `book`, `html`, `pdf` and `scene`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import InputError
from fitscan.markers.sheet_page import PAPERS
from fitscan.report.book import Book, gather
from fitscan.report.html import html_page
from fitscan.report.pdf import pdf_of
from fitscan.report.scene import scene_page
from fitscan.report.space import Space, space_of
from fitscan.store.access import check_folder, read_bytes
from fitscan.store.atomic import write_new

__all__ = ["Report", "write_report", "write_scene"]

_MADE_BY = re.compile(rb'<meta name="generator" content="fitscan [^"]*, (report|scene)">')
_HEAD = 4096


@dataclass(frozen=True)
class Report:
    """What was written, and what stands in it."""

    html: Path
    pdf: Path
    book: Book


def write_report(
    files: Sequence[Path],
    out: Path,
    *,
    title: str = "",
    paper: str = "a4",
    photos: Path | None = None,
    replace: bool = False,
) -> Report:
    """Gather files into a report and write "<out>.html" and "<out>.pdf".

    Args:
        files: surveys, records and results, see `gather`.
        out: name without ending; an ending .html or .pdf is taken off.
        title: of the report.
        paper: "a4" or "letter".
        photos: folder that holds the shoots' folders.
        replace: whether an older report may be written over.

    Raises:
        InputError: see `gather`; another paper; or a file is in the way.
        EnvironmentProblem: the disk is full or may not be written.
    """
    if paper.lower() not in PAPERS:
        raise InputError(f"There is no paper {paper!r}", "--paper", "give a4 or letter")
    stem = out.with_suffix("") if out.suffix.lower() in (".html", ".pdf") else out
    page, print_ = (stem.with_name(stem.name + ending) for ending in (".html", ".pdf"))
    _check_free(page, "report", replace=replace)
    _check_free(print_, None, replace=replace)
    if print_.exists() and not page.exists():
        raise InputError(
            "--replace writes only over an older report, and this PDF has no page beside it",
            print_, "choose another name",
        )  # fmt: skip
    book = gather(files, title, photos)
    shown, printed = html_page(book).encode("utf-8"), pdf_of(book, paper.lower())
    write_new(page, shown, replace=replace)
    write_new(print_, printed, replace=replace)
    return Report(page, print_, book)


def write_scene(files: Sequence[Path], out: Path, *, replace: bool = False) -> Space:
    """Write the scene of a survey and its results into one HTML file.

    Args:
        files: one survey or record, and results, see `space_of`.
        out: the file.
        replace: whether an older scene may be written over.

    Raises:
        InputError: see `space_of`; or a file is in the way.
        EnvironmentProblem: the disk is full or may not be written.
    """
    if out.suffix.lower() not in (".html", ".htm"):
        raise InputError("A scene is an HTML file", out, "give it a name that ends in .html")
    _check_free(out, "scene", replace=replace)
    space = space_of(files)
    write_new(out, scene_page(space).encode("utf-8"), replace=replace)
    return space


def _check_free(path: Path, kind: str | None, *, replace: bool) -> None:
    """Refuse before the work what could not be written; a page only gives way to its like."""
    check_folder(path.parent)
    if not path.exists():
        return
    if not replace:
        raise InputError("The file exists already", path, "choose another name or give --replace")
    if kind is None:
        return
    found = _MADE_BY.search(read_bytes(path)[:_HEAD])
    if found is None or found[1].decode() != kind:
        raise InputError(
            f"--replace writes only over an older {kind}, not over this file", path,
            "choose another name",
        )  # fmt: skip
