"""Write a file whole or not at all, and put it on the job's list where the folder keeps one.

The writing itself is left to `whole`, the list to `ledger`.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from fitscan.errors import FitscanError
from fitscan.store.ledger import ledger_above, open_ledger
from fitscan.store.whole import Content, write_whole

__all__ = ["write_new"]


def write_new(path: str | os.PathLike[str], data: Content, *, replace: bool = False) -> None:
    """Write a file so that a reader sees all of it or nothing of it.

    Inside a job's folder the file is put on the job's list in the same step: one writer at a
    time, and a crash leaves file and list in the old state or in the new one.

    Args:
        path: The file to make.
        data: Its content, or a function that writes it into a stream.
        replace: Whether an existing file may be replaced.

    Raises:
        InputError: The file exists and ``replace`` is false, the folder does not exist, or the
            job's list is damaged.
        EnvironmentProblem: The disk is full or read-only, permission is missing, or another
            process holds the job's list for too long.
    """
    target = Path(path)
    ledger = ledger_above(target)
    if ledger is None:
        write_whole(target, data, replace=replace)
        return
    with open_ledger(ledger) as book:
        announced = False

        def announce(part: Path) -> None:
            nonlocal announced
            book.announce(target, part)
            announced = True

        try:
            write_whole(target, data, replace=replace, before_naming=announce)
        except BaseException:
            if announced:
                # The disk that refused the file may refuse this too; the first refusal counts.
                with contextlib.suppress(FitscanError, OSError):
                    book.withdraw()
            raise
