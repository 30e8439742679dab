"""TOML files that people write by hand, with faults named as they see them: table and line.

What the tables mean, and writing them, is left to the layers above.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fitscan.errors import InputError
from fitscan.store.access import read_bytes
from fitscan.store.validate import Fault, Key, Misfit, ModelT, validate

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

__all__ = ["read_toml"]

# Keys by which a person tells one table of a list from another.
_NAMES = ("id", "first_id", "ids", "name", "tube")

# What the parser says, and what a person who writes kits by hand can act on.
_PLAIN = {
    "Cannot overwrite a value": "The key stands twice in one table",
    "Invalid statement": "The line is neither a [[table]] nor a key = value",
    "Invalid value": "The value is neither a number nor text in quotes",
}


def read_toml(path: str | os.PathLike[str], model: type[ModelT]) -> ModelT:
    """Read a TOML file into a model that refuses unknown keys.

    Raises:
        InputError: No such file, text that is not TOML (the line is named), an unknown or
            missing key or an unusable value (line, table and key are named).
        EnvironmentProblem: The disk failed.
    """
    file = Path(path)
    try:
        text = read_bytes(file).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        what = "This is not a text file in UTF-8"
        raise InputError(what, file, "save it as UTF-8 text, or name another file") from error
    text = text.replace("\r\n", "\n")
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise _syntax_refusal(file, text, error) from error
    try:
        return validate(model, content)
    except Misfit as misfit:
        raise _refusal(file, text, content, misfit.fault) from misfit


def _syntax_refusal(file: Path, text: str, error: Exception) -> InputError:
    message = str(error)
    for theirs, ours in _PLAIN.items():
        message = message.replace(theirs, ours)
    place = re.search(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$", message)
    if place is None:
        return InputError(f"This is not TOML: {message}", file, "correct it")
    line = place[1] or str(len(text.rstrip("\n").split("\n")))
    reason = message[: place.start()]
    where = f"{file}, line {line}"
    return InputError(f"This is not TOML: {reason[:1].lower()}{reason[1:]}", where, "correct it")


def _refusal(file: Path, text: str, content: Mapping[str, Any], fault: Fault) -> InputError:
    line = _line_of(text, fault.path)
    place = f"line {line}" if line else ""
    words = (str(file), place, _table_of(content, fault.path), fault.others())
    return InputError(fault.what, ", ".join(word for word in words if word), fault.todo)


def _table_of(content: Mapping[str, Any], path: tuple[Key, ...]) -> str:
    """The table at or above a path: ``[[cuff]] number 2 with first_id = 114``."""
    for end in range(len(path), 0, -1):
        table = _at(content, path[:end])
        if not isinstance(table, dict):
            continue
        names = ".".join(part for part in path[:end] if isinstance(part, str))
        number = path[end - 1]
        if isinstance(number, str):
            return f"table [{names}]"
        tag = next((f" with {name} = {table[name]}" for name in _NAMES if name in table), "")
        return f"[[{names}]] number {number + 1}{tag}"
    return ""


def _line_of(text: str, path: tuple[Key, ...]) -> int | None:
    """The line where a key or table starts, found by parsing beginnings of the text.

    The parser itself is asked, because brackets and quotes over several lines would fool a
    search for the key's name. What is there in some beginning is there in all longer ones,
    so halving finds the shortest.
    """
    if not path:
        return None
    lines = text.split("\n")
    without, within = 0, len(lines)
    while within - without > 1:
        middle = (without + within) // 2
        whole = _end_of_statement(lines, middle)
        if _at(tomllib.loads("\n".join(lines[:whole])), path) is None:
            without = middle
        else:
            within = middle
    return _end_of_statement(lines, within - 1) + 1


def _end_of_statement(lines: list[str], count: int) -> int:
    """The largest number of lines up to ``count`` that does not cut a value in two."""
    for whole in range(count, 0, -1):
        try:
            tomllib.loads("\n".join(lines[:whole]))
        except tomllib.TOMLDecodeError:
            continue
        return whole
    return 0


def _at(content: Any, path: tuple[Key, ...]) -> Any:
    """What stands at a path, or None, which TOML itself cannot hold."""
    place = content
    for part in path:
        try:
            place = place[part]
        except (KeyError, IndexError, TypeError):
            return None
    return place
