"""The calibration board: its description on the command line, and its corners in a photo.

What the corners say of the lens is left to `calibrate`.

Board frame: x along the columns ("across" the sheet), y along the rows (downwards, "along" it),
z into the paper, millimetres, origin at the outer corner of the first square of a ChArUco board
and at the first inner corner of a chessboard.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array

__all__ = ["Board", "BoardCorners", "detect_board", "parse_board"]

_EXAMPLES = "write charuco:7x10:26:19:DICT_5X5_100 or chess:7x5:30"
_MOST = 60
_FAMILIES = re.compile(
    r"DICT_([4567]X[4567]_(50|100|250|1000)|ARUCO_ORIGINAL|APRILTAG_(16H5|25H9|36H10|36H11))"
)
_DETECT_PX = 1600
"""A chessboard is searched in a photo reduced to this size; refining takes the whole photo."""


@dataclass(frozen=True)
class Board:
    """A flat printed board.

    Attributes:
        kind: "charuco" or "chess".
        columns, rows: squares of a ChArUco board, inner corners of a chessboard.
        square_mm: side of a square.
        marker_mm: side of a ChArUco marker, 0 for a chessboard.
        dictionary: OpenCV's name of the marker dictionary, empty for a chessboard.
        legacy: ChArUco pattern of OpenCV before 4.6 (differs for an even number of rows).
    """

    kind: Literal["charuco", "chess"]
    columns: int
    rows: int
    square_mm: float
    marker_mm: float = 0.0
    dictionary: str = ""
    legacy: bool = False

    @property
    def text(self) -> str:
        """The description that `parse_board` reads."""
        size = f"{self.kind}:{self.columns}x{self.rows}:{self.square_mm:g}"
        if self.kind == "chess":
            return size
        return f"{size}:{self.marker_mm:g}:{self.dictionary}" + (":legacy" if self.legacy else "")

    @property
    def points_mm(self) -> Array:
        """Nominal corners (n, 3) in the board's frame, row by row, z = 0."""
        charuco = self.kind == "charuco"
        nx, ny = (self.columns - 1, self.rows - 1) if charuco else (self.columns, self.rows)
        y, x = np.mgrid[:ny, :nx] + (1.0 if charuco else 0.0)
        flat = np.stack([x, y, np.zeros_like(x)], axis=-1).reshape(-1, 3)
        return np.asarray(flat * self.square_mm, dtype=np.float64)

    @property
    def grid(self) -> tuple[int, int]:
        """Corners across and along."""
        charuco = self.kind == "charuco"
        return (self.columns - charuco, self.rows - charuco)


@dataclass(frozen=True, eq=False)
class BoardCorners:
    """Corners found in one photo.

    Attributes:
        number: (n,) which of `Board.points_mm`.
        object_mm: (n, 3) nominal places on the board.
        image_px: (n, 2) pixels, (0, 0) the centre of the first pixel, sensor's orientation.
    """

    number: npt.NDArray[np.intp]
    object_mm: Array
    image_px: Array


def parse_board(text: str) -> Board:
    """Read a board's description.

    "charuco:7x10:26:19:DICT_5X5_100": columns x rows of squares, square in mm, marker in mm,
    dictionary, and optionally ":legacy". "chess:7x5:30": inner corners, square in mm.

    Raises:
        InputError: not such a description, or a board that cannot be.
    """
    where = f"--board {text}"
    pieces = text.strip().split(":")
    kind = pieces[0].lower()
    if kind not in ("charuco", "chess"):
        raise InputError("The kind of board is neither charuco nor chess", where, _EXAMPLES)
    wanted = (5, 6) if kind == "charuco" else (3,)
    if len(pieces) not in wanted or (len(pieces) == 6 and pieces[5].lower() != "legacy"):
        raise InputError("The board's description has too few or too many parts", where, _EXAMPLES)
    columns, rows = _counts(pieces[1], where)
    square_mm = _length(pieces[2], "square", where)
    if kind == "chess":
        return _checked_chess(Board("chess", columns, rows, square_mm), where)
    marker_mm = _length(pieces[3], "marker", where)
    dictionary = pieces[4].upper()
    board = Board("charuco", columns, rows, square_mm, marker_mm, dictionary, len(pieces) == 6)
    return _checked_charuco(board, where)


def detect_board(grey: npt.NDArray[np.uint8], board: Board) -> BoardCorners | None:
    """Find a board's corners in a photo to a few hundredths of a pixel.

    Args:
        grey: (h, w) in the sensor's orientation.
        board: which board. A ChArUco board may be hidden in part; a chessboard must be whole.

    Returns:
        None when the board is not found.
    """
    found = _find_charuco(grey, board) if board.kind == "charuco" else _find_chess(grey, board)
    if found is None:
        return None
    number, rough = found
    fine, kept = _refined(grey, board, number, rough)
    number = number[kept]
    return BoardCorners(number, board.points_mm[number], fine[kept])


def _counts(text: str, where: str) -> tuple[int, int]:
    match = re.fullmatch(r"([0-9]{1,4})[xX]([0-9]{1,4})", text)
    if match is None:
        raise InputError(f'The board\'s size "{text}" is not columns x rows', where, _EXAMPLES)
    columns, rows = int(match[1]), int(match[2])
    if not (3 <= columns <= _MOST and 3 <= rows <= _MOST):
        raise InputError(
            f"A board of {columns} x {rows} cannot be used", where, f"use 3 to {_MOST} each way"
        )
    return columns, rows


