"""Arrays kept for later, in a file that says whose they are and shows when a byte of it turned.

Only what can be worked out anew is kept so: whatever is wrong with a file, it is as if it were not
there.
"""

from __future__ import annotations

import hashlib
import io
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
    named = {k: np.asarray(v) for k, v in {"name": place.name, **arrays}.items()}
    # One record with a field for each array: many arrays in one file take four times as long.
    record = np.zeros(1, np.dtype([(k, v.dtype, v.shape) for k, v in named.items()]))
    for field, array in named.items():
        record[field][0] = array
    stream = io.BytesIO()
    np.save(stream, record, allow_pickle=False)
    content = stream.getvalue()
    try:
        # Not on a job's list: what can be worked out anew is no file of the job.
        write_whole(place, hashlib.sha256(content).digest() + content, replace=True, lasting=False)
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
        record = np.load(io.BytesIO(content), allow_pickle=False)
        arrays = {field: record[field][0] for field in record.dtype.names or ()}
    except (OSError, ValueError, KeyError, TypeError, EOFError, AttributeError):
        return None
    return arrays if str(arrays.pop("name", "")) == place.name else None
