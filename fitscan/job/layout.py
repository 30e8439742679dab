"""The layout of a job's folder, how it is begun, and how files that people bring are listed.

Files that fitscan writes are listed as they are written, by `fitscan.store.atomic`; whether what is
listed still holds is left to `audit`.

    my_car/
      job.json             the list of all files with their hashes; only ever added to
      kit.toml             what was printed
      camera.json          the phone's lens
      board/               photos of the board
      photos/SHOOT/        the photos of one shoot
      surveys/SHOOT.json   each shoot worked out
      records/NAME.json    where a part sat; never written over
      results/             comparisons, templates, reports, pictures
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import InputError
from fitscan.store.access import make_folder, read_refusal
from fitscan.store.ledger import LEDGER, new_ledger, open_ledger, state_of

__all__ = ["FOLDERS", "Job", "files_in", "keep_job"]

FOLDERS = ("board", "photos", "surveys", "records", "results")


@dataclass(frozen=True)
class Job:
    """A job after `keep_job`.

    Attributes:
        folder: of the job.
        name: of the job.
        begun: whether the list was begun just now.
        added: files that were put on the list just now, below the folder.
        edited: files written by hand (TOML) that have changed and were listed anew.
        removed: files that were taken off the list just now.
        cleared: what interrupted writers had left, removed just now.
        listed: how many files the list holds.
    """

    folder: Path
    name: str
    begun: bool
    added: tuple[str, ...]
    edited: tuple[str, ...]
    removed: tuple[str, ...]
    cleared: tuple[str, ...]
    listed: int


def keep_job(folder: Path, name: str | None = None, removed: tuple[str, ...] = ()) -> Job:
    """Begin a job's list, or go on with it: make what folders are missing and list what is new.

    A listed file that has changed since keeps its old hash: that is what an audit is for. Only
    what people write by hand, the kit, is listed anew; what it was stays on the list before it.

    Args:
        folder: of the job; made if it is missing.
        name: of the job, for a new list; the folder's name if None.
        removed: files below the folder that were deleted on purpose.

    Raises:
        InputError: a file stands in the way, or the list is damaged, or one of `removed` is still
            there, or was never listed, or is a record.
        EnvironmentProblem: the disk is full or read-only, or permission is missing.
    """
    make_folder(folder)
    for inside in FOLDERS:
        make_folder(folder / inside)
    begun = not (folder / LEDGER).exists()
    if begun:
        new_ledger(folder, name or folder.resolve().name)
    with open_ledger(folder / LEDGER) as book:
        if name is not None and book.ledger.name != name:
            raise InputError(
                f"The job has the name {book.ledger.name!r} already", folder, "leave --name out"
            )
        cleared = book.clear()
        known = {e.path: e.sha256 for e in book.ledger.entries}
        here = files_in(folder)
        new = [path for path in here if known.get(path) is None]
        edited = [
            path for path in here
            if path.endswith(".toml") and known.get(path) not in (None, state_of(folder / path))
        ]  # fmt: skip
        for path in removed:
            _check_removed(folder, path, known)
        if new or edited or removed:
            book.add([*new, *edited, *removed])
        last = {e.path: e.sha256 for e in book.ledger.entries}
    total = sum(sha256 is not None for sha256 in last.values())
    return Job(folder, book.ledger.name, begun, tuple(new), tuple(edited), removed, cleared, total)


def _check_removed(folder: Path, path: str, known: Mapping[str, str | None]) -> None:
    where = folder / path
    if known.get(path) is None:
        raise InputError("This file is not on the job's list", where, "write it as `audit` does")
    if where.exists():
        raise InputError("This file is still there", where, "delete it first, if you mean to")
    if path.startswith("records/"):
        raise InputError("A record is never taken off the list", where, "put it back from a copy")


def files_in(folder: Path) -> list[str]:
    """Every file of a job, below its folder, with forward slashes, sorted; hidden ones left out.

    Raises:
        InputError: no such folder, or it may not be read.
        EnvironmentProblem: the disk failed.
    """
    if not folder.is_dir():
        raise InputError("There is no such folder", folder, "check the name")
    found: list[str] = []
    try:
        for path in folder.rglob("*"):
            inside = path.relative_to(folder)
            if path.is_file() and not any(part.startswith(".") for part in inside.parts):
                found.append(inside.as_posix())
    except OSError as error:
        raise read_refusal(error, folder) from error
    return sorted(path for path in found if path != LEDGER)
