"""The board for the lens calibration: a chessboard with markers in its white squares.

Finding it in photos is left to `fitscan.lens`; the board text says what was printed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.errors import InputError
from fitscan.markers.sheet_ink import Ink
from fitscan.markers.sheet_page import Format, Page, Placed

__all__ = ["BoardCard", "board_page"]

COLUMNS, ROWS = 7, 10
DICTIONARY = "DICT_5X5_100"
MARKER_CELLS = 7
"""Cells along a marker's black square: five of code and a black one on each side."""

SIZES_MM = ((26, 19), (25, 18), (24, 18), (22, 16), (20, 15))
"""Squares and markers, the largest that fits is printed."""


@dataclass(frozen=True)
class BoardCard:
    """The board with squares and markers of these sizes in mm."""

    square: int
    marker: int

    @property
    def text(self) -> str:
        """What `--board` wants to hear."""
        return f"charuco:{COLUMNS}x{ROWS}:{self.square}:{self.marker}:{DICTIONARY}"

    @property
    def width(self) -> float:
        """Of the chessboard."""
        return float(COLUMNS * self.square)

    @property
    def height(self) -> float:
        """Of the chessboard."""
        return float(ROWS * self.square)

    def draw(self, ink: Ink, x: float, y: float) -> None:
        """Draw the board; the upper left square is black, ids run along the rows."""
        size = float(self.square)
        marker_id = 0
        for row in range(ROWS):
            for column in range(COLUMNS):
                left, foot = x + column * size, y + self.height - (row + 1) * size
                if (row + column) % 2 == 0:
                    corners = [(0.0, 0.0), (size, 0.0), (size, size), (0.0, size)]
                    ink.polygon([(left + a, foot + b) for a, b in corners])
                else:
                    black = ~_marker_cells(marker_id)
                    ink.pattern(black, left + size / 2.0, foot + size / 2.0, float(self.marker))
                    marker_id += 1


def _marker_cells(marker_id: int) -> npt.NDArray[np.bool_]:
    """White cells of a board marker, (7, 7), row 0 at the top."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    image = cv2.aruco.generateImageMarker(dictionary, marker_id, MARKER_CELLS, borderBits=1)
    return np.asarray(image) > 127


def board_page(form: Format) -> tuple[Page, BoardCard]:
    """Lay out the page with the largest board that fits its paper.

    Raises:
        InputError: no board fits, because the printer's scale leaves too little paper.
    """
    for square, marker in SIZES_MM:
        card = BoardCard(square, marker)
        empty = Page(f"Lens board: --board {card.text}", (), "", landscape=False)
        frame = empty.frame(form)
        if card.width <= frame.width and card.height <= frame.height:
            x = frame.left + (frame.width - card.width) / 2.0
            placed = Placed(card, x, frame.top - card.height)
            return Page(empty.heading, (), "", False, (placed,)), card
    raise InputError("No board fits the page", form.paper.name, "check the printer's scale")
