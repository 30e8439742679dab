"""Where points of a survey fall in the picture that people see: lens, upright turn, crop, scale.

Which photo is taken is left to `choose`, what is drawn to `overlay`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens, project_pixels
from fitscan.photos.orientation import upright_pixels
from fitscan.survey.survey import PhotoEntry, Survey

__all__ = [
    "CLOSE_UP",
    "LONG_SIDE_PX",
    "WITH_SURROUNDINGS",
    "Crop",
    "Framing",
    "PhotoView",
    "crop_around",
]

LONG_SIDE_PX = 1800
"""Long side of a picture: enough for a phone's screen and for a print as wide as a hand."""

_NEAREST_MM = 50.0
# Beyond the corners of the frame the distortion's polynomial soon turns back into it.
_BEYOND_CORNERS = 1.05
_MARGIN_SHARE = 0.22

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Framing:
    """How a crop is chosen.

    Attributes:
        smallest: share of the photo's sides that is shown at least.
        most_enlarged: how much larger than in the photo things may be shown.
    """

    smallest: float
    most_enlarged: float


WITH_SURROUNDINGS = Framing(0.45, 2.0)
"""People see where in the car they are."""

CLOSE_UP = Framing(0.1, 6.0)
"""People see a few millimetres."""


@dataclass(frozen=True)
class Crop:
    """The part of the upright photo that is shown, and its size on the screen.

    Attributes:
        left, top: first column and row of the upright photo that is shown.
        width, height: of the part shown, px of the upright photo.
        shown_width, shown_height: of the picture, px.
    """

    left: int
    top: int
    width: int
    height: int
    shown_width: int
    shown_height: int

    def apply(self, upright: Array) -> Array:
        """Pixels (..., 2) of the upright photo to the picture; both count from pixel centres."""
        scale = np.array([self.shown_width / self.width, self.shown_height / self.height])
        return np.asarray((upright - [self.left, self.top] + 0.5) * scale - 0.5)


@dataclass(frozen=True)
class PhotoView:
    """One used photo as it is shown.

    Attributes:
        lens: of the survey.
        entry: the photo, with its pose.
        cam_from_survey: its pose.
        crop: what is shown of it.
    """

    lens: Lens
    entry: PhotoEntry
    cam_from_survey: Rigid
    crop: Crop

    @staticmethod
    def of(
        survey: Survey,
        entry: PhotoEntry,
        focus: Array | None = None,
        framing: Framing = WITH_SURROUNDINGS,
    ) -> PhotoView:
        """View of a photo, cropped around points `focus` (n, 3) in the survey's frame, if given.

        Raises:
            ValueError: the photo was refused and has no pose (a mistake of the caller).
        """
        if entry.cam_from_survey is None:
            raise ValueError(f"{entry.name} has no pose")
        width, height = upright_size(survey.lens, entry.orientation)
        whole = _scaled(0, 0, width, height, framing)
        view = PhotoView(survey.lens, entry, entry.cam_from_survey, whole)
        if focus is None or not len(focus):
            return view
        sensor, seen = view.sensor_pixels(focus)
        inside = seen & in_frame(sensor, survey.lens)
        if not inside.any():
            return view
        upright = view.upright(sensor[inside])
        return PhotoView(
            survey.lens,
            entry,
            entry.cam_from_survey,
            crop_around(upright, width, height, framing),
        )

    @property
    def eye(self) -> Array:
        """Projection centre (3,) in the survey's frame."""
        return self.cam_from_survey.inverse().translation

    def sensor_pixels(self, points: Array) -> tuple[Array, Mask]:
        """Pixels (n, 2) of points (n, 3) in the sensor's orientation, and which are to be believed.

        Points behind the camera or far outside the frame get numbers without meaning.
        """
        in_cam = self.cam_from_survey.apply(np.asarray(points, dtype=np.float64))
        z = np.where(in_cam[:, 2] > _NEAREST_MM, in_cam[:, 2], np.nan)
        with np.errstate(invalid="ignore"):
            radius = np.hypot(in_cam[:, 0] / z, in_cam[:, 1] / z)
            seen = radius <= _BEYOND_CORNERS * _corner_radius(self.lens, self.entry.focal_factor)
        safe = np.where(seen[:, None], in_cam, [0.0, 0.0, 1.0])
        pixels = project_pixels(safe, self.lens.values, float(np.log(self.entry.focal_factor)))
        return pixels + np.asarray(self.entry.principal_point_px), seen

    def upright(self, sensor: Array) -> Array:
        """Pixels (n, 2) of the sensor as people see the photo."""
        return upright_pixels(
            sensor, self.entry.orientation, self.lens.width_px, self.lens.height_px
        )

    def shown(self, points: Array) -> tuple[Array, Mask]:
        """Places (n, 2) in the picture of points (n, 3), and which are in front of the lens."""
        sensor, seen = self.sensor_pixels(points)
        return self.crop.apply(self.upright(sensor)), seen

    def curves(self, points: Array) -> list[Array]:
        """A line in space (n, 3) as pieces (m, 2) in the picture: what is not seen cuts it."""
        places, seen = self.shown(points)
        breaks = np.flatnonzero(np.diff(seen.astype(np.int8))) + 1
        pieces = np.split(np.arange(len(places)), breaks)
        return [places[p] for p in pieces if len(p) > 1 and seen[p[0]]]

    def px_per_mm(self, points: Array) -> float:
        """Mean size of a millimetre square to the view at points (n, 3), in the picture's px."""
        depth = self.cam_from_survey.apply(np.atleast_2d(points))[:, 2]
        scale = self.crop.shown_width / self.crop.width
        focal = float(self.lens.values[0]) * self.entry.focal_factor
        return focal * scale / max(float(np.mean(depth)), _NEAREST_MM)


