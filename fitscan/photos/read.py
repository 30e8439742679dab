"""Read one photo: grey pixels in the sensor's orientation, its identity and its fingerprint.

Finding the photos of a folder is left to `shoot`; the camera's lens to `fitscan.lens`. EXIF's
rotation is never applied to pixels that are measured in.
"""

from __future__ import annotations

import hashlib
import io
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from fitscan.photos.container import (
    Container,
    PhotoProblem,
    check_whole,
    photo_kind,
    scan_container,
)
from fitscan.photos.exif import ExifFacts, read_exif
from fitscan.photos.heic import decode_heic, scan_heic
from fitscan.photos.identity import CameraIdentity
from fitscan.photos.orientation import turned_upright
from fitscan.store.access import read_bytes, read_refusal

__all__ = ["GreyPixels", "Photo", "PhotoHeader", "read_header", "read_photo", "read_rgb"]

GreyPixels = npt.NDArray[np.uint8]

_HEAD = 64
_CUT = "it was cut out of a photo of"
# Bytes taken off a suspicious JPEG's end, see `_fill_shows`.
_TAIL = 8


@dataclass(frozen=True)
class PhotoHeader:
    """What a photo says of itself, without its pixels.

    Attributes:
        path: the file; name: its last part.
        identity: of the camera.
        orientation: EXIF 1 to 8: how to turn the pixels for people.
        taken_at: local time of the phone, or None.
        edited: how the pixels differ from what EXIF states ("a smaller copy of ..."), or None.
        changed_at: when the file was last written, as far as it says.
        screenshot: whether the phone calls it a picture of its own screen.
        cut: whether it was cut out of a larger picture, so that its middle is not the lens's.
    """

    path: Path
    name: str
    identity: CameraIdentity
    orientation: int
    taken_at: datetime | None
    edited: str | None
    changed_at: datetime | None = None
    screenshot: bool = False
    cut: bool = False


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo, ready to be measured in.

    Attributes:
        path: the file; name: its last part.
        sha256: of the file's bytes, 64 hexadecimal digits.
        identity: of the camera.
        grey: (height, width) uint8 in the sensor's orientation.
        orientation: EXIF 1 to 8: how to turn the pixels for people.
        taken_at: local time of the phone, or None.
        edited: how the pixels differ from what EXIF states ("a smaller copy of ..."), or None.
    """

    path: Path
    name: str
    sha256: str
    identity: CameraIdentity
    grey: GreyPixels
    orientation: int
    taken_at: datetime | None
    edited: str | None


def read_header(path: str | os.PathLike[str]) -> PhotoHeader:
    """Read EXIF and size; a JPEG's or PNG's pixels are not touched.

    Raises:
        PhotoProblem: not a photo that fitscan reads, damaged in its head, or too large.
        InputError: no such file, or it may not be read.
        EnvironmentProblem: the disk failed.
    """
    file = Path(path)
    try:
        with file.open("rb") as stream:
            kind = photo_kind(stream.read(_HEAD), file)
            if kind != "heic":
                return _header(file, scan_container(stream, kind, file))
    except OSError as error:
        raise read_refusal(error, file) from error
    return _header(file, scan_heic(read_bytes(file), file))


def read_photo(path: str | os.PathLike[str]) -> Photo:
    """Read a whole photo; its bytes are read once and decoded once, straight to grey.

    Raises:
        PhotoProblem: not a photo that fitscan reads, damaged, cut short, or too large.
        InputError: no such file, or it may not be read.
        EnvironmentProblem: the disk failed.
    """
    file = Path(path)
    data = read_bytes(file)
    container, grey = _decode(data, file, colour=False)
    header = _header(file, container)
    return Photo(
        file,
        file.name,
        hashlib.sha256(data).hexdigest(),
        header.identity,
        grey,
        header.orientation,
        header.taken_at,
        header.edited,
    )


def read_rgb(path: str | os.PathLike[str], *, upright: bool = True) -> npt.NDArray[np.uint8]:
    """Read a photo in colour, (height, width, 3) uint8 red, green, blue, for pictures in reports.

    Args:
        path: the photo.
        upright: turn it as people see it; False keeps the sensor's orientation.

    Raises:
        as `read_photo`.
    """
    file = Path(path)
    container, rgb = _decode(read_bytes(file), file, colour=True)
    return turned_upright(rgb, read_exif(container.exif).orientation) if upright else rgb


def _decode(data: bytes, path: Path, *, colour: bool) -> tuple[Container, npt.NDArray[np.uint8]]:
    """Pixels in the sensor's orientation: (h, w) grey or (h, w, 3) RGB."""
    kind = photo_kind(data[:_HEAD], path)
    if kind == "heic":
        container, rgb = decode_heic(data, path)
        return container, rgb if colour else _luminance(rgb)
    stream: BinaryIO = io.BytesIO(data)
    container = scan_container(stream, kind, path)
    check_whole(data, container, path)
    pixels = _cv_pixels(data, colour=colour)
    if pixels is None or pixels.shape[:2] != (container.height_px, container.width_px):
        raise _undecodable(path)
    if kind == "jpeg" and _fill_shows(data, container, pixels):
        raise PhotoProblem(
            "This photo is damaged, its lower part is missing", path, "copy it from the phone again"
        )
    return container, pixels


