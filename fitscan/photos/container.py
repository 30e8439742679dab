"""What a photo file is, how large its picture is, and whether it is whole, before decoding it.

What EXIF says is left to `exif`, pixels to `read`. Only the first bytes of a JPEG or PNG file are
looked at, so that a folder of photos can be listed quickly and a giant is refused unopened.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from fitscan.errors import InputError

__all__ = [
    "MAX_PIXELS",
    "Container",
    "Kind",
    "PhotoProblem",
    "check_size",
    "check_whole",
    "photo_kind",
    "scan_container",
]

MAX_PIXELS = 150_000_000
"""What more a phone's largest setting gives is made up by its program, costs gigabytes of memory,
and measures no better (common practice, no source); far more is an attack on the memory."""

Kind = Literal["jpeg", "png", "heic"]

_AGAIN = "copy it from the phone again"
_AS_JPEG = "save it as JPEG on the phone, at full size"
_MAX_SEGMENTS = 10_000
_RAW_SUFFIXES = {".dng", ".arw", ".cr2", ".cr3", ".nef", ".orf", ".raf", ".raw", ".rw2", ".srw"}
_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_FILM_BRANDS = {b"qt  ", b"isom", b"iso2", b"iso4", b"iso5", b"iso6", b"mp41", b"mp42", b"M4V "}


class PhotoProblem(InputError):  # noqa: N818  - a photo is at fault, not the program
    """One photo cannot be used; the others may be."""


@dataclass(frozen=True)
class Container:
    """The outside of a photo file.

    Attributes:
        kind: of file.
        width_px, height_px: of the stored pixels.
        exif: the block of EXIF, starting at its TIFF header or at "Exif", or None.
        picture_at: offset of the first byte of the compressed picture (JPEG only, else 0).
        progressive: a JPEG that holds the whole picture coarsely before it holds it finely.
    """

    kind: Kind
    width_px: int
    height_px: int
    exif: bytes | None
    picture_at: int = 0
    progressive: bool = False


def photo_kind(head: bytes, path: Path) -> Kind:
    """Kind of a photo by its first 64 bytes; the name's ending only helps to word a refusal.

    Raises:
        PhotoProblem: empty, a raw file, a film, another kind of picture, or no picture.
    """
    if not head:
        raise PhotoProblem("This photo is empty", path, _AGAIN)
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    brands = _brands(head)
    if brands & {b"avif", b"avis"}:
        raise PhotoProblem(
            "This photo is an AVIF file, which fitscan does not read", path, _AS_JPEG
        )
    if brands & _HEIC_BRANDS:
        return "heic"
    if brands & _FILM_BRANDS and b"crx " not in brands:
        raise PhotoProblem("This is a film, not a photo", path, "take single photos")
    if brands & {b"crx "} or _looks_raw(head, path):
        raise PhotoProblem("This is a raw or DNG file, which fitscan does not read", path, _AS_JPEG)
    if head[:4] in (b"II*\x00", b"MM\x00*") or head[8:12] == b"WEBP" or head[:4] == b"GIF8":
        raise PhotoProblem("This kind of picture is not read by fitscan", path, _AS_JPEG)
    raise PhotoProblem(
        "This file is not a photo, whatever its name says", path, "remove it, or " + _AGAIN
    )


def scan_container(stream: BinaryIO, kind: Kind, path: Path) -> Container:
    """Read the outside of a JPEG or PNG file from its start (HEIC is left to its library).

    Raises:
        PhotoProblem: damaged, cut short within its head, or more than `MAX_PIXELS`.
    """
    try:
        found = _scan_jpeg(stream, path) if kind == "jpeg" else _scan_png(stream, path)
    except struct.error:
        raise _cut_short(path) from None
    check_size(found.width_px, found.height_px, path)
    return found


def check_size(width_px: int, height_px: int, path: Path) -> None:
    """Refuse a picture without pixels or with more than `MAX_PIXELS`.

    Raises:
        PhotoProblem: see above.
    """
    if width_px < 1 or height_px < 1:
        raise _damaged(path)
    if width_px * height_px > MAX_PIXELS:
        most = f"{MAX_PIXELS // 1_000_000} megapixels"
        raise PhotoProblem(
            f"This photo of {width_px} x {height_px} px is larger than {most}",
            path,
            "use the phone's normal photo size",
        )


def check_whole(data: bytes, container: Container, path: Path) -> None:
    """Refuse a JPEG or PNG file that ends before its picture does.

    In a JPEG's compressed picture every byte 0xFF is followed by 0x00 or a restart marker, so the
    end-of-image marker cannot occur in it by chance (ITU-T T.81, B.1.1.5); phones may append
    other data after it.

    Raises:
        PhotoProblem: the end is missing.
    """
    end = b"\xff\xd9" if container.kind == "jpeg" else b"IEND"
    # From the end, where it usually stands.
    if container.kind != "heic" and data.rfind(end, container.picture_at) < 0:
        raise _cut_short(path)


def _brands(head: bytes) -> set[bytes]:
    """The brands of an ISO media file (ISO/IEC 14496-12, box ftyp), empty for other files."""
    if head[4:8] != b"ftyp":
        return set()
    stop = min(len(head), int.from_bytes(head[:4], "big"))
    return {head[i : i + 4] for i in range(8, stop - 3, 4)}


def _looks_raw(head: bytes, path: Path) -> bool:
    tiff = head[:4] in (b"II*\x00", b"MM\x00*", b"IIRO", b"IIU\x00", b"IIRS")
    return head.startswith(b"FUJIFILMCCD-RAW") or (
        tiff and (path.suffix.lower() in _RAW_SUFFIXES or head[8:10] == b"CR")
    )


def _scan_jpeg(stream: BinaryIO, path: Path) -> Container:
    """Walk the marker segments up to the compressed picture (ITU-T T.81, annex B)."""
    stream.seek(2)
    exif: bytes | None = None
    size: tuple[int, int] | None = None
    progressive = False
    for _ in range(_MAX_SEGMENTS):
        code = _next_marker(stream, path)
        if code in (0x01, *range(0xD0, 0xD8)):  # markers without content
            continue
        length = struct.unpack(">H", stream.read(2))[0] - 2
        if code == 0xD9 or length < 0:
            break
        if code == 0xDA:
            if size is None:
                break
            picture_at = stream.tell() + length
            return Container("jpeg", size[0], size[1], exif, picture_at, progressive)
        start = stream.tell()
        if 0xC0 <= code <= 0xCF and code not in (0xC4, 0xC8, 0xCC):
            height, width = struct.unpack(">xHH", stream.read(5))
            size = (width, height)
            progressive = code in (0xC2, 0xC6, 0xCA, 0xCE)
        elif code == 0xE1 and exif is None:
            content = stream.read(length)
            exif = content if content.startswith(b"Exif\x00\x00") else None
        stream.seek(start + length)
    raise _damaged(path)


def _next_marker(stream: BinaryIO, path: Path) -> int:
    lead, code = struct.unpack("BB", stream.read(2))
    if lead != 0xFF:
        raise _damaged(path)
    for _ in range(_MAX_SEGMENTS):
        if code != 0xFF:
            return int(code)
        code = struct.unpack("B", stream.read(1))[0]  # fill bytes
    raise _damaged(path)


def _scan_png(stream: BinaryIO, path: Path) -> Container:
    """Walk the chunks (W3C PNG specification, third edition); EXIF may follow the picture."""
    stream.seek(8)
    size: tuple[int, int] | None = None
    exif: bytes | None = None
    for _ in range(_MAX_SEGMENTS):
        length, kind = struct.unpack(">I4s", stream.read(8))
        start = stream.tell()
        if kind == b"IHDR":
            size = struct.unpack(">II", stream.read(8))
        elif kind == b"eXIf" and length < 1 << 20:
            exif = stream.read(length)
        elif kind == b"IEND":
            break
        stream.seek(start + length + 4)
    if size is None:
        raise _damaged(path)
    return Container("png", size[0], size[1], exif)


def _cut_short(path: Path) -> PhotoProblem:
    return PhotoProblem("This photo is cut short, its end is missing", path, _AGAIN)


def _damaged(path: Path) -> PhotoProblem:
    return PhotoProblem("This photo is damaged and cannot be opened", path, _AGAIN)
