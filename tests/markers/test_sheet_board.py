"""The printed board, found and measured by OpenCV's own ChArUco reader."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from printed import Array, Printed

from fitscan.errors import InputError
from fitscan.markers.sheet_board import board_page
from fitscan.markers.sheet_page import PAPERS, Format
from fitscan.markers.sheets import PrinterScale, SheetRequest, make_sheets


def chessboard_corners(printed: Printed, text: str) -> tuple[Array, Array]:
    """Ids (n,) and places in mm (n, 2) of the last page's corners, by the text for --board."""
    kind, count, square, marker, name = text.split(":")
    assert kind == "charuco"
    columns, rows = (int(n) for n in count.split("x"))
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
    board = cv2.aruco.CharucoBoard((columns, rows), float(square), float(marker), dictionary)
    page = printed.pages[-1]
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(page.grey)
    order = np.argsort(np.ravel(ids))
    places = (np.asarray(corners, float).reshape(-1, 2)[order] + 0.5) / page.px_per_mm
    assert np.ravel(ids)[order].tolist() == list(range((columns - 1) * (rows - 1)))
    return np.asarray(board.getChessboardCorners(), float)[:, :2], places


@pytest.mark.parametrize(
    ("paper", "text"),
    [("a4", "charuco:7x10:26:19:DICT_5X5_100"), ("letter", "charuco:7x10:24:18:DICT_5X5_100")],
)
def test_opencv_finds_all_corners_of_the_board_where_its_text_says(
    tmp_path: Path, paper: str, text: str
) -> None:
    result = make_sheets(SheetRequest(paper=paper), tmp_path)  # type: ignore[arg-type]
    assert result.board == text
    assert any(text in note for note in result.notes)
    printed = Printed(result.pdf, 300.0)
    assert text in printed.pages[-1].text
    want, places = chessboard_corners(printed, text)
    assert len(places) == 54
    np.testing.assert_allclose(places - places[0], want - want[0], atol=0.05)


def test_a_printer_one_percent_off_still_gets_the_usual_board_on_a4(tmp_path: Path) -> None:
    printer = PrinterScale(short_edge=0.99, long_edge=0.993)
    result = make_sheets(SheetRequest(printer=printer), tmp_path)
    assert result.board == "charuco:7x10:26:19:DICT_5X5_100"
    want, places = chessboard_corners(Printed(result.pdf, 300.0), result.board)
    on_paper = (places - places[0]) * [0.99, 0.993]
    np.testing.assert_allclose(on_paper, want - want[0], atol=0.05)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("scale", [0.95, 0.97, 1.0, 1.05])
def test_the_board_stays_in_its_frame_whatever_the_printer(paper: str, scale: float) -> None:
    form = Format(PAPERS[paper], scale, scale)
    page, card = board_page(form)
    frame, placed = page.frame(form), page.cards[0]
    assert frame.left <= placed.x
    assert placed.x + card.width <= frame.right
    assert frame.bottom <= placed.y
    assert placed.y + card.height <= frame.top
    # Markers need a white ring of a cell of their own.
    assert (card.square - card.marker) / 2 >= card.marker / 7


def test_a_paper_too_small_for_any_board_is_refused() -> None:
    with pytest.raises(InputError, match="No board fits the page"):
        board_page(Format(PAPERS["a4"], 0.5, 0.5))
