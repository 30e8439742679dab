"""Every error that a user may see, as one sentence: what is wrong, where, and what to do.

How the sentence reaches the screen, and with which colour, is left to the command line.
"""

from __future__ import annotations

import os
from typing import ClassVar

__all__ = ["STOPPED", "DataError", "EnvironmentProblem", "FitscanError", "InputError"]

STOPPED = "stopped; every file that was written is whole."
"""What is said after Ctrl-C, wherever it came."""

_LONGEST = 1500


def _phrase(text: str) -> str:
    """One line without its closing full stop, so that phrases can be joined into a sentence.

    A name in a damaged file may be as long as the file; nobody reads more than a page of it.
    """
    line = " ".join(text.split()).rstrip(".")
    return line if len(line) <= _LONGEST else line[: _LONGEST - 3] + "..."


class FitscanError(Exception):
    """Base of all errors that fitscan raises on purpose.

    Raise one of the subclasses, so that the exit code says whose turn it is.

    Args:
        what: What is wrong, starting with a capital letter: "The kit has two tags with id 7".
        where: The file, line, key, photo or folder: "kit.toml, line 12". May be empty when
            there is no such place.
        todo: What the user can do about it: "give one of them another id".
    """

    exit_code: ClassVar[int] = 2

    def __init__(self, what: str, where: str | os.PathLike[str], todo: str) -> None:
        # Plain strings in `args` let the error travel between worker processes by pickle.
        super().__init__(_phrase(what), _phrase(os.fspath(where)), _phrase(todo))

    @property
    def what(self) -> str:
        """What is wrong."""
        return str(self.args[0])

    @property
    def where(self) -> str:
        """The place, or an empty string."""
        return str(self.args[1])

    @property
    def todo(self) -> str:
        """What the user can do about it."""
        return str(self.args[2])

    def __str__(self) -> str:
        place = f" ({self.where})" if self.where else ""
        return f"{self.what}{place}: {self.todo}."


class InputError(FitscanError):
    """The user gave something that cannot be used: an option, a file, a value."""


class DataError(FitscanError):
    """The input is well formed, but the photos or measurements in it cannot give the answer."""


class EnvironmentProblem(FitscanError):  # noqa: N818  - nobody made an error
    """The computer is in the way: a missing system package, a full disk, a read-only folder."""

    exit_code: ClassVar[int] = 3
