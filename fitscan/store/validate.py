"""Check parsed data against a model and put the first fault into one sentence.

Reading the text, and finding the line of a fault, is left to the JSON and TOML readers.
"""

from __future__ import annotations

import difflib
import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

__all__ = ["Fault", "Key", "Misfit", "Mistake", "ModelT", "validate"]

_LARGE = (re.compile(rb"e[+]?[0-9]{3,}[\s,\]}]"), re.compile(rb"E[+]?[0-9]{3,}[\s,\]}]"))
"""One pattern a letter: a search that begins with a known letter is three times as fast."""

_DIGITS = bytes.maketrans(b"123456789", b"000000000")

ModelT = TypeVar("ModelT", bound=BaseModel)

Key = str | int
Path = tuple[Key, ...]

# Words of the checker, and what a person who writes kits by hand calls the same.
_PLAIN = {
    "a valid number": "a number",
    "a valid integer": "a whole number",
    "a valid string": "text in quotes",
    "a valid boolean": "true or false",
    "a valid array": "a list",
    "an object": "a table",
}


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a file's content.

    Attributes:
        what: The fault as the start of a sentence.
        todo: What to do about it.
        path: Keys and list places that lead to it; for a missing key, to what lacks it.
        key: The key at fault, if it is a key.
        more: How many further faults there are.
    """

    what: str
    todo: str
    path: Path
    key: str | None
    more: int

    def others(self) -> str:
        """Words that count the further faults, or none."""
        if not self.more:
            return ""
        return f"and {self.more} more fault" + ("s" if self.more > 1 else "")


class Misfit(Exception):  # noqa: N818  - caught by the readers, which know file and line
    """The data do not fit the model; ``fault`` says why."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault)
        self.fault = fault


class Mistake(ValueError):  # noqa: N818  - what a model's own check raises
    """A value that does not go with the others; a model's check raises it to say where.

    Args:
        reason: the rest of a sentence that begins "The key ... cannot be used:".
        path: keys and list places that lead to the value.
    """

    def __init__(self, reason: str, path: Path) -> None:
        super().__init__(reason)
        self.path = path


def validate(model: type[ModelT], data: Mapping[str, Any], text: bytes | None = None) -> ModelT:
    """Return the model's instance made from parsed data.

    The types are strict: a number in quotes is not a number. JSON is the way in, because there
    strictness still lets a list become a tuple and a whole number a real one. Numbers that are
    not finite are refused whatever the model says: none of them was ever measured.

    Args:
        model: what the data are.
        data: as parsed.
        text: the JSON text in UTF-8 that the data were parsed from, if there is one.

    Raises:
        Misfit: The data do not fit the model.
    """
    if text is None or _doubtful(text):
        for path, reason in _unusable(data, ()):
            key = _last_key(path)
            what = f'The key "{key}" cannot be used: {reason}'
            raise Misfit(Fault(what, "correct it", path, key, 0))
    if text is None:
        text = json.dumps(data, default=str).encode("ascii")
    try:
        return model.model_validate_json(text, strict=True)
    except ValidationError as error:
        raise Misfit(_first_fault(error, model, data)) from error


def _doubtful(text: bytes) -> bool:
    """Whether a JSON text may hold a number that is not finite, or text that is none.

    The former needs three digits of exponent or hundreds before the point, the latter an escape.
    """
    large = any(pattern.search(text) for pattern in _LARGE)
    return large or b"0" * 300 in text.translate(_DIGITS) or b"\\u" in text


def _unusable(place: object, path: Path) -> Iterator[tuple[Path, str]]:
    """Walk to what neither JSON nor a measurement can hold."""
    if isinstance(place, dict):
        for key, value in place.items():
            yield from _unusable(value, (*path, key))
    elif isinstance(place, list):
        for index, value in enumerate(place):
            yield from _unusable(value, (*path, index))
    elif isinstance(place, float) and not math.isfinite(place):
        yield path, "it is not a finite number"
    elif isinstance(place, str) and not place.isascii():
        try:
            place.encode("utf-8")
        except UnicodeEncodeError:
            yield path, "its text is damaged"


def _first_fault(error: ValidationError, model: type[BaseModel], data: Mapping[str, Any]) -> Fault:
    """Describe the fault that a user should mend first: an unknown key hides a missing one."""
    details = error.errors(include_url=False)
    detail = min(details, key=lambda entry: entry["type"] != "extra_forbidden")
    raised = _raised(detail)
    loc = raised.path if isinstance(raised, Mistake) else detail["loc"]
    path = _existing_path(loc, data, missing=detail["type"] == "missing")
    names = [part for part in loc if isinstance(part, str)]
    kind = detail["type"]
    key = names[-1] if kind in {"missing", "extra_forbidden"} else _last_key(path)
    what, todo = _words(detail, key, _known_keys(model, path[:-1]))
    return Fault(what, todo, path, key, len(details) - 1)


def _words(detail: ErrorDetails, key: str | None, known: list[str]) -> tuple[str, str]:
    """What and what to do, for one of pydantic's error entries."""
    name = f'key "{key}"' if key else "file"
    if detail["type"] == "extra_forbidden":
        close = difflib.get_close_matches(key or "", known, n=1)
        if close:
            return f"The {name} is not known here", f'write "{close[0]}" if that is meant'
        return f"The {name} is not known here", f"remove it; known keys are {', '.join(known)}"
    if detail["type"] == "missing":
        return f"The {name} is missing", "add it"
    if detail["type"] in {"value_error", "assertion_error"}:
        reason = str(_raised(detail) or detail["msg"])
        return f"The {name} cannot be used: {reason}", "correct it"
    rule = detail["msg"].replace("Input should be", "must be")
    for theirs, ours in _PLAIN.items():
        rule = rule.replace(theirs, ours)
    return f"The {name} {rule}, but is {_shown(detail['input'])}", "correct it"


def _raised(detail: ErrorDetails) -> object:
    """What a model's own check raised."""
    return detail.get("ctx", {}).get("error")


def _shown(value: object) -> str:
    """A value as the file writes it, cut short."""
    text = json.dumps(value, default=str, ensure_ascii=False)
    return text if len(text) <= 40 else text[:37] + "..."


def _existing_path(loc: Path, data: Mapping[str, Any], *, missing: bool) -> Path:
    """The part of pydantic's location that leads through the data.

    Pydantic mixes in names of union members; what is not in the data is left out.
    """
    path: list[Key] = []
    place: Any = data
    for part in loc[:-1] if missing else loc:
        try:
            place = place[part]
        except (KeyError, IndexError, TypeError):
            continue
        path.append(part)
    return tuple(path)


def _last_key(path: Path) -> str | None:
    return next((part for part in reversed(path) if isinstance(part, str)), None)


def _known_keys(model: type[BaseModel], path: Path) -> list[str]:
    """The keys that the model allows at a path."""
    here: list[type[BaseModel]] = [model]
    for part in path:
        if isinstance(part, int):
            continue
        fields = [place.model_fields[part] for place in here if part in place.model_fields]
        here = [found for field in fields for found in _models_in(field.annotation)]
    return [name for place in here for name in place.model_fields]


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """The models inside an annotation such as ``tuple[Tag, ...] | None``."""
    if get_origin(annotation) is None:
        is_model = isinstance(annotation, type) and issubclass(annotation, BaseModel)
        return [annotation] if is_model else []
    return [found for part in get_args(annotation) for found in _models_in(part)]
