"""The list of a job's files with their hashes, to which every written file is added in one step.

Which files a job has and what they mean is left to `fitscan.job`; here a file is a path and a hash.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from fitscan.errors import EnvironmentProblem, InputError
from fitscan.store.access import check_folder, write_refusal
from fitscan.store.digest import sha256_of_file
from fitscan.store.document import JsonDocument, read_json, render_json
from fitscan.store.whole import PART_SUFFIX, write_whole

__all__ = [
    "LEDGER",
    "LOCK",
    "Book",
    "Entry",
    "Ledger",
    "Listed",
    "broken_link",
    "check_ledger",
    "is_leftover",
    "is_unfinished",
    "ledger_above",
    "listing",
    "new_ledger",
    "open_ledger",
    "state_of",
]

LEDGER = "job.json"
"""Name of the list; the folder that holds it is the job's."""

LOCK = ".fitscan.lock"
"""Whoever writes into the job holds this file's lock."""

# How far above a file its job's folder may be: results in a folder of their own, and one spare.
_LEVELS = 4
_PATIENCE_S = 120.0

Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class Entry(BaseModel):
    """What one file was at one time.

    Attributes:
        path: below the job's folder, with forward slashes.
        sha256: of its bytes; null says that it is not there.
        bytes: its size.
        made_at: when it was listed, ISO 8601 in UTC.
        tool_version: of the fitscan that listed it.
        original_sha256: of the file that it was before its private data were taken out, or null.
        chain: hash of this entry and of the chain before it, so that no line can be taken out.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    path: Annotated[str, Field(min_length=1, max_length=1000)]
    sha256: Hash | None
    bytes: Annotated[int, Field(ge=0)]
    made_at: str
    tool_version: str
    original_sha256: Hash | None
    chain: Hash


class Ledger(JsonDocument):
    """The list of a job's files; entries are added at its end and never changed.

    Attributes:
        name: of the job.
        made_at: when the list was begun.
        tool_version: of the fitscan that began it.
        entries: in the order of writing; of one path the last one counts.
    """

    KIND: ClassVar[str] = "fitscan.job"
    SCHEMA_VERSION: ClassVar[int] = 1

    name: str
    made_at: str
    tool_version: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class Listed:
    """A file to be listed; see `Entry`."""

    path: str
    sha256: str | None
    bytes: int
    original_sha256: str | None = None


@dataclass
class Book:
    """A list that is open for writing, its lock held.

    Attributes:
        file: of the list.
        ledger: as it stands on the disk.
    """

    file: Path
    ledger: Ledger

    def announce(self, target: Path, part: Path) -> None:
        """List a file that is whole under a temporary name and is named next.

        If the process ends before that, the last entry speaks of a file that is not there yet;
        only the last one can, because the lock is held until the name is given.
        """
        path = _inside(self.file, target)
        if path == LEDGER:
            raise InputError("This is the list of the job's files", target, "choose another name")
        self._write([*self._settled(), Listed(path, sha256_of_file(part), part.stat().st_size)])

    def add(self, paths: Iterable[str]) -> None:
        """List files as they lie in the folder now, by their paths below it; or are not there."""
        self._write([*self._settled(), *(self._now(path) for path in paths)])

    def _now(self, path: str) -> Listed:
        file = self.file.parent / path
        if not file.is_file():
            return Listed(path, None, 0)
        return Listed(path, sha256_of_file(file), file.stat().st_size)

    def withdraw(self) -> None:
        """Take back the announcement of a file that did not get its name after all."""
        *others, last = self.ledger.entries
        before = next((e for e in reversed(others) if e.path == last.path), None)
        if state_of(self.file.parent / last.path) != last.sha256:
            self._write([_taken_back(last, before)])

    def clear(self) -> tuple[str, ...]:
        """Remove what interrupted writers left, and put the list right; the files' names."""
        self._write(self._settled())
        left = [p for p in self.file.parent.rglob(".fitscan-*") if is_leftover(p)]
        for path in left:
            path.unlink()
        return tuple(p.relative_to(self.file.parent).as_posix() for p in left)

    def _settled(self) -> list[Listed]:
        """What takes back the last entry, where a crash came before the file got its name."""
        if not is_unfinished(self.file.parent, self.ledger):
            return []
        *others, last = self.ledger.entries
        return [_taken_back(last, next((e for e in reversed(others) if e.path == last.path), None))]

    def _write(self, rows: list[Listed]) -> None:
        if not rows:
            return
        self.ledger = _longer(self.ledger, rows)
        write_whole(self.file, render_json(self.ledger).encode("utf-8"), replace=True)


