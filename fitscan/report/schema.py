"""JSON Schema (draft 2020-12) of every JSON file that fitscan writes, from the models themselves.

What the files mean stands with the models; every module whose name ends in `_file` is looked at,
so a new kind of file needs no line here.
"""

from __future__ import annotations

import inspect
import json
import pkgutil
from functools import lru_cache
from importlib import import_module
from typing import Any

import fitscan
from fitscan.errors import InputError
from fitscan.store.json_file import JsonDocument

__all__ = ["kinds", "schema_of", "schema_text"]

_DRAFT = "https://json-schema.org/draft/2020-12/schema"


@lru_cache(maxsize=1)
def _models() -> dict[str, type[JsonDocument]]:
    found: dict[str, type[JsonDocument]] = {}
    for info in pkgutil.walk_packages(fitscan.__path__, "fitscan."):
        if not info.name.endswith("_file") or info.name == JsonDocument.__module__:
            continue
        for value in vars(import_module(info.name)).values():
            mine = inspect.isclass(value) and value.__module__ == info.name
            if mine and issubclass(value, JsonDocument) and hasattr(value, "KIND"):
                found[value.KIND] = value
    return dict(sorted(found.items()))


def kinds() -> list[str]:
    """Kinds of files, as they name themselves."""
    return list(_models())


def schema_of(kind: str) -> dict[str, Any]:
    """JSON Schema of a kind, with or without its "fitscan." before it.

    Raises:
        InputError: no such kind.
    """
    full = kind if kind.startswith("fitscan.") else f"fitscan.{kind}"
    model = _models().get(full)
    if model is None:
        known = ", ".join(k.partition(".")[2] for k in _models())
        raise InputError(f"There is no kind of file {kind!r}", "schema", f"use one of: {known}")
    schema = model.model_json_schema(mode="serialization")
    head: dict[str, Any] = {
        "kind": {"const": model.KIND},
        "schema_version": {"const": model.SCHEMA_VERSION},
    }
    tail: dict[str, Any] = {}
    if model.SEALED_FROM is not None:
        tail["content_sha256"] = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    required = [*head, *schema.get("required", []), *tail]
    return {
        "$schema": _DRAFT,
        **schema,
        "properties": {**head, **schema["properties"], **tail},
        "required": required,
    }


def schema_text(kind: str) -> str:
    """The same as text."""
    return json.dumps(schema_of(kind), indent=1, ensure_ascii=False)
