"""What a first look found, kept by the photo's content: a second survey looks at new photos only.

A first look depends on the photo and on the finder alone, not on the kit. Entries that cannot be
read are found anew; looking itself is left to `photo_work`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from fitscan.detect.tags import Detections
from fitscan.errors import FitscanError
from fitscan.store.access import make_folder, read_refusal
from fitscan.store.digest import sha256_of_file
from fitscan.store.whole import write_whole

__all__ = [
    "ENTRIES",
    "HIDDEN",
    "Look",
    "cache_of_job",
    "content_hash",
    "fingerprint",
    "keep",
    "recall",
    "unseen",
]

HIDDEN = ".fitscan-cache"
"""The cache's folder within a job: hidden, so it is neither listed nor audited nor packed."""

ENTRIES = "*.json"
"""What entries are called."""

_NAME_CHARS = 32
"""Of a photo's hash, with which the name of its entry begins."""

Look = tuple[str, int, Detections]
"""Hash of the file's bytes, EXIF orientation, tags found."""


def cache_of_job(shoot: Path) -> Path | None:
    """The cache of the job in which a shoot lies, made if missing; None without a job or a place.

    Args:
        shoot: folder of photos.
    """
    from fitscan.store.ledger import ledger_above  # Workers need none of it.

    ledger = ledger_above(shoot / "a photo")
    if ledger is None:
        return None
    try:
        return make_folder(ledger.with_name(HIDDEN))
    except FitscanError:
        return None


def unseen(files: list[Path], cache: Path | None) -> int:
    """How many files no entry tells of.

    An entry of an older program counts too: who needs it finds out, and looks again.
    """
    known = {e.name[:_NAME_CHARS] for e in cache.glob(ENTRIES)} if cache is not None else set()
    if not known:
        return len(files)
    count = 0
    for file in files:
        with suppress(FitscanError):  # Who looks at it says what is wrong with it.
            count += content_hash(file)[:_NAME_CHARS] not in known
    return count


def content_hash(photo: Path) -> str:
    """The SHA-256 of a photo's bytes; read once while the file stays as it is.

    Raises:
        as `sha256_of_file`.
    """
    try:
        stat = photo.stat()
    except OSError as error:
        raise read_refusal(error, photo) from error
    return _hash_of(photo, stat.st_mtime_ns, stat.st_ctime_ns, stat.st_ino, stat.st_size)


@lru_cache(maxsize=4096)
def _hash_of(photo: Path, *state: int) -> str:
    return sha256_of_file(photo)


def recall(folder: Path, sha256: str) -> Look | None:
    """What was found in the photo with these bytes, or None: never seen, or unreadable."""
    try:
        entry = json.loads(_place(folder, sha256).read_bytes())
        seal = entry.pop("seal")
        ids = np.array(entry["ids"], dtype=np.intp).reshape(-1)
        corners = np.array(entry["corners_px"], dtype=np.float64).reshape(-1, 4, 2)
        doubles = tuple(int(i) for i in entry["doubles"])
        orientation = int(entry["orientation"])
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        OverflowError,
        RecursionError,
    ):
        return None
    whole = len(ids) == len(corners) and len(set(ids.tolist())) == len(ids)
    if entry.get("sha256") != sha256 or seal != _seal(entry) or not whole:
        return None
    if not np.isfinite(corners).all():
        return None
    return sha256, orientation, Detections(ids, corners, doubles)


def keep(folder: Path, look: Look) -> None:
    """Write an entry; that it cannot be written costs time later and nothing else."""
    sha256, orientation, found = look
    entry = {
        "sha256": sha256,
        "orientation": orientation,
        "ids": found.ids.tolist(),
        "corners_px": found.corners_px.tolist(),
        "doubles": list(found.doubles),
    }
    entry["seal"] = _seal(entry)
    try:
        # Not on a job's list: what can be found anew at any time is no file of the job.
        write_whole(_place(folder, sha256), json.dumps(entry).encode(), replace=True, lasting=False)
    except FitscanError:
        return


def _seal(entry: Mapping[str, Any]) -> str:
    """Hash of an entry: a digit that a bad disk turned must not move a corner unseen."""
    return hashlib.sha256(json.dumps(entry, sort_keys=True).encode()).hexdigest()


def _place(folder: Path, sha256: str) -> Path:
    return folder / f"{sha256[:_NAME_CHARS]}-{_finder()}.json"


@lru_cache(maxsize=1)
def _finder() -> str:
    return fingerprint("detect", "photos", "markers/family.py")


def fingerprint(*sources: str) -> str:
    """Hash of parts of this package and of what they use: a changed line makes old entries useless.

    Args:
        sources: files and folders, from the package's folder on.
    """
    import cv2

    try:
        heif = version("pi-heif")
    except PackageNotFoundError:
        heif = ""
    digest = hashlib.sha256(f"{cv2.__version__} {np.__version__} {heif}".encode())
    for name in sources:
        digest.update(_source_hash(name))
    return digest.hexdigest()[:16]


@lru_cache
def _source_hash(name: str) -> bytes:
    place = Path(__file__).resolve().parent.parent / name
    digest = hashlib.sha256()
    for source in sorted(place.glob("*.py")) if place.is_dir() else [place]:
        digest.update(source.read_bytes())
    return digest.digest()
