"""JSON documents that name their kind and schema version: their text, and reading it strictly.

Which kinds there are, and how an old version becomes the present one, is left to each model;
writing the file, to `fitscan.store.json_file`.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict

from fitscan.errors import DataError, InputError
from fitscan.store.access import read_bytes
from fitscan.store.validate import Fault, Misfit, validate

__all__ = [
    "DocumentT",
    "JsonDocument",
    "Upgrade",
    "kind_of",
    "read_json",
    "render_json",
    "seal_of",
]

_AGAIN = "make the file again, or take it from a copy"
_OTHER = "name another file"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_SEAL = "content_sha256"

Upgrade = Callable[[dict[str, Any]], dict[str, Any]]


class JsonDocument(BaseModel):
    """Base of every model that has a file of its own.

    The file's first keys are ``kind`` and ``schema_version``, from the class; the model's
    fields follow. Numbers must be finite, unknown keys are refused.

    Attributes:
        KIND: What the file is: "fitscan.survey".
        SCHEMA_VERSION: The version that this program writes, from 1.
        UPGRADES: For each older version, the function that lifts a file's content to the next.
        SEALED_FROM: The version from which the file ends with a seal, the hash of all that stands
            before it, or None. A sealed file that was changed by hand is not read.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    KIND: ClassVar[str]
    SCHEMA_VERSION: ClassVar[int]
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {}
    SEALED_FROM: ClassVar[int | None] = None


DocumentT = TypeVar("DocumentT", bound=JsonDocument)


