"""Prove that a job's folder is whole, or name what was changed, is missing, or does not open.

What files are in a folder is left to `layout`; nothing is written here.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

from fitscan.errors import DataError, FitscanError, InputError
from fitscan.fit.record_file import RecordFile
from fitscan.job.layout import files_in
from fitscan.lens.camera_file import CameraFile
from fitscan.store.digest import sha256_of_file
from fitscan.store.document import JsonDocument, kind_of, read_json
from fitscan.store.ledger import LEDGER, Entry, Ledger, broken_link, is_leftover, is_unfinished
from fitscan.survey.survey_file import SurveyFile

__all__ = ["Audit", "Finding", "audit"]

FindingKind = Literal["changed", "missing", "damaged", "unlisted", "unknown source", "leftover"]

BAD: tuple[FindingKind, ...] = ("changed", "missing", "damaged")
"""What makes a folder not whole; the rest is worth knowing."""

Tell = Callable[[str, int, int], None]

_LARGEST_ARCHIVE = 50 * 10**9
_MODELS: Mapping[str, type[JsonDocument]] = {
    model.KIND: model for model in (CameraFile, SurveyFile, RecordFile)
}


@dataclass(frozen=True)
class Finding:
    """One thing that an audit found.

    Attributes:
        kind: see `FindingKind`.
        path: of the file, below the folder.
        words: what is the matter, as a sentence without its full stop.
    """

    kind: FindingKind
    path: str
    words: str

    @property
    def bad(self) -> bool:
        """Whether the folder is not whole because of it."""
        return self.kind in BAD


@dataclass(frozen=True)
class Audit:
    """What an audit found.

    Attributes:
        folder: that was looked at.
        name: of the job, or None where the folder keeps no list.
        files: how many files were hashed; listed: how many of them the list vouches for.
        photos: of surveys and records, found by their hashes.
        documents: cameras, surveys and records that open; sealed: records whose seal holds.
        findings: bad ones first.
    """

    folder: Path
    name: str | None
    files: int
    listed: int
    photos: int
    documents: int
    sealed: int
    findings: tuple[Finding, ...]

    @property
    def bad(self) -> tuple[Finding, ...]:
        """Findings for which the folder is not whole."""
        return tuple(f for f in self.findings if f.bad)

    def check(self) -> None:
        """Raise when the folder is not whole.

        Raises:
            DataError: names how many files are changed, missing or damaged, and the first.
        """
        if not self.bad:
            return
        count = {kind: sum(f.kind == kind for f in self.bad) for kind in BAD}
        said = ", ".join(f"{n} {kind}" for kind, n in count.items() if n)
        raise DataError(
            f"The folder is not whole ({said}): {self.bad[0].words}",
            self.folder,
            "take the files named from a copy, and do not rely on results that rest on them",
        )


def audit(place: Path, tell: Tell | None = None) -> Audit:
    """Look at a job's folder, at any other folder, or at an archive made by `pack`.

    Raises:
        InputError: no such folder, or a file that is no archive.
        EnvironmentProblem: the disk failed.
    """
    report = tell or (lambda sentence, done, total: None)
    if place.is_file():
        with TemporaryDirectory() as name:
            _unpack(place, Path(name))
            return _audit(Path(name), place, report)
    return _audit(place, place, report)


def _audit(folder: Path, shown: Path, tell: Tell) -> Audit:
    paths = files_in(folder)
    hashes: dict[str, str] = {}
    findings: list[Finding] = []
    for number, path in enumerate(paths):
        tell("Hashing files", number, len(paths))
        try:
            hashes[path] = sha256_of_file(folder / path)
        except FitscanError as error:
            findings.append(Finding("damaged", path, f"{path} cannot be read: {error.what}"))
    tell("Hashing files", len(paths), len(paths))
    entries: tuple[Entry, ...] = ()
    name = None
    if (folder / LEDGER).is_file():
        try:
            ledger = read_json(folder / LEDGER, Ledger)
        except FitscanError as error:
            findings.append(Finding("damaged", LEDGER, f"the list does not open: {error.what}"))
        else:
            name, entries = ledger.name, ledger.entries
            findings.extend(_list_findings(folder, ledger, hashes))
    known = _known_hashes(entries, hashes)
    # What is listed was held against the list already; a second sentence would only confuse.
    told = {e.sha256 for e in entries} | {e.original_sha256 for e in entries}
    documents = list(_documents(folder, paths, findings))
    photos = 0
    for path, document in documents:
        findings.extend(_source_findings(path, document, known, told, hashes))
        photos += sum(sha256 in known for _, sha256 in _photos_of(document))
    findings.extend(_leftovers(folder))
    listed = len({e.path for e in entries} & set(hashes))
    sealed = sum(isinstance(d, RecordFile) and _is_sealed(folder / p) for p, d in documents)
    order = sorted(dict.fromkeys(findings), key=lambda f: (not f.bad, f.path))
    return Audit(shown, name, len(hashes), listed, photos, len(documents), sealed, tuple(order))


def _list_findings(folder: Path, ledger: Ledger, hashes: Mapping[str, str]) -> Iterator[Finding]:
    """Hold the files against the list, and the list against itself."""
    broken = broken_link(ledger)
    if broken is not None:
        yield Finding(
            "changed", LEDGER, f"the list was changed at its entry {broken + 1}, or one before it "
            f"was taken out ({ledger.entries[broken].path})",
        )  # fmt: skip
    last = {entry.path: entry for entry in ledger.entries}
    if is_unfinished(folder, ledger):
        # A crash kept this file from its name: the entry before it, if any, still holds.
        *others, announced = ledger.entries
        del last[announced.path]
        last.update({e.path: e for e in others if e.path == announced.path})
    for path, entry in last.items():
        now = hashes.get(path)
        if now == entry.sha256:
            continue
        if now is None:
            yield Finding("missing", path, f"{path} is missing, listed {entry.made_at}")
        else:
            words = f"{path} was changed since {entry.made_at}"
            if path.endswith(".toml"):
                words += "; if you did, `fitscan job` lists it anew"
            yield Finding("changed", path, words)
    for path in hashes:
        if path not in last or last[path].sha256 is None:
            yield Finding("unlisted", path, f"{path} is not on the list; `fitscan job` adds it")


def _leftovers(folder: Path) -> Iterator[Finding]:
    for path in sorted(folder.rglob(".fitscan-*")):
        if is_leftover(path):
            words = f"{path.name} is left of an interrupted fitscan; `fitscan job` clears it away"
            yield Finding("leftover", path.relative_to(folder).as_posix(), words)


def _known_hashes(entries: tuple[Entry, ...], hashes: Mapping[str, str]) -> set[str]:
    """Hashes of what is here, and of what it was before private data were taken out."""
    here = set(hashes.values())
    return here | {
        e.original_sha256 for e in entries if e.original_sha256 is not None and e.sha256 in here
    }


def _documents(
    folder: Path, paths: list[str], findings: list[Finding]
) -> Iterator[tuple[str, JsonDocument]]:
    """Cameras, surveys and records that open; the others go to the findings."""
    for path in paths:
        if not path.endswith(".json"):
            continue
        try:
            kind = kind_of(folder / path)
            if kind is not None and kind in _MODELS:
                yield path, read_json(folder / path, _MODELS[kind])
        except FitscanError as error:
            findings.append(Finding("damaged", path, f"{path} does not open: {error.what}"))


def _photos_of(document: JsonDocument) -> list[tuple[str, str]]:
    """Name and hash of the photos that a survey or record rests on."""
    survey = document.survey if isinstance(document, RecordFile) else document
    if not isinstance(survey, SurveyFile):
        return []
    return [(p.name, p.sha256) for p in survey.photos if p.sha256 and p.refused is None]


def _source_findings(
    path: str,
    document: JsonDocument,
    known: set[str],
    told: set[str | None],
    hashes: Mapping[str, str],
) -> Iterator[Finding]:
    """Whether what a survey or record was made from is here."""
    for name, sha256 in _photos_of(document):
        if sha256 in known or sha256 in told:
            continue
        alike = [p for p in hashes if p.rpartition("/")[2] == name]
        if alike:
            yield Finding("changed", alike[0], f"{alike[0]} is not the photo that {path} rests on")
        else:
            yield Finding("missing", name, f"the photo {name}, on which {path} rests, is missing")
    survey = document.survey if isinstance(document, RecordFile) else document
    if not isinstance(survey, SurveyFile):
        return
    sources = (("kit", survey.kit_sha256), ("camera", survey.camera_sha256))
    for what, source in sources:
        if source is not None and source not in known:
            words = f"the {what} file with which {path} was made is not here, or was changed since"
            yield Finding("unknown source", path, words)


def _is_sealed(path: Path) -> bool:
    return b'"content_sha256"' in path.read_bytes()[-120:]


def _unpack(archive: Path, folder: Path) -> None:
    try:
        with zipfile.ZipFile(archive) as packed:
            if sum(item.file_size for item in packed.infolist()) > _LARGEST_ARCHIVE:
                raise InputError("This archive is too large", archive, "unpack and audit a folder")
            packed.extractall(folder)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, ValueError) as error:
        raise InputError(
            "This file is neither a folder nor a whole archive of a job", archive,
            "name the job's folder, or copy the archive again",
        ) from error  # fmt: skip
