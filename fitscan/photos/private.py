"""A photo without what is private in it: place, serial numbers, maker notes, previews, comments.

The compressed picture stays bit for bit as the phone wrote it; only what stands round it is written
anew, with the little that a survey needs. What EXIF's entries mean is left to `exif`.
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from pathlib import Path

from fitscan.photos.container import PhotoProblem, photo_kind, scan_container
from fitscan.photos.exif import exif_block, is_bare, read_exif
from fitscan.photos.heic import is_turned, scan_heic

__all__ = ["without_private_data"]

_KEPT_JPEG = {0xE0: b"JFIF\x00", 0xE2: b"ICC_PROFILE\x00", 0xEE: b"Adobe"}
"""Application segments that change how the pixels look: density, colour profile, colour space."""

# In compressed data 0xFF is followed by 0x00, a restart marker or fill bytes (ITU-T T.81, B.1.1.2).
_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")

_XMP = re.compile(rb"<\?xpacket begin.*?<\?xpacket end[^>]*>|<x:xmpmeta.*?</x:xmpmeta>", re.DOTALL)
_KEPT_PNG = {b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"gAMA", b"cHRM", b"sRGB", b"iCCP"}
_PNG_HEAD = 8


def without_private_data(data: bytes, path: Path) -> bytes:
    """Return the photo's bytes with the same compressed picture and without what is private.

    Kept of EXIF: maker, model, lens, focal lengths, digital zoom, orientation, size. Removed: all
    else in EXIF with its preview, XMP, IPTC, maker's segments, comments, and what follows the
    picture (films, depth maps, further pictures). A photo that holds none of it comes back as
    it is.

    Args:
        data: the file's bytes.
        path: of the file, for the error.

    Raises:
        PhotoProblem: not a photo that fitscan reads, or damaged so that the parts cannot be told
            apart.
        EnvironmentProblem: the HEIC decoder cannot be started.
    """
    kind = photo_kind(data[:64], path)
    try:
        if kind == "heic":
            return _heic(data, path)
        container = scan_container(io.BytesIO(data), kind, path)
        exif = exif_block(read_exif(container.exif))
        return _jpeg(data, exif) if kind == "jpeg" else _png(data, exif)
    except (struct.error, IndexError):
        raise _mixed_up(path) from None


def _jpeg(data: bytes, exif: bytes | None) -> bytes:
    """Copy marker segments (ITU-T T.81, annex B) up to the end of the first picture."""
    out = [b"\xff\xd8"]
    head = b"" if exif is None else b"Exif\x00\x00" + exif
    at = 2
    while True:
        while data[at + 1] == 0xFF:  # fill bytes
            at += 1
        code = data[at + 1]
        if data[at] != 0xFF:
            raise IndexError
        if code == 0xD9:
            out.append(b"\xff\xd9")
            return b"".join(out)
        stop = at + 2 + struct.unpack_from(">H", data, at + 2)[0]
        if stop > len(data):
            raise IndexError
        if code == 0xE0 and data.startswith(b"JFIF\x00", at + 4):
            out.append(_without_thumbnail(data[at:stop]))
        elif not 0xE0 <= code <= 0xEF and code != 0xFE:
            if head:  # EXIF stands before all that is no application segment
                out.append(b"\xff\xe1" + struct.pack(">H", len(head) + 2) + head)
                head = b""
            if code == 0xDA:
                found = _MARKER.search(data, stop)
                stop = found.start() if found else len(data) + 1
            out.append(data[at:stop])
        elif data.startswith(_KEPT_JPEG.get(code, b"\x00none"), at + 4):
            out.append(data[at:stop])
        at = stop


def _without_thumbnail(segment: bytes) -> bytes:
    """A JFIF segment may hold a small picture after its 14 bytes (JFIF 1.02)."""
    if len(segment) <= 18:
        return segment
    return b"\xff\xe0\x00\x10" + segment[4:16] + b"\x00\x00"


def _png(data: bytes, exif: bytes | None) -> bytes:
    """Copy the chunks that make the picture (W3C PNG specification, third edition)."""
    out = [data[:_PNG_HEAD]]
    at = _PNG_HEAD
    while True:
        length, kind = struct.unpack_from(">I4s", data, at)
        stop = at + 12 + length
        if stop > len(data):
            raise IndexError
        if kind in _KEPT_PNG:
            out.append(data[at:stop])
        if kind == b"IHDR" and exif is not None:
            check = zlib.crc32(exif, zlib.crc32(b"eXIf"))
            out.append(struct.pack(">I", len(exif)) + b"eXIf" + exif + struct.pack(">I", check))
        if kind == b"IEND":
            return b"".join(out)
        at = stop


def _heic(data: bytes, path: Path) -> bytes:
    """Write a smaller EXIF into the old one's place and blank what is left of it, and XMP.

    The file's boxes say where everything stands (ISO/IEC 14496-12), so no byte may move.
    """
    block = scan_heic(data, path).exif
    out = bytearray(data)
    if block and not is_bare(block):
        old = block[block.find(b"\x00\x00") + 2 :] if block.startswith(b"Exif") else block
        small = exif_block(read_exif(block)) or b"II*\x00\x08\x00\x00\x00\x00\x00\x00\x00\x00\x00"
        if data.count(old) != 1 or len(small) > len(old):
            raise _mixed_up(path)
        at = data.find(old)
        out[at : at + len(old)] = small.ljust(len(old), b"\x00")
    for found in _XMP.finditer(data):
        out[found.start() : found.end()] = b" " * (found.end() - found.start())
    changed = bytes(out)
    if is_turned(changed) != is_turned(data):
        raise _mixed_up(path)
    return changed


def _mixed_up(path: Path) -> PhotoProblem:
    return PhotoProblem(
        "The private data of this photo cannot be told from its picture",
        path,
        "save it as JPEG on the phone, at full size, and leave this file out",
    )