def render_json(document: JsonDocument) -> str:
    """Return the text of a document: a line for each key, and for each entry of a list of objects.

    Numbers keep every bit, so what is read equals what was written.

    Raises:
        DataError: A number in the document is not finite.
    """
    content = {
        "kind": document.KIND,
        "schema_version": document.SCHEMA_VERSION,
        **document.model_dump(mode="json"),
    }
    lines = [f"{_compact(key)}: {_value(document, key, value)}" for key, value in content.items()]
    if document.SEALED_FROM is not None:
        lines.append(f"{_compact(_SEAL)}: {_compact(seal_of(content))}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def seal_of(content: Mapping[str, Any]) -> str:
    """Hash of a file's content but for the seal itself: 64 hexadecimal digits.

    SHA-256 (FIPS 180-4) of the JSON text with sorted keys, no spaces, and ASCII only.
    """
    rest = {key: value for key, value in content.items() if key != _SEAL}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def kind_of(path: str | os.PathLike[str]) -> str | None:
    """Kind that a file begins with, as `write_json` writes it, or None for any other file.

    Raises:
        InputError: No such file, or it may not be read.
        EnvironmentProblem: The disk failed.
    """
    found = re.match(rb'\{\s*"kind": "([a-z.]+)"', read_bytes(path)[:200])
    return found[1].decode() if found else None


def read_json(path: str | os.PathLike[str], model: type[DocumentT]) -> DocumentT:
    """Read a document of a given kind, lifting older versions to the present one.

    Raises:
        InputError: No such file, damaged JSON, another kind of file, a newer version, an
            unknown or missing key, a value that cannot be (the sentence names line or key), or
            a sealed file that was changed after it was written.
        EnvironmentProblem: The disk failed.
    """
    file = Path(path)
    raw = read_bytes(file)
    stored = _parse(file, raw)
    content = _present_version(file, stored, model)
    try:
        document = validate(model, content, _text_of(raw, stored, model))
    except Misfit as misfit:
        raise _refusal(file, misfit.fault) from misfit
    _check_seal(file, stored, model)
    return document


def _check_seal(file: Path, stored: Mapping[str, Any], model: type[JsonDocument]) -> None:
    first = model.SEALED_FROM
    if first is None or stored["schema_version"] < first:
        return
    if stored.get(_SEAL) != seal_of(stored):
        what = f"The {_plain_kind(model.KIND)} was changed after it was written"
        raise InputError(what, file, "take it from a copy; a changed one proves nothing")


def _compact(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def _value(document: JsonDocument, key: str, value: object) -> str:
    try:
        return _by_entry(value)
    except ValueError as error:
        raise DataError(
            "A number in the result is not finite and cannot be kept",
            f'{document.KIND}, key "{key}"',
            "the photos do not determine it; add photos, or leave out what they cannot show",
        ) from error


def _by_entry(value: object) -> str:
    if isinstance(value, list) and value and all(isinstance(entry, dict) for entry in value):
        return "[\n  " + ",\n  ".join(_compact(entry) for entry in value) + "\n]"
    return _compact(value)


def _parse(file: Path, raw: bytes) -> dict[str, Any]:
    """Turn bytes into an object, refusing NaN, a key given twice, and everything but an object."""
    try:
        text = raw.decode("utf-8-sig")
        content = json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        raise InputError("This is not a JSON file but something else", file, _OTHER) from error
    except json.JSONDecodeError as error:
        place = f"{file}, line {error.lineno}, column {error.colno}"
        if not raw.strip():
            raise InputError("The file is empty", file, _AGAIN) from error
        if not raw.lstrip().startswith((b"{", b"[", _BYTE_ORDER_MARK)):
            raise InputError("This is not a JSON file but something else", file, _OTHER) from error
        raise InputError("The file is damaged or cut short", place, _AGAIN) from error
    except (ValueError, RecursionError) as error:
        reason = "it is nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise InputError(f"The file cannot be used: {reason}", file, _AGAIN) from error
    if not isinstance(content, dict):
        raise InputError("This JSON file is not one of fitscan's", file, _OTHER)
    return content


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content = dict(pairs)
    if len(content) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f'the key "{twice}" stands twice in one place')
    return content


def _no_constant(name: str) -> float:
    raise ValueError(f"it holds {name}, which is no measurement")


def _present_version(
    file: Path, content: dict[str, Any], model: type[JsonDocument]
) -> dict[str, Any]:
    """Check kind and version, and return the rest of the content in the present version."""
    kind, version = content.get("kind"), content.get("schema_version")
    if kind != model.KIND:
        needed = _plain_kind(model.KIND)
        if isinstance(kind, str):
            what = f"This is a {_plain_kind(kind)}, and a {needed} is needed"
        else:
            what = f"This JSON file does not say of what kind it is, and a {needed} is needed"
        raise InputError(what, file, _OTHER)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        what = 'The key "schema_version" is missing or not a whole number from 1'
        raise InputError(what, file, _AGAIN)
    if version > model.SCHEMA_VERSION:
        what = (
            f"The file was written by a newer fitscan (schema version {version}, "
            f"and this one reads up to {model.SCHEMA_VERSION})"
        )
        raise InputError(what, file, "update fitscan")
    content = {key: value for key, value in content.items() if key not in _envelope(model, version)}
    for old in range(version, model.SCHEMA_VERSION):
        try:
            content = model.UPGRADES[old](content)
        except (LookupError, TypeError, ValueError, AttributeError) as error:
            what = f"The file says schema version {version} and lacks what that version must have"
            raise InputError(what, file, _AGAIN) from error
    return content


def _text_of(raw: bytes, stored: dict[str, Any], model: type[JsonDocument]) -> bytes | None:
    """A file's text without its envelope, where it stands as we write it and of this version."""
    if stored["schema_version"] != model.SCHEMA_VERSION:
        return None
    head = b'{\n"kind": "%b",\n"schema_version": %d,\n' % (
        model.KIND.encode(),
        model.SCHEMA_VERSION,
    )
    tail = b"\n}\n"
    if model.SEALED_FROM is not None:
        # Half a character, which no seal has, must not stop the reading: the seal is judged later.
        seal = _compact(stored.get(_SEAL)).encode(errors="surrogatepass")
        tail = b',\n"content_sha256": %b%b' % (seal, tail)
    if not (raw.startswith(head) and raw.endswith(tail)):
        return None
    return b"{" + raw[len(head) : len(raw) - len(tail)] + b"}"


def _envelope(model: type[JsonDocument], version: int) -> set[str]:
    """The keys that are the file's and not the model's."""
    sealed = model.SEALED_FROM is not None and version >= model.SEALED_FROM
    return {"kind", "schema_version"} | ({_SEAL} if sealed else set())


def _plain_kind(kind: str) -> str:
    """Call a kind what people call it: "fitscan.survey" is a survey file of fitscan."""
    program, _, name = kind.partition(".")
    return f"{name} file of {program}" if name else f'file of kind "{kind}"'


def _refusal(file: Path, fault: Fault) -> InputError:
    place = "at " + ".".join(str(part) for part in fault.path) if fault.path else ""
    where = ", ".join(words for words in (str(file), place, fault.others()) if words)
    return InputError(fault.what, where, fault.todo)
