import cv2
import numpy as np
import pytest
from board_scenes import Grey, homography, photo

from fitscan.errors import InputError
from fitscan.lens.board import Board, detect_board, parse_board

CHARUCO = "charuco:7x10:26:19:DICT_5X5_100"
CHESS = "chess:7x5:30"


@pytest.mark.parametrize(
    ("text", "width", "height"),
    [
        (CHARUCO, 1600, 1200),
        ("charuco:6x8:30:22:DICT_4X4_50", 1600, 1200),
        ("charuco:6x8:30:22:DICT_4X4_50:legacy", 1600, 1200),
        (CHESS, 816, 612),
        ("chess:9x6:25", 2400, 1800),
    ],
)
def test_corners_are_found_where_they_are_drawn(text: str, width: int, height: int) -> None:
    board = parse_board(text)
    errors = []
    for seed in range(4):
        warp = homography(board, seed, width, height)
        found = detect_board(photo(board, warp, width, height, seed), board)
        assert found is not None
        assert len(found.number) >= 0.85 * len(board.points_mm)
        np.testing.assert_array_equal(found.object_mm, board.points_mm[found.number])
        lifted = np.column_stack([found.object_mm[:, :2], np.ones(len(found.number))]) @ warp.T
        expected = lifted[:, :2] / lifted[:, 2:]
        if board.kind == "chess" and np.abs(found.image_px[0] - expected[0]).max() > 20:
            expected = expected[::-1]  # a chessboard looks the same upside down
        errors.append(found.image_px - expected)
    error = np.concatenate(errors)
    # A convention half a pixel off would show in the mean.
    assert np.abs(error.mean(axis=0)).max() < 0.01
    assert np.sqrt((error**2).mean()) < 0.03
    assert np.abs(error).max() < 0.2


def test_a_charuco_board_hidden_in_part_gives_the_corners_that_show() -> None:
    board = parse_board(CHARUCO)
    picture = photo(board, homography(board, 3, 1600, 1200), 1600, 1200, 3)
    picture[:, :700] = 90
    found = detect_board(picture, board)
    assert found is not None
    assert 8 <= len(found.number) < 54
    assert found.image_px[:, 0].min() > 690


@pytest.mark.parametrize("text", [CHARUCO, CHESS])
def test_a_photo_without_the_board_gives_none(text: str) -> None:
    noise = np.random.default_rng(0).integers(0, 255, (300, 400), dtype=np.uint8)
    assert detect_board(noise, parse_board(text)) is None


def test_charuco_corners_are_numbered_as_opencv_numbers_them() -> None:
    board = parse_board(CHARUCO)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    reference = cv2.aruco.CharucoBoard((7, 10), 26.0, 19.0, dictionary).getChessboardCorners()
    np.testing.assert_allclose(board.points_mm, np.asarray(reference), atol=1e-4)


def test_answers_in_the_shapes_of_opencv_4_and_5_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    board = parse_board(CHARUCO)
    picture = photo(board, homography(board, 1, 1600, 1200), 1600, 1200, 1)
    expected = detect_board(picture, board)
    assert expected is not None
    real = cv2.aruco.CharucoDetector

    class Shaped:
        shapes: tuple[tuple[int, ...], tuple[int, ...]]

        def __init__(self, drawn: cv2.aruco.CharucoBoard) -> None:
            self.detector = real(drawn)

        def detectBoard(self, grey: Grey) -> tuple[object, ...]:  # noqa: N802  - OpenCV's name
            corners, ids, *rest = self.detector.detectBoard(grey)
            shapes = self.shapes
            return np.reshape(corners, shapes[0]), np.reshape(ids, shapes[1]), *rest

    monkeypatch.setattr(cv2.aruco, "CharucoDetector", Shaped)
    for shapes in (((-1, 1, 2), (-1, 1)), ((-1, 2), (-1,))):
        Shaped.shapes = shapes
        found = detect_board(picture, board)
        assert found is not None
        np.testing.assert_array_equal(found.number, expected.number)
        np.testing.assert_allclose(found.image_px, expected.image_px)


@pytest.mark.parametrize("text", [CHARUCO, CHARUCO + ":legacy", CHESS, "chess:9x6:24.5"])
def test_a_description_is_read_and_written_back(text: str) -> None:
    assert parse_board(text).text == text


def test_a_description_says_what_it_means() -> None:
    assert parse_board(CHARUCO) == Board("charuco", 7, 10, 26.0, 19.0, "DICT_5X5_100")
    assert parse_board(CHESS) == Board("chess", 7, 5, 30.0)
    assert parse_board(CHESS).points_mm.shape == (35, 3)
    assert parse_board("charuco:5x7:30:20:dict_apriltag_36h11").text.endswith("36H11")
    np.testing.assert_array_equal(parse_board(CHESS).points_mm[8], [30.0, 30.0, 0.0])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "neither charuco nor chess"),
        ("dots:7x5:30", "neither charuco nor chess"),
        ("chess:7x5", "too few or too many parts"),
        ("chess:7x5:30:20", "too few or too many parts"),
        ("charuco:7x10:26:19", "too few or too many parts"),
        ("charuco:7x10:26:19:DICT_5X5_100:old", "too few or too many parts"),
        ("chess:7by5:30", "not columns x rows"),
        ("chess:2x5:30", "2 x 5 cannot be used"),
        ("chess:7x9999:30", "7 x 9999 cannot be used"),
        ("chess:7x5:30mm", 'square\'s side "30mm" is not a length'),
        ("chess:7x5:nan", "not a length"),
        ("chess:7x5:-3", "not a length"),
        ("chess:6x6:30", "looks the same when turned"),
        ("charuco:7x10:19:26:DICT_5X5_100", "markers are not smaller"),
        ("charuco:7x10:26:19:DICT_9X9_100", '"DICT_9X9_100" is not known'),
        ("charuco:7x10:26:19:__class__", "is not known"),
        ("charuco:20x30:26:19:DICT_5X5_100", "needs 300 markers and DICT_5X5_100 has 100"),
    ],
)
def test_a_wrong_description_is_refused_with_a_sentence(text: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_board(text)
    assert said in str(caught.value)
    assert caught.value.where == f"--board {text}".strip()
    assert caught.value.todo
