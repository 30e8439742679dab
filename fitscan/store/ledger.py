"""The list of a job's files with their hashes, to which every written file is added in one step.

Which files a job has and what they mean is left to `fitscan.job`; here a file is a path and a hash.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timezone
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from fitscan.errors import EnvironmentProblem, InputError
from fitscan.store.access import write_refusal
from fitscan.store.digest import sha256_of_file
from fitscan.store.document import JsonDocument, read_json, render_json
from fitscan.store.whole import write_whole

__all__ = [
    "LEDGER",
    "LOCK",
    "Book",
    "Entry",
    "Ledger",
    "broken_link",
    "ledger_above",
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

    model_config = ConfigDict(extra="forbid", frozen=True)

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


@dataclass
class Book:
    """A list that is open for writing, its lock held.

    Attributes:
        file: of the list.
        ledger: as it stands on the disk.
    """

    file: Path
    ledger: Ledger
    _added: list[Entry] = field(default_factory=list)

    def announce(self, target: Path, part: Path) -> None:
        """List a file that is whole under a temporary name and is named next.

        If the process ends before that, the last entry speaks of a file that is not there yet;
        only the last one can, because the lock is held until the name is given.
        """
        path = _inside(self.file, target)
        if path == LEDGER:
            raise InputError("This is the list of the job's files", target, "choose another name")
        self._settle()
        self._add(path, sha256_of_file(part), part.stat().st_size, None)
        self._write()

    def add(self, files: Mapping[str, str | None]) -> None:
        """List files that lie in the folder already: path below the folder, original's hash."""
        self._settle()
        for path, original in files.items():
            there = self.file.parent / path
            self._add(path, sha256_of_file(there), there.stat().st_size, original)
        self._write()

    def _settle(self) -> None:
        """Take back the last entry, by another one, where a crash came before the file's name."""
        if not self.ledger.entries:
            return
        last = self.ledger.entries[-1]
        now = state_of(self.file.parent / last.path)
        if now == last.sha256:
            return
        earlier = [e for e in self.ledger.entries[:-1] if e.path == last.path]
        before = earlier[-1] if earlier else None
        if now == (before.sha256 if before else None):
            size = before.bytes if before else 0
            self._add(last.path, now, size, before.original_sha256 if before else None)

    def _add(self, path: str, sha256: str | None, size: int, original: str | None) -> None:
        from fitscan import __version__

        content = {
            "path": path,
            "sha256": sha256,
            "bytes": size,
            "made_at": _now(),
            "tool_version": __version__,
            "original_sha256": original,
        }
        entries = (*self.ledger.entries, *self._added)
        before = entries[-1].chain if entries else _first_link(self.ledger)
        self._added.append(Entry.model_validate({**content, "chain": _link(before, content)}))

    def _write(self) -> None:
        entries = (*self.ledger.entries, *self._added)
        self.ledger = self.ledger.model_copy(update={"entries": entries})
        self._added.clear()
        write_whole(self.file, render_json(self.ledger).encode("utf-8"), replace=True)


def new_ledger(folder: Path, name: str) -> Path:
    """Begin a job's list in a folder, and return the list's file.

    Raises:
        InputError: there is one already, or no such folder.
        EnvironmentProblem: the disk is full or read-only, or permission is missing.
    """
    from fitscan import __version__

    ledger = Ledger(name=name, made_at=_now(), tool_version=__version__, entries=())
    write_whole(folder / LEDGER, render_json(ledger).encode("utf-8"))
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
    return _link("", {"name": ledger.name, "made_at": ledger.made_at})


def _link(before: str, content: Mapping[str, Any]) -> str:
    text = json.dumps([before, content], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _inside(ledger: Path, target: Path) -> str:
    place = target.parent.resolve() / target.name
    return place.relative_to(ledger.parent).as_posix()


def _now() -> str:
    return datetime.now(timezone.utc).isoformat(timespec="seconds")
