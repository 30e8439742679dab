"""One archive with everything that is needed to repeat a job's results, and nothing private.

Taking private data out of a photo is left to `fitscan.photos.private`, proving the archive whole to
`audit`, which reads the list that is packed with it.
"""

from __future__ import annotations

import hashlib
import platform
import shlex
import textwrap
import zipfile
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import BinaryIO

from fitscan.errors import InputError
from fitscan.fit.record_file import RecordFile
from fitscan.fit.result_file import CAUTION
from fitscan.job.audit import Tell, audit
from fitscan.job.layout import files_in
from fitscan.photos.private import without_private_data
from fitscan.photos.shoot import is_photo
from fitscan.store.access import read_bytes
from fitscan.store.atomic import write_new
from fitscan.store.digest import sha256_of_file
from fitscan.store.document import kind_of, read_json, render_json
from fitscan.store.ledger import LEDGER, Listed, listing
from fitscan.survey.survey_file import SurveyFile

__all__ = ["OLD_LIST", "REPEAT", "Packed", "pack"]

REPEAT = "repeat.txt"
"""Says with which commands and versions the surveys can be made again."""

OLD_LIST = "original-job.json"
"""The job's own list as it was, with its history; the archive's list speaks of the archive."""

_EPOCH = (1980, 1, 1, 0, 0, 0)
_LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "pillow", "pi-heif", "pydantic")


@dataclass(frozen=True)
class Packed:
    """An archive.

    Attributes:
        file: of the archive.
        files: how many files are in it.
        stripped: how many of them are photos from which private data were taken.
        left_out: files whose private data could not be told apart, and which no survey uses.
    """

    file: Path
    files: int
    stripped: int
    left_out: tuple[str, ...]


def pack(folder: Path, out: Path, tell: Tell | None = None) -> Packed:
    """Pack a job whose audit finds nothing amiss; the archive is written whole or not at all.

    Raises:
        InputError: no such folder, nothing in it, or the archive exists.
        DataError: the audit finds files changed, missing or damaged.
        EnvironmentProblem: the disk is full or read-only, or permission is missing.
    """
    report = tell or (lambda sentence, done, total: None)
    if out.exists():
        raise InputError("The file exists already", out, "choose another name")
    if not folder.is_dir():
        raise InputError("There is no such folder", folder, "check the name")
    found = audit(folder, report)
    found.check()
    paths = [p for p in files_in(folder) if not p.endswith(".zip") and p not in {REPEAT, OLD_LIST}]
    if not paths:
        raise InputError("There is nothing to pack", folder, "name the folder of a job")
    name = found.name or folder.resolve().name
    rows: list[Listed] = []
    left_out: list[str] = []

    def write(stream: BinaryIO) -> None:
        with zipfile.ZipFile(stream, "w") as archive:
            for number, path in enumerate(paths):
                report("Packing", number, len(paths))
                public = _public(folder / path)
                if public is None:
                    left_out.append(path)
                else:
                    rows.append(_put(archive, path, *public))
            rows.append(_put(archive, REPEAT, how_to_repeat(folder, paths).encode("utf-8")))
            if found.name is not None:
                rows.append(_put(archive, OLD_LIST, read_bytes(folder / LEDGER)))
            _put(archive, LEDGER, render_json(listing(name, rows)).encode("utf-8"))
        report("Packing", len(paths), len(paths))

    write_new(out, write)
    stripped = sum(row.original_sha256 is not None for row in rows)
    return Packed(out, len(rows) + 1, stripped, tuple(left_out))


def _public(file: Path) -> tuple[bytes, str | None] | None:
    """A file's bytes for the archive, and the file's own hash where they differ from it.

    None for a file that has a photo's name and is none: it may hold anything.
    """
    data = read_bytes(file)
    if not is_photo(file):
        return data, None
    try:
        public = without_private_data(data, file)
    except InputError:
        return None
    return public, None if public == data else hashlib.sha256(data).hexdigest()


def _put(
    archive: zipfile.ZipFile, path: str, data: bytes, original_sha256: str | None = None
) -> Listed:
    entry = zipfile.ZipInfo(path, _EPOCH)
    entry.external_attr = 0o644 << 16
    # Photos are compressed already.
    entry.compress_type = zipfile.ZIP_STORED if is_photo(Path(path)) else zipfile.ZIP_DEFLATED
    archive.writestr(entry, data)
    return Listed(path, hashlib.sha256(data).hexdigest(), len(data), original_sha256)


def how_to_repeat(folder: Path, paths: list[str]) -> str:
    """Commands that make the surveys and records again, and the versions that made them."""
    from fitscan import __version__

    by_hash = {sha256_of_file(folder / path): path for path in paths}
    lines = [
        "How to repeat what is in this archive.",
        "",
        f"Packed by fitscan {__version__} on Python {platform.python_version()} with",
        *(f"  {name} {_version(name)}" for name in _LIBRARIES),
        "",
        "Photos are those of the job without private data (place, serial numbers, maker notes,",
        "previews); their compressed pictures are unchanged. `fitscan audit` on this folder says",
        "whether it is whole. In this folder:",
        "",
    ]
    documents = [p for p in paths if p.endswith(".json")]
    for path in documents:
        if kind_of(folder / path) == SurveyFile.KIND:
            survey = read_json(folder / path, SurveyFile)
            lines.append(_survey_again(path, survey, by_hash))
    for path in documents:
        if kind_of(folder / path) == RecordFile.KIND:
            record = read_json(folder / path, RecordFile)
            words = ("fitscan", "record", f"again-{record.survey.name}.json", "--part", record.part)
            lines.append(shlex.join([*words, "--on", record.on, "--out", f"again-{_last(path)}"]))
    return "\n".join([*lines, "", *textwrap.wrap(CAUTION, 90), ""])


def _last(path: str) -> str:
    return path.rpartition("/")[2]


def _survey_again(path: str, survey: SurveyFile, by_hash: dict[str, str]) -> str:
    here = [by_hash[p.sha256] for p in survey.photos if p.sha256 in by_hash]
    folders = {Path(path).parent.as_posix() for path in here}
    shoot = min(folders) if folders else survey.name
    words = ["fitscan", "survey", shoot, "--kit", by_hash.get(survey.kit_sha256 or "", "kit.toml")]
    if survey.camera_sha256 is not None:
        words += ["--camera", by_hash.get(survey.camera_sha256, "camera.json")]
    return shlex.join([*words, "--out", f"again-{_last(path)}"])


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "(not installed under this name)"
