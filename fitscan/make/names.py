"""Names as they can be printed: the PDF's own fonts know the letters of cp1252 only.

Which names there are is left to the plans.
"""

from __future__ import annotations

from fitscan.errors import InputError

__all__ = ["NAME_LENGTH", "check_name", "shown"]

NAME_LENGTH = 80
"""Longest name, as in a kit."""


def shown(name: str) -> str:
    """A name with a question mark for each letter that the printed letters do not have."""
    return name.encode("cp1252", "replace").decode("cp1252")


def check_name(name: str, what: str) -> None:
    """Refuse a name that cannot be printed.

    Raises:
        InputError: it is empty, too long, or has other letters.
    """
    if not name.strip() or len(name) > NAME_LENGTH or not name.isprintable() or name != shown(name):
        raise InputError(
            f"The name {name!r} cannot be printed on a template",
            what,
            f"give a name of 1 to {NAME_LENGTH} Latin letters and figures with --name",
        )