def _taken_back(last: Entry, before: Entry | None) -> Listed:
    """The state before an announcement, to be listed after it."""
    if before is None:
        return Listed(last.path, None, 0)
    return Listed(before.path, before.sha256, before.bytes, before.original_sha256)


def is_leftover(path: Path) -> bool:
    """Whether a hidden file is what an interrupted writer leaves behind."""
    return path.name.startswith(".fitscan-") and path.name.endswith(PART_SUFFIX)


def is_unfinished(folder: Path, ledger: Ledger) -> bool:
    """Whether the last entry is of a file that a crash kept from getting its name.

    Then the file lies there whole under its temporary name. A file that somebody deleted
    leaves no such trace, and is missing.
    """
    if not ledger.entries or ledger.entries[-1].sha256 is None:
        return False
    last = ledger.entries[-1]
    target = folder / last.path
    if state_of(target) == last.sha256:
        return False
    left = [p for p in target.parent.glob(".fitscan-*") if is_leftover(p)]
    return any(sha256_of_file(p) == last.sha256 for p in left)


def listing(name: str, rows: list[Listed]) -> Ledger:
    """A list of its own over some files, dated now."""
    from fitscan import __version__

    return _longer(Ledger(name=name, made_at=_now(), tool_version=__version__, entries=()), rows)


def _longer(ledger: Ledger, rows: list[Listed]) -> Ledger:
    """A list with entries added at its end."""
    from fitscan import __version__

    entries = list(ledger.entries)
    for row in rows:
        before = entries[-1].chain if entries else _first_link(ledger)
        content = {**vars(row), "made_at": _now(), "tool_version": __version__}
        entries.append(Entry.model_validate({**content, "chain": _link(before, content)}))
    return ledger.model_copy(update={"entries": tuple(entries)})


def new_ledger(folder: Path, name: str) -> Path:
    """Begin a job's list in a folder, and return the list's file.

    Raises:
        InputError: there is one already, or no such folder.
        EnvironmentProblem: the disk is full or read-only, or permission is missing.
    """
    write_whole(folder / LEDGER, render_json(listing(name, [])).encode("utf-8"))
    return folder / LEDGER


def ledger_above(target: Path) -> Path | None:
    """The list of the job in whose folder a file lies or would lie, or None."""
    try:
        folder = target.parent.resolve()
    except OSError:
        return None
    for place in (folder, *folder.parents)[:_LEVELS]:
        file = place / LEDGER
        if _is_ledger(file):
            return file
    return None


def check_ledger(target: Path) -> None:
    """Find out now, whether a file that will be written after long work could be listed.

    Raises:
        InputError: the job's list is damaged.
        EnvironmentProblem: the disk failed, or permission is missing in the job's folder.
    """
    file = ledger_above(target)
    if file is not None:
        read_json(file, Ledger)
        check_folder(file.parent)


def _is_ledger(file: Path) -> bool:
    """Whether a file begins as a job's list does; another program's job.json does not."""
    try:
        with file.open("rb") as stream:
            return b'"fitscan.job"' in stream.read(64)
    except OSError:
        return False


@contextmanager
def open_ledger(file: Path) -> Iterator[Book]:
    """Hold a job's list, alone among all processes.

    Raises:
        InputError: the list is damaged.
        EnvironmentProblem: another process holds it for two minutes, or the disk refuses.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(file.with_name(LOCK))
    try:
        lock.acquire(timeout=_PATIENCE_S)
    except Timeout:
        raise EnvironmentProblem(
            "Another fitscan has been writing into this job for two minutes",
            file.parent,
            "wait until it has finished, or end it",
        ) from None
    except OSError as error:
        raise write_refusal(error, file.parent) from error
    try:
        yield Book(file.resolve(), read_json(file, Ledger))
    finally:
        lock.release()


def broken_link(ledger: Ledger) -> int | None:
    """Index of the first entry that does not follow from the one before it, or None."""
    before = _first_link(ledger)
    for index, entry in enumerate(ledger.entries):
        content = entry.model_dump(exclude={"chain"})
        if entry.chain != _link(before, content):
            return index
        before = entry.chain
    return None


def state_of(file: Path) -> str | None:
    """A file's hash, or None where there is no file."""
    return sha256_of_file(file) if file.is_file() else None


def _first_link(ledger: Ledger) -> str:
    head = {"name": ledger.name, "made_at": ledger.made_at, "by": ledger.tool_version}
    return _link("", head)


def _link(before: str, content: Mapping[str, Any]) -> str:
    text = json.dumps([before, content], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _inside(ledger: Path, target: Path) -> str:
    place = target.parent.resolve() / target.name
    return place.relative_to(ledger.parent).as_posix()


def _now() -> str:
    return datetime.now(timezone.utc).isoformat(timespec="seconds")
