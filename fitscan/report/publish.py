"""A report's two files, whole or not at all, never over anything but an older report.

What stands in them comes from `book`, `html` and `pdf`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import InputError
from fitscan.markers.sheet_page import PAPERS
from fitscan.report.book import Book, gather
from fitscan.report.html import html_page
from fitscan.report.pdf import pdf_of
from fitscan.store.access import check_folder, read_bytes
from fitscan.store.atomic import write_new

__all__ = ["Report", "write_report"]

_MADE_BY = b'<meta name="generator" content="fitscan '
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
    check_folder(stem.parent)
    for path in (page, print_):
        if path.exists() and not replace:
            raise InputError(
                "The file exists already", path, "choose another name or give --replace"
            )
    if page.exists() and _MADE_BY not in read_bytes(page)[:_HEAD]:
        raise InputError(
            "--replace writes only over an older report, not over this file", page,
            "choose another name",
        )  # fmt: skip
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
