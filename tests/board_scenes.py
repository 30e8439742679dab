"""Simulated photos of a board with known truth; noise is drawn from a named seed."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from fitscan.geometry.rotation import Array
from fitscan.lens.board import Board, BoardCorners, parse_board
from fitscan.lens.calibrate import BoardView
from fitscan.lens.model import Lens
from fitscan.photos.identity import CameraIdentity

Grey = npt.NDArray[np.uint8]

PHONE = CameraIdentity("Lumen", "P7", "wide", 5.4, 26.0, 1.0, 4032, 3024)
LENS = Lens(np.array([3020.0, 1.0003, 2030.0, 1490.0, 0.045, -0.08, 0.02, 3e-4, -2e-4]), 4032, 3024)
BOARD = parse_board("charuco:7x10:26:19:DICT_5X5_100")


@dataclass(frozen=True)
class Scene:
    """How photos are taken and printed.

    Attributes:
        photos: how many.
        noise_px: standard deviation of a corner's coordinate.
        breathing: of the logarithm of the focal factor.
        tilt_deg: largest tilt about each of two axes.
        reach: how far from the middle the board is carried, 1 being the frame's corner.
        stretch: along over across, less 1; None draws it.
        bow_mm: None draws three numbers.
    """

    photos: int = 16
    noise_px: float = 0.05
    breathing: float = 0.001
    tilt_deg: float = 40.0
    reach: float = 0.75
    stretch: float | None = None
    bow_mm: Array | None = None


def board_views(
    scene: Scene,
    seed: int,
    *,
    lens: Lens = LENS,
    board: Board = BOARD,
    identity: CameraIdentity = PHONE,
) -> list[BoardView]:
    """Take the photos. Points outside the frame are not seen."""
    rng = np.random.default_rng(seed)
    points = board.points_mm
    middle = points.mean(axis=0)
    half = np.abs(points - middle).max(axis=0)
    stretch = rng.normal(0, 0.003) if scene.stretch is None else scene.stretch
    bow = rng.normal(0, 0.3, 3) if scene.bow_mm is None else scene.bow_mm
    u, v = ((points - middle)[:, :2] / half[:2]).T
    paper = points - middle
    paper[:, 1] *= 1.0 + stretch
    paper[:, 2] = np.stack([u * u, u * v, v * v], axis=1) @ bow
    views = []
    for i in range(scene.photos):
        tilt = rng.uniform(-scene.tilt_deg, scene.tilt_deg, 2)
        turn = Rotation.from_euler("zxy", [90.0 * (i % 4) + rng.normal(0, 8), *tilt], degrees=True)
        far = 1.3 * float(half.max()) / rng.uniform(0.28, 0.42)
        place = rng.uniform(-1, 1, 2) * scene.reach * 0.5
        f = lens.values[0]
        at = np.array([place[0] * lens.width_px / f, place[1] * lens.height_px / f, 1.0]) * far
        breathed = lens.breathed(float(rng.normal(0, scene.breathing)))
        pixels = breathed.pixels(paper @ turn.as_matrix().T + at)
        pixels = pixels + rng.normal(0, scene.noise_px, pixels.shape)
        inside = np.all(
            (pixels > 5) & (pixels < [lens.width_px - 6.0, lens.height_px - 6.0]), axis=1
        )
        number = np.flatnonzero(inside)
        corners = BoardCorners(number, points[number], pixels[number])
        views.append(BoardView(f"board_{i + 1:02d}.jpg", f"{i:064x}", identity, corners))
    return views


def texture(board: Board) -> tuple[Grey, float, float]:
    """A board drawn with 10 px/mm, its scale, and the pixel edge of the board's origin."""
    side = round(board.square_mm * 10)
    if board.kind == "charuco":
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
        drawn = cv2.aruco.CharucoBoard(
            (board.columns, board.rows), board.square_mm, board.marker_mm, dictionary
        )
        drawn.setLegacyPattern(board.legacy)
        inside = np.asarray(drawn.generateImage((board.columns * side, board.rows * side)))
        start = side
    else:
        shape = (board.rows + 1, board.columns + 1)
        cells = np.where(np.indices(shape).sum(axis=0) % 2 == 0, 0, 255).astype(np.uint8)
        inside = np.kron(cells, np.ones((side, side), np.uint8))
        start = 2 * side
    return np.pad(inside, side, constant_values=255), 10.0, float(start)


def photo(board: Board, pixel_from_board: Array, width: int, height: int, seed: int) -> Grey:
    """Look at the board through a homography of pixel centres, four by four samples a pixel."""
    drawn, scale, start = texture(board)
    texture_from_board = np.array([[scale, 0, start - 0.5], [0, scale, start - 0.5], [0, 0, 1.0]])
    fine = np.array([[4.0, 0, 1.5], [0, 4.0, 1.5], [0, 0, 1.0]])
    warp = fine @ pixel_from_board @ np.linalg.inv(texture_from_board)
    big = cv2.warpPerspective(drawn, warp, (4 * width, 4 * height), borderValue=(180.0,))
    small = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA).astype(np.float64)
    noise = np.random.default_rng(seed).normal(0.0, 2.0, small.shape)
    soft = cv2.GaussianBlur(small, (0, 0), 1.0) * 0.8 + 20.0 + noise
    return np.asarray(np.clip(np.rint(soft), 0, 255), dtype=np.uint8)


def homography(
    board: Board, seed: int, width: int, height: int, aside: tuple[float, float] = (0.0, 0.0)
) -> Array:
    """A homography from the board's plane in mm to pixels: a camera at a slant.

    Its focal length is 0.75 widths, its axis passes the pixel (width / 2, height / 2), and
    `aside` moves the board's middle in widths and heights of the frame.
    """
    rng = np.random.default_rng(seed)
    f = 0.75 * width
    camera = np.array([[f, 0, width / 2], [0, f, height / 2], [0, 0, 1.0]])
    angles = [rng.uniform(-180, 180), *rng.uniform(-35, 35, 2)]
    turn = Rotation.from_euler("zxy", angles, degrees=True).as_matrix()
    points = board.points_mm
    far = f * np.ptp(points, axis=0).max() / (0.6 * height)
    shift = np.array([aside[0] * width, aside[1] * height, f])
    at = shift * far / f - turn @ points.mean(axis=0)
    return np.asarray(camera @ np.column_stack([turn[:, 0], turn[:, 1], at]))
