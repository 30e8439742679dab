"""Write a file whole or not at all, even when the disk fills up or the power goes.

What is in the bytes is left to the caller, the list of a job's files to `ledger`.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from fitscan.errors import InputError
from fitscan.store.access import write_refusal

__all__ = ["PART_SUFFIX", "Content", "write_whole"]

Content = bytes | Callable[[BinaryIO], None]
"""What a file shall hold: its bytes, or a function that writes them into a stream."""

PART_SUFFIX = ".part"
"""Ending of the hidden temporary files, of which a crash may leave one."""

# Make a file that was not there; Windows must be told not to touch line ends.
_CREATE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
# What file systems without hard links (memory cards, some network shares) answer to os.link.
_NO_HARD_LINKS = {errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS}


def write_whole(
    path: str | os.PathLike[str],
    content: Content,
    *,
    replace: bool = False,
    lasting: bool = True,
    before_naming: Callable[[Path], None] | None = None,
) -> None:
    """Write a file so that a reader sees all of it or nothing of it.

    The bytes go to a temporary file in the same folder, reach the disk (if `lasting`), and only
    then get their name. When this function raises, nothing new is left in the folder and an older
    file is untouched; only when the disk fails in the last step of a replacement, the new
    file, whole, has its place already.

    Args:
        path: The file to make.
        content: Its content.
        replace: Whether an existing file may be replaced.
        lasting: Whether it must outlast a power cut. Waiting for the disk takes a hundredth of a
            second; where a reader sees by a seal that a file is not whole, it is not worth that.
        before_naming: Called with the temporary file when it is whole on the disk and the last
            step is about to be done; when it raises, nothing is done.

    Raises:
        InputError: The file exists and ``replace`` is false, or the folder does not exist.
        EnvironmentProblem: The disk is full or read-only, or permission is missing.
    """
    target = Path(path)
    folder = target.parent
    # A leading dot and an ending of its own: nobody takes a leftover of a crash for a result.
    temporary = folder / f".fitscan-{secrets.token_hex(8)}{PART_SUFFIX}"
    try:
        if target.is_dir():
            raise InputError("This is a folder, not a file", target, "name a file inside it")
        if not replace and os.path.lexists(target):
            raise _exists(target)
        _write(temporary, content, sync=lasting)
        if before_naming is not None:
            before_naming(temporary)
        if replace:
            temporary.replace(target)
        else:
            _name_without_replacing(temporary, target)
        if lasting:
            _sync_folder(folder, new=None if replace else target)
    except OSError as error:
        raise write_refusal(error, folder) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def _exists(target: Path) -> InputError:
    return InputError(
        "The file exists already and is never overwritten unasked",
        target,
        "choose another name or move the old file away",
    )


def _write(path: Path, content: Content, *, sync: bool) -> None:
    descriptor = os.open(path, _CREATE, 0o666)
    try:
        if isinstance(content, bytes):
            rest = memoryview(content)
            while rest:
                rest = rest[os.write(descriptor, rest) :]
        else:
            with os.fdopen(descriptor, "wb", closefd=False) as stream:
                content(stream)
        if sync:
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _name_without_replacing(temporary: Path, target: Path) -> None:
    """Give the temporary file its name, refusing a file that appeared in the meantime."""
    try:
        # A hard link is the one portable step that names a whole file and never overwrites.
        os.link(temporary, target)
    except FileExistsError:
        raise _exists(target) from None
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        _claim_and_replace(temporary, target)


def _claim_and_replace(temporary: Path, target: Path) -> None:
    """The same without hard links: an empty file holds the name until the real one takes it."""
    try:
        os.close(os.open(target, _CREATE, 0o666))
    except FileExistsError:
        raise _exists(target) from None
    try:
        temporary.replace(target)
    except OSError:
        target.unlink()
        raise


def _sync_folder(folder: Path, new: Path | None) -> None:
    """Make the new name itself survive a power cut; take it back where the disk refuses."""
    if os.name == "nt":
        return  # Windows cannot open a folder, and its file system journals names anyway.
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        # The file is whole and has its name; some file systems cannot sync a folder (EINVAL).
        if error.errno != errno.EINVAL:
            if new is not None:
                new.unlink()
            raise
    finally:
        os.close(descriptor)