def _cv_pixels(data: bytes, *, colour: bool) -> npt.NDArray[np.uint8] | None:
    import cv2

    # Grey comes straight from a JPEG's luminance, which costs a third of a colour decode.
    flags = cv2.IMREAD_COLOR if colour else cv2.IMREAD_GRAYSCALE
    try:
        out = cv2.imdecode(np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error:
        return None
    if out is None:
        return None
    return np.ascontiguousarray(out[..., ::-1] if colour else out, dtype=np.uint8)


def _luminance(rgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    import cv2

    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _fill_shows(data: bytes, container: Container, pixels: npt.NDArray[np.uint8]) -> bool:
    """Whether the decoder ran out of data above the last rows and filled them with one grey.

    A flat strip alone proves nothing: it may be a dark floor. But where data ran out, taking a
    few more bytes off the end changes pixels above the strip, and a real strip keeps them. The
    bytes may be colour, so colours are compared; they blur over two rows. A progressive file has
    no such strip: what is missing there is sharpness.
    """
    height = len(pixels)
    if container.progressive or height < 64:
        return False
    if pixels[-16:].min() != pixels[-16:].max():
        return False
    end = data.find(b"\xff\xd9", container.picture_at)
    whole = _cv_pixels(data, colour=True)
    shorter = _cv_pixels(data[: end - _TAIL] + data[end:], colour=True)
    if whole is None or shorter is None or shorter.shape != whole.shape:
        return False
    flat = np.all(pixels.reshape(height, -1) == pixels[-1].ravel()[0], axis=1)
    first_flat = height - int(np.argmin(np.append(flat[::-1], False)))
    changed = np.flatnonzero(np.any((whole != shorter).reshape(height, -1), axis=1))
    return len(changed) > 0 and int(changed[0]) < first_flat - 4


def _header(path: Path, container: Container) -> PhotoHeader:
    facts = read_exif(container.exif)
    identity = CameraIdentity(
        facts.maker,
        facts.model,
        facts.lens,
        facts.focal_length_mm,
        facts.focal_35mm,
        facts.digital_zoom,
        container.width_px,
        container.height_px,
    )
    edited = _edited(facts, container)
    return PhotoHeader(
        path,
        path.name,
        identity,
        facts.orientation,
        facts.taken_at,
        edited,
        facts.changed_at,
        facts.screenshot,
        edited is not None and edited.startswith(_CUT),
    )


def _edited(facts: ExifFacts, container: Container) -> str | None:
    """How the stored pixels differ from the size that EXIF states; phones state it exactly."""
    if facts.stated_size is None:
        return None
    stated, stored = facts.stated_size, (container.width_px, container.height_px)
    if stored == stated:
        return None
    if stored == stated[::-1]:
        return "its pixels were turned by a program"
    scale = stored[0] / stated[0]
    if abs(stored[1] - scale * stated[1]) <= 1.0:
        word = "smaller" if scale < 1 else "larger"
        return f"it is a {word} copy of a photo of {stated[0]} x {stated[1]} px"
    return f"{_CUT} {stated[0]} x {stated[1]} px"


def _undecodable(path: Path) -> PhotoProblem:
    return PhotoProblem(
        "This photo is damaged and cannot be opened", path, "copy it from the phone again"
    )
