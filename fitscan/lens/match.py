"""Which lens belongs to which photos, and what is known of it before the survey.

Refusing a foreign photo is done here, with a sentence; measuring a lens is left to `calibrate`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array
from fitscan.lens.camera_file import CameraFile
from fitscan.lens.model import Lens
from fitscan.photos.identity import CameraIdentity, same_camera

__all__ = [
    "FILM_DIAGONAL_MM",
    "SESSION_FOCAL_SIGMA",
    "LensMatch",
    "LensPrior",
    "guess_from_identity",
    "lens_for",
    "main_camera",
]

FILM_DIAGONAL_MM = float(np.hypot(36.0, 24.0))
"""Diagonal of 36 x 24 mm film, 43.27 mm, over which EXIF's 35 mm focal length is reckoned."""

SESSION_FOCAL_SIGMA = 0.004
"""Relative standard deviation of the focal length between calibration and shoot.

A phone focuses by moving its lens: focused on a distance d, the image distance is f d / (d - f)
(the thin lens). With f = 5.4 mm that is 0.9 % more than f at 0.6 m, where a board is shot, and
0.36 % at 1.5 m, where a car is. So a shoot's common focal length may differ by half a percent
from the calibrated one, on top of what each photo breathes by itself."""

# What is known of any phone's lens without a calibration: standard deviations of f (relative),
# aspect, principal point (share of the width), k1, k2, k3, p1, p2 in normalised image units.
# Common practice, no source; that pixels are square is how sensors are made.
_GUESS_F, _GUESS_ASPECT, _GUESS_CENTRE = 0.05, 0.001, 0.01
_GUESS_K = (0.1, 0.2, 0.2, 0.003, 0.003)


@dataclass(frozen=True, eq=False)
class LensPrior:
    """What is known of a lens before the survey.

    Attributes:
        lens: best values.
        covariance: (9, 9) in the order of `LENS_PARAMETERS`.
        identity: the camera it holds for.
        source: "calibration" or "exif".
    """

    lens: Lens
    covariance: Array
    identity: CameraIdentity
    source: Literal["calibration", "exif"]


@dataclass(frozen=True, eq=False)
class LensMatch:
    """A shoot's lens, and which of its photos it serves.

    Attributes:
        prior: of the lens.
        used: indices of the photos that belong to it.
        refused: index of each foreign photo, with the reason in words.
    """

    prior: LensPrior
    used: tuple[int, ...]
    refused: dict[int, str]


def guess_from_identity(identity: CameraIdentity) -> LensPrior:
    """What EXIF alone says of a lens, with a wide covariance.

    f = focal_35mm * diagonal in pixels / 43.27 mm; principal point in the middle; no distortion.

    Raises:
        InputError: EXIF does not state the focal length for 35 mm film.
    """
    if identity.focal_35mm is None:
        raise InputError(
            "The photos do not say how wide their view is (EXIF FocalLengthIn35mmFilm)",
            identity.phone,
            "photograph the calibration board with this phone, run `fitscan calibrate` and give "
            "its result with --camera",
        )
    width, height = identity.width_px, identity.height_px
    f = identity.focal_35mm * float(np.hypot(width, height)) / FILM_DIAGONAL_MM
    centre = [0.5 * (width - 1), 0.5 * (height - 1)]
    spread = _GUESS_CENTRE * max(width, height)
    sigma = np.array([_GUESS_F * f, _GUESS_ASPECT, spread, spread, *_GUESS_K])
    lens = Lens(np.array([f, 1.0, *centre, 0.0, 0.0, 0.0, 0.0, 0.0]), width, height)
    return LensPrior(lens, np.diag(sigma**2), identity, "exif")


def main_camera(identities: Sequence[CameraIdentity]) -> tuple[int, dict[int, str]]:
    """Find the camera that took most of the photos; among equals, the one that comes first.

    Returns:
        index of a photo by it that states most of itself; and per foreign photo the reason.
    """
    _need_photos(identities)

    def stated(i: int) -> int:
        return sum(value is not None for value in vars(identities[i]).values())

    def kin(i: int) -> list[int]:
        return [j for j, b in enumerate(identities) if same_camera(identities[i], b) is None]

    # Identical identities have identical kin: ask once for each kind.
    kinds = {identity: i for i, identity in reversed(list(enumerate(identities)))}
    best = max(sorted(kinds.values()), key=lambda i: (len(kin(i)), stated(i)))
    reasons = {j: same_camera(identities[best], b) for j, b in enumerate(identities)}
    return best, {j: reason for j, reason in reasons.items() if reason is not None}


def lens_for(
    identities: Sequence[CameraIdentity],
    camera: CameraFile | None,
    *,
    session_sigma: float = SESSION_FOCAL_SIGMA,
) -> LensMatch:
    """Choose the lens of a shoot and refuse foreign photos, each with a reason.

    Args:
        identities: of the photos.
        camera: the calibrated camera, or None to go by EXIF and the majority of the photos.
        session_sigma: see `SESSION_FOCAL_SIGMA`; used with a calibrated camera only.

    Raises:
        InputError: no photos; no photo by the calibrated camera; or EXIF says too little.
    """
    if camera is None:
        main, refused = main_camera(identities)
        prior = guess_from_identity(identities[main])
        return LensMatch(prior, _rest(identities, refused), refused)
    _need_photos(identities)
    identity = camera.identity.identity()
    reasons = {i: same_camera(identity, b) for i, b in enumerate(identities)}
    refused = {i: reason for i, reason in reasons.items() if reason is not None}
    if len(refused) == len(identities):
        raise InputError(
            f"No photo belongs to the camera file: the first one is refused because {refused[0]}",
            f"camera file of {identity.phone}",
            "give the camera file of the phone, lens, zoom and photo size that were used here, "
            "or calibrate them",
        )
    covariance = camera.covariance_matrix()
    covariance[0, 0] += (session_sigma * camera.lens.f_px) ** 2
    prior = LensPrior(camera.lens_model(), covariance, identity, "calibration")
    return LensMatch(prior, _rest(identities, refused), refused)


def _need_photos(identities: Sequence[CameraIdentity]) -> None:
    if not identities:
        raise InputError("There are no photos", "", "give photos of one phone")


def _rest(identities: Sequence[CameraIdentity], refused: dict[int, str]) -> tuple[int, ...]:
    return tuple(i for i in range(len(identities)) if i not in refused)
