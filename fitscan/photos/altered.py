"""Files among a shoot's photos that are no longer as the phone took them, or never were a photo.

Which camera took a photo is left to `identity`, copies byte for byte to `shoot`, and the same
picture saved again to whoever has found the tags in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

from fitscan.photos.read import PhotoHeader

__all__ = ["altered_among"]

# What phones and computers name pictures of their screens (common practice, no source).
_SCREEN_NAMES = ("screenshot", "screen shot", "bildschirmfoto", "screen_shot", "scrnshot")

_WRITTEN_LATE = timedelta(minutes=2)
"""Phones write a photo within seconds, a night shot within half a minute (common practice)."""


def altered_among(headers: Sequence[PhotoHeader]) -> dict[Path, str]:
    """Photos that cannot be measured in, with the reason in words.

    A photo that a program wrote again later is refused only when most others of the shoot were
    not: where all of them were, it was their way to the computer, and the survey judges them.
    """
    refused: dict[Path, str] = {}
    late = [h for h in headers if _written_late(h) is not None]
    for header in headers:
        if _is_screenshot(header):
            refused[header.path] = "it is a picture of a screen, not a photo"
        elif header.cut and header.edited is not None:
            refused[header.path] = f"{header.edited}, so the lens's middle is not known in it"
        elif 2 * len(late) < len(headers) and header in late:
            refused[header.path] = (
                f"a program changed it {_written_late(header)} after it was taken, and may have "
                "bent or moved its lines"
            )
    return refused


def _is_screenshot(header: PhotoHeader) -> bool:
    named = header.name.casefold().startswith(_SCREEN_NAMES)
    return header.screenshot or (named and header.identity.focal_length_mm is None)


def _written_late(header: PhotoHeader) -> str | None:
    """How long after it was taken a photo was written again, in words, or None."""
    if header.taken_at is None or header.changed_at is None:
        return None
    later = header.changed_at - header.taken_at
    if later < _WRITTEN_LATE:
        return None
    minutes = int(later.total_seconds() // 60)
    for size, word in ((1440, "day"), (60, "hour"), (1, "minute")):
        if minutes >= size:
            count = minutes // size
            return f"{count} {word}" + ("s" if count > 1 else "")
    return None
