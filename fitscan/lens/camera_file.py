"""The camera file: a calibrated lens with its covariance, its phone, and the photos it rests on.

Finding the numbers is left to `calibrate`; which photos they may be used for, to `match`.
"""

from __future__ import annotations

import os
from datetime import datetime, timezone
from typing import Annotated, ClassVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from fitscan.geometry.rotation import Array
from fitscan.lens.model import LENS_PARAMETERS, Lens
from fitscan.photos.identity import CameraIdentity
from fitscan.store.json_file import JsonDocument, read_json, write_json

__all__ = [
    "CameraFile",
    "CoverageEntry",
    "IdentityEntry",
    "LensEntry",
    "PhotoEntry",
    "now_utc",
    "read_camera",
    "write_camera",
]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Size = Annotated[int, Field(ge=1, le=100_000)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Row = Annotated[tuple[Finite, ...], Field(min_length=9, max_length=9)]


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class IdentityEntry(_Entry):
    """`fitscan.photos.identity.CameraIdentity` in a file."""

    maker: str | None
    model: str | None
    lens: str | None
    focal_length_mm: Positive | None
    focal_35mm: Positive | None
    digital_zoom: Positive | None
    width_px: Size
    height_px: Size

    @staticmethod
    def of(identity: CameraIdentity) -> IdentityEntry:
        """Copy an identity."""
        return IdentityEntry(
            maker=identity.maker,
            model=identity.model,
            lens=identity.lens,
            focal_length_mm=identity.focal_length_mm,
            focal_35mm=identity.focal_35mm,
            digital_zoom=identity.digital_zoom,
            width_px=identity.width_px,
            height_px=identity.height_px,
        )

    def identity(self) -> CameraIdentity:
        """Return the identity."""
        return CameraIdentity(
            self.maker,
            self.model,
            self.lens,
            self.focal_length_mm,
            self.focal_35mm,
            self.digital_zoom,
            self.width_px,
            self.height_px,
        )


class LensEntry(_Entry):
    """The lens's numbers by name, see `fitscan.lens.model`; pixel (0, 0) is a centre."""

    f_px: Positive
    aspect: Annotated[float, Field(gt=0.5, lt=2.0)]
    cx_px: Finite
    cy_px: Finite
    k1: Finite
    k2: Finite
    k3: Finite
    p1: Finite
    p2: Finite

    @staticmethod
    def of(lens: Lens) -> LensEntry:
        """Copy a lens's numbers."""
        return LensEntry(**dict(zip(LENS_PARAMETERS, map(float, lens.values), strict=True)))

    def values(self) -> Array:
        """The numbers (9,) in the order of `LENS_PARAMETERS`."""
        return np.array([getattr(self, name) for name in LENS_PARAMETERS])


class CoverageEntry(_Entry):
    """Where in the frame the board was seen.

    Attributes:
        share: of an 8 x 6 grid over the frame, the cells that hold a corner.
        radius: largest distance of a corner from the frame's centre over half its diagonal.
    """

    share: Share
    radius: Share


class PhotoEntry(_Entry):
    """A photo of the board: whether it was used, and if not, why."""

    name: str
    sha256: str
    used: bool
    reason: str | None
    corners: Annotated[int, Field(ge=0)]
    dropped: Annotated[int, Field(ge=0)]
    rms_px: Annotated[float, Field(ge=0)] | None
    tilt_deg: Finite | None


class CameraFile(JsonDocument):
    """A calibrated camera.

    Attributes:
        made_at: when, ISO 8601 in UTC.
        tool_version: of fitscan.
        identity: of the phone's lens at its photo size.
        board: what was photographed, as given to `--board`.
        lens: the numbers.
        covariance: 9 x 9, in the lens's order, scaled by the a posteriori variance factor.
        rms_px: root mean square distance between measured and predicted corners.
        coverage: of the frame.
        photos: used and refused.
    """

    KIND: ClassVar[str] = "fitscan.camera"
    SCHEMA_VERSION: ClassVar[int] = 1

    made_at: str
    tool_version: str
    identity: IdentityEntry
    board: str
    lens: LensEntry
    covariance: Annotated[tuple[Row, ...], Field(min_length=9, max_length=9)]
    rms_px: Annotated[float, Field(ge=0)]
    coverage: CoverageEntry
    photos: tuple[PhotoEntry, ...]

    @model_validator(mode="after")
    def _is_a_covariance(self) -> CameraFile:
        matrix = self.covariance_matrix()
        sigma = np.sqrt(np.clip(np.diag(matrix), 0.0, None))
        if np.any(sigma <= 0.0) or not np.allclose(matrix, matrix.T, rtol=1e-9, atol=0.0):
            raise ValueError("the covariance is not symmetric with positive variances")
        if np.linalg.eigvalsh(matrix / np.outer(sigma, sigma)).min() <= 0.0:
            raise ValueError("the covariance is not positive definite")
        return self

    def lens_model(self) -> Lens:
        """The lens."""
        return Lens(self.lens.values(), self.identity.width_px, self.identity.height_px)

    def covariance_matrix(self) -> Array:
        """The covariance (9, 9)."""
        return np.array(self.covariance, dtype=np.float64)


def now_utc() -> str:
    """The present moment for `CameraFile.made_at`."""
    return datetime.now(timezone.utc).isoformat(timespec="seconds")


def read_camera(path: str | os.PathLike[str]) -> CameraFile:
    """Read a camera file; errors as `fitscan.store.json_file.read_json`."""
    return read_json(path, CameraFile)


def write_camera(
    path: str | os.PathLike[str], camera: CameraFile, *, replace: bool = False
) -> None:
    """Write a camera file whole or not at all; errors as `fitscan.store.atomic.write_new`."""
    write_json(path, camera, replace=replace)
