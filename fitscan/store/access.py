"""Reading files and making folders, with the operating system's refusals put into sentences.

Writing so that a crash leaves no half file is left to `fitscan.store.atomic`.
"""

from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

from fitscan.errors import EnvironmentProblem, FitscanError, InputError

__all__ = ["check_folder", "make_folder", "read_bytes", "read_refusal", "write_refusal"]

_FULL = {errno.ENOSPC, errno.EDQUOT}
_FORBIDDEN = {errno.EACCES, errno.EPERM}


def write_refusal(error: OSError, folder: Path) -> FitscanError:
    """Say in one sentence why nothing could be written into a folder.

    Args:
        error: What the operating system raised.
        folder: The folder that should have taken the file.
    """
    elsewhere = "write to another folder"
    if error.errno in _FULL:
        return EnvironmentProblem("The disk is full", folder, f"free some space or {elsewhere}")
    if error.errno == errno.EROFS:
        return EnvironmentProblem("The disk can only be read, not written", folder, elsewhere)
    if error.errno in _FORBIDDEN:
        todo = f"change the folder's permissions or {elsewhere}"
        return EnvironmentProblem("You may not write into this folder", folder, todo)
    if error.errno == errno.ENOENT:
        return InputError("The folder does not exist", folder, "make it first, or check its name")
    if error.errno in {errno.ENOTDIR, errno.EEXIST}:
        return InputError("A file stands where a folder is needed", folder, elsewhere)
    if error.errno == errno.ENAMETOOLONG:
        return InputError("The file name is too long", folder, "choose a shorter name")
    reason = error.strerror or type(error).__name__
    todo = f"check the disk or {elsewhere}"
    return EnvironmentProblem(f"The file could not be written: {reason}", folder, todo)


def read_refusal(error: OSError, path: Path) -> FitscanError:
    """Say in one sentence why a file could not be read."""
    if error.errno in {errno.ENOENT, errno.ENOTDIR}:
        return InputError("There is no such file", path, "check the name")
    if error.errno == errno.EISDIR:
        return InputError("This is a folder, not a file", path, "name a file inside it")
    if error.errno in _FORBIDDEN:
        return InputError("You may not read this file", path, "change its permissions")
    reason = error.strerror or type(error).__name__
    return EnvironmentProblem(f"The file could not be read: {reason}", path, "check the disk")


def read_bytes(path: str | os.PathLike[str]) -> bytes:
    """Return a file's whole content.

    Raises:
        InputError: There is no such file, or it is a folder, or it may not be read.
        EnvironmentProblem: The disk failed.
    """
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise read_refusal(error, Path(path)) from error


def check_folder(path: str | os.PathLike[str]) -> None:
    """Find out now, by a nameless file, whether a folder will take a file after long work.

    Raises:
        InputError: There is no such folder, or a file stands in its place.
        EnvironmentProblem: The disk is full or read-only, or permission is missing.
    """
    try:
        with tempfile.TemporaryFile(dir=path) as probe:
            probe.write(b"x")
    except OSError as error:
        raise write_refusal(error, Path(path)) from error


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder and those above it where they are missing, and return its path.

    Raises:
        InputError: A file stands in the way.
        EnvironmentProblem: The disk is full or read-only, or permission is missing.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise write_refusal(error, folder) from error
    return folder
