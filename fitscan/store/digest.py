"""The fingerprint of a file, by which a record knows its photos again.

Where fingerprints are kept and compared is left to the records.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from fitscan.store.access import read_refusal

__all__ = ["sha256_of_file"]

_CHUNK = 1 << 20


def sha256_of_file(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes as 64 lower-case hexadecimal digits.

    The algorithm is that of FIPS 180-4. The file is read in pieces, so its size is no matter.

    Raises:
        InputError: There is no such file, or it may not be read.
        EnvironmentProblem: The disk failed.
    """
    digest = hashlib.sha256()
    try:
        with Path(path).open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                digest.update(chunk)
    except OSError as error:
        raise read_refusal(error, Path(path)) from error
    return digest.hexdigest()
