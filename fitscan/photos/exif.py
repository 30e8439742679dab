"""What EXIF says of a photo: the camera's identity, how the phone was held, and when.

Damaged or missing EXIF is no error here: the values are unknown, and whoever needs them says so.
"""

from __future__ import annotations

import math
import struct
import warnings
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from typing import Any

__all__ = ["ExifFacts", "exif_block", "is_bare", "read_exif"]

# Tags of EXIF 2.32 (CIPA DC-008).
_MAKE, _MODEL, _ORIENTATION, _EXIF_IFD, _DATE = 0x010F, 0x0110, 0x0112, 0x8769, 0x0132
_DATE_TAKEN, _SUBSECOND, _COMMENT = 0x9003, 0x9291, 0x9286
_FOCAL, _FOCAL_35, _ZOOM, _LENS = 0x920A, 0xA405, 0xA404, 0xA434
_WIDTH, _HEIGHT = 0xA002, 0xA003

_MAIN_KEPT = {_MAKE, _MODEL, _ORIENTATION, _EXIF_IFD}
_DETAIL_KEPT = {_FOCAL, _FOCAL_35, _ZOOM, _LENS, _WIDTH, _HEIGHT}

# What Pillow's EXIF reader may throw on damaged bytes.
_DAMAGE = (
    ArithmeticError,
    EOFError,
    LookupError,
    OSError,
    RecursionError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    struct.error,
)


@dataclass(frozen=True)
class ExifFacts:
    """The entries that fitscan uses; None where EXIF is silent or states nonsense.

    Attributes:
        orientation: 1 to 8; 1 where EXIF is silent.
        stated_size: width and height that EXIF claims, in the sensor's orientation.
        changed_at: when the file was last written by a phone or a program that says so.
        screenshot: whether the phone calls it a picture of its own screen.
    """

    maker: str | None = None
    model: str | None = None
    lens: str | None = None
    focal_length_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float | None = None
    orientation: int = 1
    taken_at: datetime | None = None
    stated_size: tuple[int, int] | None = None
    changed_at: datetime | None = None
    screenshot: bool = False


def read_exif(block: bytes | None) -> ExifFacts:
    """Facts from an EXIF block as it stands in the file, or from None."""
    if block is None:
        return ExifFacts()
    from PIL import Image

    exif = Image.Exif()
    with warnings.catch_warnings():
        # Pillow warns of damaged entries; they count as unknown here.
        warnings.simplefilter("ignore")
        try:
            exif.load(block)
            main: dict[int, Any] = dict(exif)
        except _DAMAGE:
            return ExifFacts()
        try:
            detail: dict[int, Any] = dict(exif.get_ifd(_EXIF_IFD))
        except _DAMAGE:
            detail = {}
    orientation = main.get(_ORIENTATION)
    return ExifFacts(
        maker=_text(main.get(_MAKE)),
        model=_text(main.get(_MODEL)),
        lens=_text(detail.get(_LENS)),
        focal_length_mm=_positive(detail.get(_FOCAL)),
        focal_35mm=_positive(detail.get(_FOCAL_35)),
        digital_zoom=_zoom(detail.get(_ZOOM)),
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        taken_at=_time(detail.get(_DATE_TAKEN, main.get(_DATE)), detail.get(_SUBSECOND)),
        stated_size=_size(detail.get(_WIDTH), detail.get(_HEIGHT)),
        changed_at=_time(main.get(_DATE), None),
        screenshot=_is_screenshot(detail.get(_COMMENT)),
    )


def exif_block(facts: ExifFacts) -> bytes | None:
    """A new EXIF block, from its TIFF header on, from which `read_exif` gets the same facts.

    Times are left out: they say when somebody was where. None where there is nothing to say.
    """
    if replace(facts, taken_at=None, changed_at=None, screenshot=False) == ExifFacts():
        return None
    from PIL import Image

    width, height = facts.stated_size or (None, None)
    main = {_MAKE: facts.maker, _MODEL: facts.model, _ORIENTATION: facts.orientation}
    detail = {
        _LENS: facts.lens,
        _FOCAL: _ratio(facts.focal_length_mm),
        _FOCAL_35: _ratio(facts.focal_35mm),
        _ZOOM: _ratio(facts.digital_zoom),
        _WIDTH: width,
        _HEIGHT: height,
    }
    exif = Image.Exif()
    exif.update({tag: value for tag, value in main.items() if value is not None})
    exif.get_ifd(_EXIF_IFD).update({t: v for t, v in detail.items() if v is not None})
    return exif.tobytes().removeprefix(b"Exif\x00\x00")


def is_bare(block: bytes) -> bool:
    """Whether a block holds only entries that `exif_block` writes; a damaged one does not."""
    from PIL import Image

    exif = Image.Exif()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            exif.load(block)
            main, detail = set(exif), set(exif.get_ifd(_EXIF_IFD))
            preview = bool(exif.get_ifd(1))
        except _DAMAGE:
            return False
    return not preview and main <= _MAIN_KEPT and detail <= _DETAIL_KEPT


def _ratio(number: float | None) -> Any:
    """A number as EXIF writes it, with the same bits when it is read again."""
    if number is None:
        return None
    from PIL.TiffImagePlugin import IFDRational

    ratio = Fraction(number).limit_denominator(1_000_000)
    return IFDRational(ratio.numerator, ratio.denominator)


def _text(value: object) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    clean = "".join(c for c in value.split("\x00")[0] if c.isprintable())
    return " ".join(clean.split())[:80] or None


def _is_screenshot(comment: object) -> bool:
    """EXIF's user comment: eight bytes that name its code, then "Screenshot" (common practice)."""
    if isinstance(comment, bytes):
        comment = comment[8:].replace(b"\x00", b"").decode("ascii", "replace")
    return isinstance(comment, str) and comment.strip().casefold() == "screenshot"


def _positive(value: object) -> float | None:
    """A finite number above zero; EXIF writes 0 for unknown."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except _DAMAGE:
        return None
    return number if math.isfinite(number) and number > 0 else None


def _zoom(value: object) -> float | None:
    """Digital zoom, where EXIF's 0 means that none was used."""
    number = _positive(value)
    if number is None and value is not None:
        try:
            return 1.0 if float(value) == 0 else None  # type: ignore[arg-type]
        except _DAMAGE:
            return None
    return number


def _time(date: object, fraction: object) -> datetime | None:
    text, digits = _text(date), _text(fraction) or ""
    try:
        moment = datetime.strptime(text or "", "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    if digits.isascii() and digits.isdigit():
        moment = moment.replace(microsecond=int(digits[:6].ljust(6, "0")))
    return moment


def _size(width: object, height: object) -> tuple[int, int] | None:
    w, h = _positive(width), _positive(height)
    return (round(w), round(h)) if w is not None and h is not None else None
