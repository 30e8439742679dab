"""Arrays kept for later, in a file that says whose they are and shows when a byte of it turned.

Only what can be worked out anew is kept so: whatever is wrong with a file, it is as if it were not
there.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fitscan.errors import FitscanError
from fitscan.store.whole import write_whole

__all__ = ["keep_arrays", "recall_arrays"]

_SEAL_BYTES = 32

Arrays = Mapping[str, npt.NDArray[np.generic]]


def keep_arrays(place: Path, arrays: Mapping[str, npt.ArrayLike]) -> bool:
    """Write arrays of numbers or words; whether that worked."""
    stream = io.BytesIO()
    named = {"name": place.name, **arrays}
    np.savez(stream, allow_pickle=False, **{k: np.asarray(v) for k, v in named.items()})
    content = stream.getvalue()
    try:
        # Not on a job's list: what can be worked out anew is no file of the job.
        write_whole(place, hashlib.sha256(content).digest() + content, replace=True)
    except FitscanError:
        return False
    return True


def recall_arrays(place: Path) -> Arrays | None:
    """The arrays, or None: never kept, torn, spoilt by the disk, or of another name."""
    try:
        content = place.read_bytes()
        seal, content = content[:_SEAL_BYTES], content[_SEAL_BYTES:]
        if hashlib.sha256(content).digest() != seal:
            return None
        with np.load(io.BytesIO(content), allow_pickle=False) as entry:
            arrays = dict(entry)
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
        return None
    return arrays if str(arrays.pop("name", "")) == place.name else None
