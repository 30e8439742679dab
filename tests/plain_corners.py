"""The same adjustment fed with corners of a detector instead of edges on the model: what a good
engineer's script gives from the same photos, for comparison.

The lens, its prior, the nuisances, the outlier tests and the rules are the tool's own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import cv2
import numpy as np
import numpy.typing as npt

from fitscan.detect import tags
from fitscan.detect.tags import Detections
from fitscan.lens.camera_file import CameraFile
from fitscan.markers.kit import Kit
from fitscan.survey import build, look, photo_work
from fitscan.survey.clean import Cleaned, clean
from fitscan.survey.look import Looked
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import corner_observations
from fitscan.survey.quality import Finished
from fitscan.survey.shoot import survey_folder
from fitscan.survey.survey import Survey

__all__ = [
    "DETECTORS",
    "NO_PYAPRILTAGS",
    "find_with_opencv",
    "find_with_pyapriltags",
    "survey_with",
]

_CORNER_SIGMA_PX = 0.4
"""To begin with; the shoot's own residuals scale it, for flat tags and cuffs apart."""

Detector = Callable[[npt.NDArray[np.uint8]], Detections]

NO_PYAPRILTAGS = (
    "pyapriltags is not installed, so its column is left out: pip install pyapriltags, or set "
    "the project up with its development packages"
)


def find_with_opencv(grey: npt.NDArray[np.uint8]) -> Detections:
    """OpenCV's own detector, three windows, and its sub-pixel corners."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = 5
    settings.adaptiveThreshWinSizeMax = 29
    settings.adaptiveThreshWinSizeStep = 12
    settings.minMarkerPerimeterRate = 4.0 * 16.0 / max(grey.shape)
    settings.polygonalApproxAccuracyRate = 0.05
    settings.minMarkerDistanceRate = 0.02
    settings.errorCorrectionRate = 2.0 / max(dictionary.maxCorrectionBits, 1)
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(grey)
    # OpenCV 4 says None when it finds nothing, OpenCV 5 an empty array.
    flat = np.zeros(0, np.intp) if not len(corners) else np.asarray(ids).reshape(-1).astype(np.intp)
    counted = Counter(flat.tolist())
    quads = np.asarray(corners, dtype=np.float32).reshape(-1, 4, 2)
    single = np.array([counted[i] == 1 for i in flat.tolist()], dtype=bool)
    refined = [tags._refine(grey, q) for q in quads[single]]
    return Detections(
        flat[single],
        np.array(refined, dtype=np.float64).reshape(-1, 4, 2),
        tuple(sorted(i for i, n in counted.items() if n > 1)),
    )


def find_with_pyapriltags(grey: npt.NDArray[np.uint8]) -> Detections:
    """Tags by the AprilTag library's own detector with its edge fit, without decimation.

    Raises:
        ImportError: the package is not installed.
    """
    try:
        from pyapriltags import Detector as Library
    except ImportError as error:
        raise ImportError(NO_PYAPRILTAGS) from error
    library = Library(families="tag36h11", nthreads=1, quad_decimate=1.0)
    found = [d for d in library.detect(grey) if d.hamming <= 2]
    counted = Counter(int(d.tag_id) for d in found)
    single = [d for d in found if counted[int(d.tag_id)] == 1]
    # There a pixel's centre is at 0.5, corners run the other way and begin two further on.
    corners = [np.roll(np.asarray(d.corners)[::-1], 2, axis=0) - 0.5 for d in single]
    return Detections(
        np.array([d.tag_id for d in single], dtype=np.intp),
        np.array(corners, dtype=np.float64).reshape(-1, 4, 2),
        tuple(sorted(i for i, n in counted.items() if n > 1)),
    )


DETECTORS: dict[str, Detector] = {
    "OpenCV corners": find_with_opencv,
    "pyapriltags corners": find_with_pyapriltags,
}


def survey_with(detector: Detector, folder: Path, kit: Kit, camera: CameraFile | None) -> Survey:
    """Survey a shoot from a detector's corners alone: nothing is measured on the model."""
    with (
        mock.patch.object(photo_work, "find_tags", detector),
        mock.patch.object(look, "run_all", _one_by_one),
        mock.patch.object(build, "_from_corners", lambda *begun: begun),
        mock.patch.object(build, "measure_in_rounds", _corners_only),
    ):
        return survey_folder(folder, kit, camera, workers=1)


def _one_by_one(function: Callable[..., object], calls: list[tuple[object, ...]],
                *_: object) -> list[object]:  # fmt: skip
    """In this process, where the detector has been replaced."""
    return [function(*call) for call in calls]


def _corners_only(begun: tuple[Cleaned, Looked, list[Detections]], *_: object) -> Finished:
    """Adjust the corners again with the outlier tests at their full strength."""
    cleaned, found = begun[0], begun[2]
    network = cleaned.network
    rows: list[tuple[int, int]] = []
    corners = []
    for row, one in enumerate(found):
        for tag_id, quad in zip(one.ids.tolist(), one.corners_px, strict=True):
            known = tag_id in network.layout.tags
            if known and network.layout.tags[tag_id].marker_id in network.marker_row:
                rows.append((tag_id, row))
                corners.append(quad)
    quads = np.array(corners)
    geometry = network.geometry([r[0] for r in rows], [r[1] for r in rows])
    side = np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2).mean(axis=1)
    scale = side / geometry.side_mm
    given = corner_observations(geometry, quads, _CORNER_SIGMA_PX, scale)
    # A detector says nothing of the edge shift; a thousand pixels keep the matrices regular.
    given.whitening[:, 8, 8] = 1e-3
    again = clean(network, cleaned.state, given)
    none = np.zeros(0)
    measured = tuple(
        PhotoMeasurement(
            one.ids, np.zeros((0, 9)), np.zeros((0, 9, 9)), none, np.zeros(len(one), dtype=bool),
            tuple(one.ids.tolist()), 0.0, none,
        )
        for one in found
    )  # fmt: skip
    return Finished(again, network, given, measured)
