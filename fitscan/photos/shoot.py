"""The photos of one folder: in the order a person counts, and copies of the same file named.

Reading them is left to `read`; whether they share a camera, to `identity`.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

from fitscan.errors import InputError
from fitscan.store.access import read_refusal
from fitscan.store.digest import sha256_of_file

__all__ = ["copies_among", "is_photo", "list_photos", "natural_key"]

_PHOTO_SUFFIXES = {".jpg", ".jpeg", ".jpe", ".png", ".heic", ".heif", ".hif"}
_RAW_SUFFIXES = {".dng", ".arw", ".cr2", ".cr3", ".nef", ".orf", ".raf", ".rw2"}


def natural_key(name: str) -> tuple[tuple[int, str | int], ...]:
    """Sort key that counts: photo 9 stands before photo 10."""
    pieces = re.split(r"([0-9]+)", name.casefold())
    return tuple((1, int(p)) if p.isascii() and p.isdigit() else (0, p) for p in pieces)


def is_photo(path: Path) -> bool:
    """Whether a file's name ends as a photo's does."""
    return path.suffix.lower() in _PHOTO_SUFFIXES


def list_photos(folder: str | os.PathLike[str]) -> list[Path]:
    """Photos of a folder by their names' endings, in natural order; hidden files are skipped.

    Raises:
        InputError: no such folder, not a folder, or no photo in it.
        EnvironmentProblem: the disk failed.
    """
    place = Path(folder)
    if place.is_file():
        raise InputError("This is a file, not a folder of photos", place, "name the folder")
    try:
        files = [p for p in place.iterdir() if not p.name.startswith(".") and p.is_file()]
    except OSError as error:
        if not place.exists():
            raise InputError("There is no such folder", place, "check the name") from error
        raise read_refusal(error, place) from error
    photos = [p for p in files if is_photo(p)]
    if photos:
        return sorted(photos, key=lambda p: (natural_key(p.name), p.name))
    if any(p.suffix.lower() in _RAW_SUFFIXES for p in files):
        raise InputError(
            "The folder holds raw or DNG files only, which fitscan does not read",
            place,
            "save the photos as JPEG on the phone, at full size",
        )
    raise InputError(
        "There are no photos in the folder", place, "put JPEG, HEIC or PNG photos into it"
    )


def copies_among(paths: Iterable[Path]) -> dict[Path, Path]:
    """Which files are byte-for-byte copies of an earlier one: copy -> the one that stays.

    Only files of equal size are read.

    Raises:
        InputError: a file is gone or may not be read.
        EnvironmentProblem: the disk failed.
    """
    by_size: dict[int, list[Path]] = {}
    for path in paths:
        try:
            by_size.setdefault(path.stat().st_size, []).append(path)
        except OSError as error:
            raise read_refusal(error, path) from error
    copies: dict[Path, Path] = {}
    for alike in by_size.values():
        first: dict[str, Path] = {}
        for path in alike if len(alike) > 1 else ():
            kept = first.setdefault(sha256_of_file(path), path)
            if kept != path:
                copies[path] = kept
    return copies
