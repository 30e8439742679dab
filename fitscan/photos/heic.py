"""HEIC files, decoded in a process of their own so that a damaged one cannot take fitscan down.

What EXIF says is left to `exif`; JPEG and PNG, whose decoders are sturdy, to `read`.
"""

from __future__ import annotations

import base64
import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fitscan.errors import EnvironmentProblem
from fitscan.photos.container import MAX_PIXELS, Container, PhotoProblem, check_size
from fitscan.photos.exif import read_exif
from fitscan.photos.orientation import turned_to_sensor

__all__ = ["decode_heic", "is_turned", "scan_heic"]

_LONGEST_S = 60.0
_CHILD = Path(__file__).with_name("heic_child.py")


@dataclass(frozen=True)
class _Head:
    """What the child says before the pixels: size as decoded, EXIF, and channels (0: no pixels)."""

    width: int
    height: int
    exif: bytes | None
    channels: int


def scan_heic(data: bytes, path: Path) -> Container:
    """Size in the sensor's orientation, and EXIF, without decoding.

    Raises:
        PhotoProblem: damaged, cut short, or more than `MAX_PIXELS`.
        EnvironmentProblem: the decoder cannot be started.
    """
    head, _ = _child_says(data, path, most_pixels=0)
    return _container(head, data, path)


def decode_heic(data: bytes, path: Path) -> tuple[Container, npt.NDArray[np.uint8]]:
    """The same with the pixels (h, w, 3) red, green, blue, in the sensor's orientation.

    Raises:
        as `scan_heic`.
    """
    head, raw = _child_says(data, path, most_pixels=MAX_PIXELS)
    container = _container(head, data, path)
    stored = np.frombuffer(raw, np.uint8).reshape(head.height, head.width, head.channels)
    if head.channels < 3:
        stored = np.repeat(stored[..., :1], 3, axis=2)
    return container, turned_to_sensor(stored[..., :3], _turn(head, data))


def is_turned(data: bytes) -> bool:
    """Whether a HEIC file tells its decoder to turn or mirror the picture (boxes irot, imir).

    Source: ISO/IEC 23008-12 (HEIF), 6.5.10 and 6.5.12: such boxes are always obeyed, and EXIF's
    orientation never is, so EXIF says what was done to the pixels only where a box is there.
    """
    meta = _box(data, b"meta", 0, len(data))
    iprp = _box(data, b"iprp", meta[0] + 4, meta[1]) if meta else None
    ipco = _box(data, b"ipco", *iprp) if iprp else None
    return ipco is not None and any(_box(data, kind, *ipco) for kind in (b"irot", b"imir"))


def _turn(head: _Head, data: bytes) -> int:
    """The orientation that the decoder has applied to the pixels already, 1 for none."""
    return read_exif(head.exif).orientation if is_turned(data) else 1


def _container(head: _Head, data: bytes, path: Path) -> Container:
    check_size(head.width, head.height, path)
    if _turn(head, data) > 4:
        return Container("heic", head.height, head.width, head.exif)
    return Container("heic", head.width, head.height, head.exif)


def _child_says(data: bytes, path: Path, most_pixels: int) -> tuple[_Head, bytes]:
    """Run the decoder: head and pixels."""
    command = [sys.executable, str(_CHILD), str(most_pixels)]
    try:
        done = subprocess.run(
            command, input=data, capture_output=True, timeout=_LONGEST_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise _damaged(path) from None
    except OSError as error:
        raise _no_decoder(path) from error
    if done.returncode == 1:  # Python's own exit code: the library is missing or broken
        raise _no_decoder(path)
    if done.returncode != 0:
        raise _damaged(path)
    line, _, raw = done.stdout.partition(b"\n")
    said = json.loads(line)
    exif = base64.b64decode(said["exif"]) if said["exif"] else None
    return _Head(said["width"], said["height"], exif, said["channels"]), raw


def _box(data: bytes, kind: bytes, start: int, stop: int) -> tuple[int, int] | None:
    """Content (start, stop) of the first box of a kind between two offsets (ISO/IEC 14496-12)."""
    while start + 8 <= stop:
        size, found = int.from_bytes(data[start : start + 4], "big"), data[start + 4 : start + 8]
        header = 8
        if size == 1:
            size, header = int.from_bytes(data[start + 8 : start + 16], "big"), 16
        end = stop if size == 0 else start + size
        if end > stop or end < start + header:
            return None
        if found == kind:
            return start + header, end
        start = end
    return None


def _damaged(path: Path) -> PhotoProblem:
    return PhotoProblem(
        "This HEIC photo is damaged and cannot be opened", path, "copy it from the phone again"
    )


def _no_decoder(path: Path) -> EnvironmentProblem:
    return EnvironmentProblem(
        "The program part that decodes HEIC photos (pi-heif) does not start",
        path,
        "install fitscan again, or save the photos as JPEG",
    )