def in_frame(sensor: Array, lens: Lens, margin: float = 0.0) -> Mask:
    """Which pixels (n, 2) lie in the frame, `margin` of its sides away from its edges."""
    size = np.array([lens.width_px, lens.height_px], dtype=np.float64)
    edge = margin * size
    return np.asarray(np.all((sensor >= edge - 0.5) & (sensor <= size - 0.5 - edge), axis=-1))


def upright_size(lens: Lens, orientation: int) -> tuple[int, int]:
    """Width and height of a photo as people see it: 5 to 8 lie on their side (EXIF)."""
    size = (lens.width_px, lens.height_px)
    return size[::-1] if orientation >= 5 else size


def crop_around(
    upright: Array, width: int, height: int, framing: Framing = WITH_SURROUNDINGS
) -> Crop:
    """Crop around places (n, 2) of an upright photo of a size, in its own shape."""
    low, high = upright.min(axis=0), upright.max(axis=0)
    size = np.array([width, height], dtype=np.float64)
    margin = _MARGIN_SHARE * float(np.max(high - low))
    margin += 0.07 * framing.smallest * float(size.max())
    wanted = (high - low + 2.0 * margin) / size
    share = float(np.clip(np.max(wanted), framing.smallest, 1.0))
    part = np.round(share * size)
    corner = np.round(np.clip(0.5 * (low + high) - 0.5 * part, 0.0, size - part))
    return _scaled(int(corner[0]), int(corner[1]), int(part[0]), int(part[1]), framing)


def _scaled(left: int, top: int, width: int, height: int, framing: Framing) -> Crop:
    scale = min(LONG_SIDE_PX / max(width, height), framing.most_enlarged)
    return Crop(left, top, width, height, round(width * scale), round(height * scale))


def _corner_radius(lens: Lens, focal_factor: float) -> float:
    right, bottom = lens.width_px - 0.5, lens.height_px - 0.5
    corners = np.array([[-0.5, -0.5], [right, -0.5], [-0.5, bottom], [right, bottom]])
    radius = float(np.linalg.norm(lens.rays(corners), axis=1).max())
    return radius / min(focal_factor, 1.0)
