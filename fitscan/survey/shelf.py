"""The shelf: a folder where decoded photos lie for all processes of one survey.

What is measured in them is left to `photo_work`.
"""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from fitscan.photos.read import GreyPixels, read_photo

__all__ = ["decoded", "lay_down", "photo_shelf"]

_SHELF_PHOTOS = 80
"""More photos than this are decoded again in every round: a thousand megabytes are enough."""

_PHOTO_BYTES = 15_000_000

_ROOM = 3
"""How many times what a shelf needs must be free where it stands."""

_IN_MEMORY = Path("/dev/shm")
"""Where Linux keeps files in memory; a file elsewhere takes four times as long to write."""


_CONTAINER = Path("/sys/fs/cgroup")
"""Where Linux tells how much memory a container may have (cgroup v2)."""


@contextmanager
def photo_shelf(photos: int) -> Iterator[Path | None]:
    """A folder, gone afterwards, where decoded photos lie for all processes; None if no room."""
    place = _place(photos * _PHOTO_BYTES) if photos <= _SHELF_PHOTOS else None
    if place is None:
        yield None
        return
    _clear(place)
    try:
        folder = tempfile.TemporaryDirectory(
            prefix=f"fitscan-{os.getpid()}-", dir=place, ignore_cleanup_errors=True
        )
    except OSError:
        yield None
        return
    with folder as name:
        yield Path(name)


def decoded(path: Path, shelf: Path | None) -> GreyPixels:
    """The photo's pixels: from the shelf if they lie there, else decoded once more."""
    if shelf is not None:
        try:
            # Only the pages that are looked at are read, and all processes share them.
            return np.asarray(np.load(_at(shelf, path), mmap_mode="r"), dtype=np.uint8)
        except (OSError, ValueError, EOFError):
            pass  # Another computer, or a full disk: decoding again costs 30 ms.
    grey = read_photo(path).grey
    if shelf is not None and shelf.is_dir():
        lay_down(grey, path, shelf)
    return grey


def lay_down(grey: GreyPixels, path: Path, shelf: Path) -> None:
    """Keep the pixels of the photo at `path`, if the shelf allows."""
    place = _at(shelf, path)
    part = place.with_suffix(".part")
    try:
        with part.open("wb") as stream:
            np.save(stream, grey)
        part.replace(place)
    except OSError:
        part.unlink(missing_ok=True)


def _at(shelf: Path, path: Path) -> Path:
    return shelf / f"{path.name}.npy"


def _place(need: int) -> Path | None:
    """A folder with room for a shelf: in memory where so much is free, else on the disk."""
    for place, free in ((_IN_MEMORY, _free_memory()), (Path(tempfile.gettempdir()), math.inf)):
        try:
            room = min(shutil.disk_usage(place).free, free)
        except OSError:
            continue
        if room >= _ROOM * need and os.access(place, os.W_OK):
            return place
    return None


def _free_memory() -> int:
    """Bytes of memory that this program can still have, 0 where Linux does not tell."""
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        free = next(int(x.split()[1]) * 1024 for x in lines if x.startswith("MemAvailable:"))
    except (OSError, ValueError, StopIteration):
        return 0
    # In a container, what the computer has free is not what it may have.
    most, used = _number(_CONTAINER / "memory.max"), _number(_CONTAINER / "memory.current")
    return free if most is None or used is None else min(free, most - used)


def _number(file: Path) -> int | None:
    try:
        return int(file.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None


def _clear(place: Path) -> None:
    """Take away the shelves of surveys that were killed: in memory they would stay for good."""
    if place != _IN_MEMORY:
        return
    for old in place.glob("fitscan-*-*"):
        owner = old.name.split("-")[1]
        if owner.isdigit() and not Path("/proc", owner).exists():
            shutil.rmtree(old, ignore_errors=True)
