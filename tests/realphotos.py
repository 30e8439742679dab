"""Where the real phone photos are that some tests measure; they are no part of the project.

They come from the repository swatbotics/apriltag, commit 427a42c (BSD-2), see the tests.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

_BESIDE = Path(__file__).resolve().parents[2] / "shared" / "realphotos"


def real_photos(folder: str) -> Path:
    """Return a folder of real photos, or skip the test with the reason."""
    place = Path(os.environ.get("FITSCAN_REALPHOTOS", _BESIDE)) / folder
    if not place.is_dir():
        pytest.skip("the real phone photos are not here; FITSCAN_REALPHOTOS names their folder")
    return place
