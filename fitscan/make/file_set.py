"""Files that belong together, written into one folder: all of them or none.

What is in them is left to the plans.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from fitscan.errors import InputError
from fitscan.store.access import make_folder
from fitscan.store.atomic import write_new

__all__ = ["write_files"]


def write_files(
    folder: Path, files: Mapping[str, bytes], *, replace: bool = False
) -> tuple[Path, ...]:
    """Write files, the folder made if it is missing.

    Args:
        folder: where.
        files: content by name.
        replace: whether older files of these names may be replaced.

    Raises:
        InputError: a file exists already.
        EnvironmentProblem: the disk is full or read-only.
    """
    place = make_folder(folder)
    for name in files:
        # Asked before any is written, so that no template lies beside another one's numbers.
        if (place / name).exists() and not replace:
            raise InputError(
                "The file exists already and is never overwritten unasked",
                place / name,
                "choose another folder, move the old file away or give --replace",
            )
    for name, data in files.items():
        write_new(place / name, data, replace=replace)
    return tuple(place / name for name in files)
