"""Which camera took a photo, as far as the file tells, and whether two photos share one.

What the camera's lens does is left to `fitscan.lens`; reading the file, to `read`.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CameraIdentity", "same_camera"]

_LENGTH_SLACK = 0.005
"""Relative difference of two focal lengths or zooms that still counts as equal: several times
what a phone's focal length breathes with focus (common practice, no source)."""


@dataclass(frozen=True)
class CameraIdentity:
    """What one lens of one phone at one setting says of itself; None where a photo is silent.

    Attributes:
        maker, model: of the phone.
        lens: the lens's own name; phones with several lenses give each its own.
        focal_length_mm: true focal length.
        focal_35mm: the focal length with the same view on 36 x 24 mm film.
        digital_zoom: 1 is none.
        width_px, height_px: size of the pixels in the sensor's orientation.
    """

    maker: str | None
    model: str | None
    lens: str | None
    focal_length_mm: float | None
    focal_35mm: float | None
    digital_zoom: float | None
    width_px: int
    height_px: int

    @property
    def phone(self) -> str:
        """The phone's name in words, "an unnamed camera" where the photo is silent."""
        if self.model is None:
            return self.maker or "an unnamed camera"
        if self.maker is None or self.model.lower().startswith(self.maker.lower()):
            return self.model
        return f"{self.maker} {self.model}"

    @property
    def size(self) -> str:
        """The size in words: "4000 x 3000 px"."""
        return f"{self.width_px} x {self.height_px} px"


def same_camera(a: CameraIdentity, b: CameraIdentity) -> str | None:
    """Say why a photo `b` does not come from the camera `a`, or None when it does.

    A value that only one side states does not part them, except the phone's name: a photo that
    has lost its name may come from anywhere.
    """
    for reason in (_other_phone(a, b), _other_lens(a, b), _other_zoom(a, b), _other_size(a, b)):
        if reason is not None:
            return reason
    return None


def _other_phone(a: CameraIdentity, b: CameraIdentity) -> str | None:
    known, other = (a.maker, a.model), (b.maker, b.model)
    if known == other:
        return None
    if other == (None, None):
        return f"it does not say which phone took it, and {a.phone} is expected"
    if known == (None, None):
        return f"it was taken by {b.phone}, the others do not name their phone"
    return f"it was taken by {b.phone}, not by {a.phone}"


def _other_lens(a: CameraIdentity, b: CameraIdentity) -> str | None:
    if a.lens is not None and b.lens is not None and a.lens != b.lens:
        return f"it was taken through another lens of the phone ({b.lens}, not {a.lens})"
    if _differ(a.focal_length_mm, b.focal_length_mm):
        return (
            "it was taken through another lens of the phone "
            f"(focal length {b.focal_length_mm:g} mm, not {a.focal_length_mm:g} mm)"
        )
    return None


def _other_zoom(a: CameraIdentity, b: CameraIdentity) -> str | None:
    if _differ(a.digital_zoom or 1.0, b.digital_zoom or 1.0):
        return f"its digital zoom is {b.digital_zoom or 1.0:g}, not {a.digital_zoom or 1.0:g}"
    if _differ(a.focal_35mm, b.focal_35mm):
        return (
            f"it was zoomed (its view is that of {b.focal_35mm:g} mm on film, "
            f"not {a.focal_35mm:g} mm)"
        )
    return None


def _other_size(a: CameraIdentity, b: CameraIdentity) -> str | None:
    if (a.width_px, a.height_px) == (b.width_px, b.height_px):
        return None
    if (a.width_px, a.height_px) == (b.height_px, b.width_px):
        return f"its pixels were turned by a program ({b.size}, not {a.size})"
    return f"it is {b.size}, not {a.size}"


def _differ(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and abs(a - b) > _LENGTH_SLACK * max(a, b)
