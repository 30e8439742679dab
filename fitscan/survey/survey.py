"""The survey: every marker's pose with the joint covariance, the photos, and how good it is.

Solving is left to `build`, the file to `survey_file`, comparisons to `fitscan.fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.line import Line
from fitscan.geometry.rigid import Pose, Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens
from fitscan.markers.kit import CuffSpec, Kit
from fitscan.photos.identity import CameraIdentity
from fitscan.survey.lens_bin import LensBin

__all__ = ["Dropped", "MarkerCheck", "PhotoEntry", "Quality", "RuleCheck", "Sources", "Survey"]


@dataclass(frozen=True)
class PhotoEntry:
    """One photo of the shoot.

    Attributes:
        name: file name.
        sha256: of the file.
        refused: why it was left out, or None.
        tags: ids measured in it.
        rms_px: of the corner residuals.
        cam_from_survey: pose, None when refused.
        focal_factor: this photo's focal length over the lens's.
        principal_point_px: shift (2,) of this photo's principal point.
        orientation: EXIF, for showing the photo upright.
    """

    name: str
    sha256: str
    refused: str | None
    tags: tuple[int, ...] = ()
    rms_px: float = 0.0
    cam_from_survey: Rigid | None = None
    focal_factor: float = 1.0
    principal_point_px: tuple[float, float] = (0.0, 0.0)
    orientation: int = 1


@dataclass(frozen=True)
class Dropped:
    """An observation or marker that was left out, and why.

    Attributes:
        photo: name, or "" when it concerns all photos.
        tag_id: the printed id.
        reason: in words.
    """

    photo: str
    tag_id: int
    reason: str


@dataclass(frozen=True)
class RuleCheck:
    """One rule after the adjustment.

    Attributes:
        ids: of its two tags.
        length_mm, u_mm: the reading and its standard uncertainty.
        difference_mm: adjusted length less reading.
        redundancy: share of the reading that the others control, 0 to 1.
        smallest_error_mm: smallest wrong reading that would be found (Baarda), or None.
    """

    ids: tuple[int, int]
    length_mm: float
    u_mm: float
    difference_mm: float
    redundancy: float
    smallest_error_mm: float | None


@dataclass(frozen=True)
class MarkerCheck:
    """How well the photos control each other at one marker.

    Attributes:
        squares: of the marker that were measured, over all photos.
        redundancy: share of their observations that the others control, mean, 0 to 1.
        smallest_error_px: shift of one square in one photo that Baarda's test finds four times in
            five, at the square and in the direction that are controlled worst; None where nothing
            controls it.
        smallest_error_mm: the same at the marker.
    """

    squares: int
    redundancy: float
    smallest_error_px: float | None
    smallest_error_mm: float | None


@dataclass(frozen=True)
class Quality:
    """How good a survey is.

    Attributes:
        squares: observed squares; sought: of these, found only by looking where they must be.
        expected: squares that should have been visible.
        redundancy: of the adjustment.
        rms_px: of all corner residuals.
        flat_factor, cuff_factor: by how much the corners' standard deviations were scaled.
        scale_source: "rules" or "printed size".
        scale_u: relative standard uncertainty of all lengths.
        lens_source: "camera file" or "photos' EXIF".
        printer: scale across and along; u: their standard uncertainties.
        ink_mm: growth of black per edge.
        rules: each rule's check.
        dropped: what was left out.
        warnings: sentences that every result must carry.
        advice: sentences on what would help.
        rings, sectors: what is left of the corners by radius and by angle in the photo; empty in
            a survey that an older fitscan made.
    """

    squares: int
    sought: int
    expected: int
    redundancy: int
    rms_px: float
    flat_factor: float
    cuff_factor: float
    scale_source: str
    scale_u: float
    lens_source: str
    printer: tuple[float, float]
    printer_u: tuple[float, float]
    ink_mm: float
    rules: tuple[RuleCheck, ...]
    dropped: tuple[Dropped, ...]
    warnings: tuple[str, ...]
    advice: tuple[str, ...]
    rings: tuple[LensBin, ...] = ()
    sectors: tuple[LensBin, ...] = ()


@dataclass(frozen=True)
class Sources:
    """Which files a survey was made from; photos' hashes are with the photos.

    Attributes:
        kit_sha256, camera_sha256: of the files' bytes, or None where there was no file.
    """

    kit_sha256: str | None = None
    camera_sha256: str | None = None


@dataclass(frozen=True)
class Survey:
    """A solved shoot.

    Attributes:
        name: of the shoot.
        kit: what was printed.
        identity: of the camera.
        lens: as adjusted.
        markers: ids with a pose, in the order of the covariance.
        poses: survey_from_marker, in that order.
        covariance: (6 n, 6 n) joint and marginal, per marker (turn rad 3, centre mm 3), both in
            the survey's frame; free network with inner constraints on the centres.
        forms: (skew, radius, pitch) of each cuff with a pose.
        photos: every photo of the shoot.
        sights: in how many photos each marker was measured, in the order of `markers`.
        quality: see `Quality`.
        checks: of each marker, in the order of `markers`; empty when it was not worked out.
        sources: the files that it was made from.
        made_at: when, ISO 8601 in UTC, or None where it is not known.
    """

    name: str
    kit: Kit
    identity: CameraIdentity
    lens: Lens
    markers: tuple[int, ...]
    poses: tuple[Rigid, ...]
    covariance: Array
    forms: dict[int, tuple[float, float, float]]
    photos: tuple[PhotoEntry, ...]
    sights: tuple[int, ...]
    quality: Quality
    checks: tuple[MarkerCheck, ...] = ()
    sources: Sources = Sources()
    made_at: str | None = None

    @property
    def frame(self) -> str:
        """Name of the survey's own frame."""
        return f"survey {self.name}"

    def has(self, marker_id: int) -> bool:
        """Whether the marker got a pose."""
        return marker_id in self.markers

    def row(self, marker_id: int) -> int:
        """Row of a marker.

        Raises:
            InputError: the marker has no pose in this survey.
        """
        try:
            return self.markers.index(marker_id)
        except ValueError:
            raise InputError(
                f"Marker {marker_id} was not found in the photos",
                self.frame,
                "add a photo that shows it together with its neighbours",
            ) from None

    def pose(self, marker_id: int) -> Pose:
        """A marker's pose with its own covariance (6, 6)."""
        row = self.row(marker_id)
        block = slice(6 * row, 6 * row + 6)
        return Pose(self.poses[row], self.covariance[block, block], self.frame)

    def joint(self, marker_ids: list[int]) -> Array:
        """Joint covariance (6 k, 6 k) of some markers, in the given order."""
        rows = np.array([self.row(m) for m in marker_ids], dtype=np.intp)
        columns = (rows[:, None] * 6 + np.arange(6)).reshape(-1)
        return np.asarray(self.covariance[np.ix_(columns, columns)])

    def of_part(self, part: str) -> list[int]:
        """Markers of a part that have a pose."""
        return [m for m in self.markers if self.kit.part_of(m) == part]

    def cuffs_of(self, tube: str) -> list[CuffSpec]:
        """Cuffs of a tube that have a pose, in the kit's order.

        Raises:
            InputError: the kit has no such tube, or none of its cuffs was found.
        """
        named = [c for c in self.kit.cuff if c.tube == tube]
        if not named:
            known = ", ".join(dict.fromkeys(c.tube for c in self.kit.cuff)) or "none"
            raise InputError(f"There is no tube {tube!r} in the kit", self.frame, f"use: {known}")
        seen = [c for c in named if self.has(c.first_id)]
        if not seen:
            raise InputError(
                f"No cuff of the tube {tube!r} was found in the photos",
                self.frame,
                "add photos that show its cuffs",
            )
        return seen

    def axis_at(self, cuff_id: int) -> Line:
        """Tube axis at one cuff: its centre and its z direction, in the survey's frame."""
        pose = self.poses[self.row(cuff_id)]
        return Line(pose.translation, pose.rotation[:, 2])

    def pointer_tip(self, pointer_id: int) -> tuple[Array, Array]:
        """A pointer's tip (3,) in the survey's frame, mm, and its covariance (3, 3).

        Raises:
            InputError: no such pointer, or it has no pose.
        """
        spec = next((p for p in self.kit.pointer if p.id == pointer_id), None)
        if spec is None:
            raise InputError(f"{pointer_id} is not a pointer", "kit", "name a pointer's id")
        reach = spec.reach_mm * self.quality.printer[1]
        return self.pose(pointer_id).point(np.array([0.0, -reach, 0.0]))