def _length(text: str, what: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.1 <= value <= 1000.0:
        raise InputError(
            f'The {what}\'s side "{text}" is not a length', where, "give millimetres, such as 26"
        )
    return value


def _checked_chess(board: Board, where: str) -> Board:
    if board.columns == board.rows:
        raise InputError(
            "A chessboard with as many columns as rows looks the same when turned by 90 degrees",
            where,
            "use a board with more columns than rows, or a ChArUco board",
        )
    return board


def _checked_charuco(board: Board, where: str) -> Board:
    if board.marker_mm >= board.square_mm:
        raise InputError(
            "The board's markers are not smaller than its squares",
            where,
            "give the square's side first, then the marker's",
        )
    if _FAMILIES.fullmatch(board.dictionary) is None:
        raise InputError(
            f'The marker dictionary "{board.dictionary}" is not known',
            where,
            "use one of OpenCV's, such as DICT_5X5_100",
        )
    ids = len(_dictionary(board).bytesList)
    needed = board.columns * board.rows // 2
    if needed > ids:
        raise InputError(
            f"The board needs {needed} markers and {board.dictionary} has {ids}",
            where,
            "use a larger dictionary",
        )
    return board


def _dictionary(board: Board) -> Any:
    import cv2

    name = board.dictionary
    if name.startswith("DICT_APRILTAG"):
        name = re.sub(r"H(\d+)$", r"h\1", name)
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def _find_charuco(
    grey: npt.NDArray[np.uint8], board: Board
) -> tuple[npt.NDArray[np.intp], Array] | None:
    """Corner numbers (n,) and rough pixels (n, 2), whatever shapes this OpenCV answers in."""
    import cv2

    drawn = cv2.aruco.CharucoBoard(
        (board.columns, board.rows), board.square_mm, board.marker_mm, _dictionary(board)
    )
    drawn.setLegacyPattern(board.legacy)
    # OpenCV 4: (n, 1, 2) and (n, 1); 5: (n, 2) and (n,); None where nothing is found, whatever
    # its type hints say.
    answer: Any = cv2.aruco.CharucoDetector(drawn).detectBoard(grey)
    corners, ids = answer[:2]
    if ids is None or len(ids) == 0:
        return None
    number = np.asarray(ids).reshape(-1).astype(np.intp)
    return number, np.asarray(corners, dtype=np.float64).reshape(-1, 2)


def _find_chess(
    grey: npt.NDArray[np.uint8], board: Board
) -> tuple[npt.NDArray[np.intp], Array] | None:
    """The same for a chessboard, searched in a reduced photo."""
    import cv2

    height, width = grey.shape
    scale = min(1.0, _DETECT_PX / max(height, width))
    small = grey
    if scale < 1.0:
        size = (round(width * scale), round(height * scale))
        small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    inner = (board.columns, board.rows)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
    found, corners = cv2.findChessboardCorners(small, inner, flags=flags)
    if not found:
        found, corners = cv2.findChessboardCornersSB(small, inner, flags=cv2.CALIB_CB_EXHAUSTIVE)
    if not found:
        return None
    rough = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    # Pixel centres: the reduced photo's pixel edges lie on the photo's.
    stretch = np.array([width / small.shape[1], height / small.shape[0]])
    return np.arange(board.columns * board.rows), (rough + 0.5) * stretch - 0.5


def _refined(
    grey: npt.NDArray[np.uint8], board: Board, number: npt.NDArray[np.intp], rough: Array
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Refine each corner in a window that holds nothing but its own four squares.

    OpenCV's detectors of different versions place ChArUco corners up to half a pixel apart; this
    last step is the one place that says where a corner is, in pixels counted from the centre of
    the first one.

    Returns:
        corners (n, 2), and which of them (n,) settled inside their window.
    """
    import cv2

    share = 0.3
    if board.kind == "charuco":
        # A marker begins this far from the corners of its white square.
        share = 0.8 * 0.5 * (1.0 - board.marker_mm / board.square_mm)
    half = np.clip(np.floor(share * _spacing(board, number, rough)), 2, 12).astype(int)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    fine = rough.copy()
    for size in np.unique(half):
        rows = np.flatnonzero(half == size)
        start = np.ascontiguousarray(rough[rows].reshape(-1, 1, 2), dtype=np.float32)
        out = cv2.cornerSubPix(grey, start, (int(size), int(size)), (-1, -1), stop)
        fine[rows] = np.asarray(out, dtype=np.float64).reshape(-1, 2)
    height, width = grey.shape
    inside = np.all((fine > 1.0) & (fine < [width - 2.0, height - 2.0]), axis=1)
    return fine, inside & (np.linalg.norm(fine - rough, axis=1) < np.maximum(half, 3))


def _spacing(board: Board, number: npt.NDArray[np.intp], rough: Array) -> Array:
    """Smallest distance (n,) in pixels between neighbouring corners, from the board's homography.

    Where the homography cannot be found, the distance to the nearest found corner is taken.
    """
    import cv2

    points = board.points_mm[number][:, :2]
    homography = None
    if len(points) >= 4:
        homography, _ = cv2.findHomography(points, rough, cv2.RANSAC, 5.0)
    if homography is None:
        apart = np.linalg.norm(rough[:, None] - rough[None], axis=2)
        np.fill_diagonal(apart, np.inf)
        return np.asarray(np.minimum(apart.min(axis=1), 1000.0))
    steps = []
    for step in ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)):
        moved = points + board.square_mm * np.array(step)
        lifted = np.column_stack([moved, np.ones(len(moved))]) @ np.asarray(homography).T
        steps.append(np.linalg.norm(lifted[:, :2] / lifted[:, 2:] - rough, axis=1))
    return np.asarray(np.min(steps, axis=0))
