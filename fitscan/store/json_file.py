"""JSON documents as files: written whole or not at all, and listed where a job keeps a list.

Their text, and reading it strictly, is left to `fitscan.store.document`, whose names are here too.
"""

from __future__ import annotations

import os

from fitscan.store.atomic import write_new
from fitscan.store.document import JsonDocument, Upgrade, kind_of, read_json, render_json

__all__ = ["JsonDocument", "Upgrade", "kind_of", "read_json", "render_json", "write_json"]


def write_json(
    path: str | os.PathLike[str], document: JsonDocument, *, replace: bool = False
) -> None:
    """Write a document whole or not at all; errors as `fitscan.store.atomic.write_new`."""
    write_new(path, render_json(document).encode("utf-8"), replace=replace)
