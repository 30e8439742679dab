"""What a first look found, kept by the photo's content: a second survey looks at new photos only.

A first look depends on the photo and on the finder alone, not on the kit. Entries that cannot be
read are found anew; looking itself is left to `photo_work`.
"""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache
from pathlib import Path

import numpy as np

from fitscan.detect.tags import Detections
from fitscan.errors import FitscanError
from fitscan.store.atomic import write_new

__all__ = ["keep", "recall"]

Look = tuple[str, int, Detections]
"""Hash of the file's bytes, EXIF orientation, tags found."""


def recall(folder: Path, sha256: str) -> Look | None:
    """What was found in the photo with these bytes, or None: never seen, or unreadable."""
    try:
        entry = json.loads(_place(folder, sha256).read_bytes())
        ids = np.array(entry["ids"], dtype=np.intp).reshape(-1)
        corners = np.array(entry["corners_px"], dtype=np.float64).reshape(-1, 4, 2)
        doubles = tuple(int(i) for i in entry["doubles"])
        orientation = int(entry["orientation"])
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None
    whole = len(ids) == len(corners) and len(set(ids.tolist())) == len(ids)
    if entry.get("sha256") != sha256 or not whole or not np.isfinite(corners).all():
        return None
    return sha256, orientation, Detections(ids, corners, doubles)


def keep(folder: Path, look: Look) -> None:
    """Write an entry; that it cannot be written costs time later and nothing else."""
    sha256, orientation, found = look
    entry = {
        "sha256": sha256,
        "orientation": orientation,
        "ids": found.ids.tolist(),
        "corners_px": found.corners_px.tolist(),
        "doubles": list(found.doubles),
    }
    try:
        write_new(_place(folder, sha256), json.dumps(entry).encode(), replace=True)
    except FitscanError:
        return


def _place(folder: Path, sha256: str) -> Path:
    return folder / f"{sha256[:32]}-{_finder()}.json"


@lru_cache(maxsize=1)
def _finder() -> str:
    """Fingerprint of everything that finds tags: a changed line makes the old entries useless."""
    import cv2

    digest = hashlib.sha256(f"{cv2.__version__} {np.__version__}".encode())
    package = Path(__file__).resolve().parent.parent
    for part in ("detect", "photos"):
        for source in sorted((package / part).glob("*.py")):
            digest.update(source.read_bytes())
    digest.update((package / "markers" / "family.py").read_bytes())
    return digest.hexdigest()[:16]
