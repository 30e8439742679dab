from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from board_scenes import BOARD, LENS, PHONE, Scene, board_views, homography, photo
from PIL import Image
from realphotos import real_photos
from scipy.stats import chi2

from fitscan.adjust.problem import Group, PriorBlock
from fitscan.adjust.solve import Options, solve
from fitscan.errors import InputError
from fitscan.lens.board import BoardCorners, parse_board
from fitscan.lens.board_block import BoardBlock, FactorPrior, pack_photo, step_photos
from fitscan.lens.calibrate import (
    BoardView,
    CalibrationRefused,
    PhotoVerdict,
    calibrate,
    calibrate_views,
)
from fitscan.photos.identity import CameraIdentity

DATA = Path(__file__).parent / "data"
FRAMES = parse_board("chess:9x6:25")


@lru_cache(maxsize=1)
def published_views() -> tuple[BoardView, ...]:
    """The 13 frames of OpenCV's published calibration, as corners."""
    identity = CameraIdentity(None, None, None, None, None, None, 640, 480)
    out = []
    for line in (DATA / "published_corners.txt").read_text("utf-8").splitlines():
        if not line.startswith("#"):
            name, *numbers = line.split()
            pixels = np.array(numbers, dtype=np.float64).reshape(-1, 2)
            corners = BoardCorners(np.arange(54), FRAMES.points_mm, pixels)
            out.append(BoardView(name, name, identity, corners))
    return tuple(out)


def moved(view: BoardView, pixels: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> BoardView:
    corners = BoardCorners(view.corners.number, view.corners.object_mm, pixels)
    return replace(view, corners=corners)


def reasons(verdicts: tuple[PhotoVerdict, ...]) -> dict[str, str | None]:
    return {v.name: v.reason for v in verdicts if not v.used}


def test_the_adjustment_reproduces_opencvs_published_calibration() -> None:
    # Source: OpenCV samples/data/left_intrinsics.yml. Same corners, no robust weights, aspect 1,
    # no breathing, the board as drawn: the same minimum. cv2.calibrateCamera run on the stored
    # corners gives rms 0.39287, the file says 0.39259.
    views = published_views()
    size = (640, 480)
    objects = [v.corners.object_mm.astype(np.float32) for v in views]
    images = [v.corners.image_px.astype(np.float32) for v in views]
    _, _, _, turns, shifts = cv2.calibrateCamera(objects, images, size, np.eye(3), np.zeros(5))
    photos = np.array(
        [
            pack_photo(np.asarray(cv2.Rodrigues(r)[0], dtype=np.float64), np.ravel(t))
            for r, t in zip(turns, shifts, strict=True)
        ]
    )
    block = BoardBlock(
        np.repeat(np.arange(13), 54),
        np.tile(FRAMES.points_mm, (13, 1)),
        np.zeros(2),
        np.array([100.0, 62.5]),
        np.concatenate([v.corners.image_px for v in views]),
        1.0,
        None,
    )
    start = np.array([[500.0, 1.0, 319.5, 239.5, 0.0, 0.0, 0.0, 0.0, 0.0]])
    fixed = np.array([np.inf, 1e-9, *[np.inf] * 7])
    groups = (
        Group("lens", start, 9),
        Group("board", np.zeros((1, 4)), 4),
        Group("photo", photos, 7, step_photos),
    )
    priors = (
        PriorBlock.independent("aspect", "lens", start, fixed),
        PriorBlock.independent("board", "board", np.zeros((1, 4)), np.full(4, 1e-9)),
        FactorPrior(13, 1e-9),
    )
    solution = solve(groups, (block, *priors), Options(steps=200, eliminate="photo"))
    f, aspect, cx, cy, k1, k2, k3, p1, p2 = solution.values["lens"][0]
    assert aspect == pytest.approx(1.0, abs=1e-6)
    assert f == pytest.approx(535.91573, abs=0.05)
    assert (cx, cy) == pytest.approx((342.28315, 235.57083), abs=0.05)
    assert k1 == pytest.approx(-0.266373, abs=2e-3)
    assert k2 == pytest.approx(-0.0385889, abs=1e-2)
    assert k3 == pytest.approx(0.238392, abs=2e-2)
    assert (p1, p2) == pytest.approx((0.00178319, -0.000281221), abs=2e-5)
    square = (solution.linears[0].residual ** 2).sum(axis=1)
    assert np.sqrt(square.mean()) == pytest.approx(0.392591, abs=5e-4)
    # Worst frame: left02.jpg, 1.18205 px in the file.
    frames = np.sqrt(square.reshape(13, 54).mean(axis=1))
    assert (frames.argmax(), frames.max()) == (1, pytest.approx(1.18205, abs=2e-3))


def test_the_published_frames_give_the_published_lens_without_their_bad_corners() -> None:
    # Same source. The corners of left02.jpg that slipped to a neighbouring edge must be found;
    # without that frame the published rms falls from 0.39 to 0.225 px.
    result = calibrate_views(published_views(), FRAMES)
    lens = result.lens.values
    assert lens[0] == pytest.approx(535.9, rel=0.01)
    assert lens[2:4] == pytest.approx([342.3, 235.6], abs=3.0)
    assert lens[4] == pytest.approx(-0.266, abs=0.03)
    assert result.rms_px < 0.225
    spoiled = result.verdicts[1]
    assert spoiled.name == "left02.jpg"
    assert spoiled.dropped >= 4 or not spoiled.used


def test_real_phone_photos_of_a_chessboard_give_the_published_lens() -> None:
    # Source: repository swatbotics/apriltag, commit 427a42c: 17 photos by a phone, 816 x 612 px;
    # published fx 765.00, fy 764.18, cx 393.72, cy 304.66 with no distortion. Ours has
    # distortion, which moves the principal point, so its band is 12 px.
    folder = real_photos("room/calibration")
    result = calibrate(sorted(folder.glob("*.JPG")), parse_board("chess:7x5:30"))
    f, aspect, cx, cy = result.lens.values[:4]
    assert sum(v.used for v in result.verdicts) >= 15
    assert f == pytest.approx(765.00, rel=0.01)
    assert f * aspect == pytest.approx(764.18, rel=0.01)
    assert cx == pytest.approx(393.72, abs=12.0)
    assert cy == pytest.approx(304.66, abs=12.0)
    assert result.rms_px < 0.25
    assert result.identity.model == "iPhone 4S"
    assert any("turn the phone" in sentence for sentence in result.advice)


def test_the_covariance_covers_the_error_over_many_seeds() -> None:
    # Noise, breathing, the print's stretch and the board's bow are drawn anew each time; the
    # normalised error squared must follow chi squared with 9 degrees of freedom.
    count = 24
    squares = []
    for seed in range(count):
        result = calibrate_views(board_views(Scene(), seed), BOARD)
        error = result.lens.values - LENS.values
        squares.append(error @ np.linalg.solve(result.covariance, error))
        assert result.sigma_px == pytest.approx(0.05, rel=0.08)
    assert chi2.ppf(0.005, 9 * count) < sum(squares) < chi2.ppf(0.995, 9 * count)
    assert max(squares) < chi2.ppf(1 - 1e-4, 9)


def test_a_lens_seen_without_noise_is_recovered_exactly() -> None:
    scene = Scene(noise_px=0.0, breathing=0.0, stretch=0.0, bow_mm=np.zeros(3))
    result = calibrate_views(board_views(scene, 1), BOARD)
    error = np.abs(result.lens.values - LENS.values)
    # The priors pull by much less than any noise would.
    assert np.all(error < [0.02, 1e-5, 0.02, 0.02, 1e-4, 1e-4, 1e-4, 1e-6, 1e-6])


def test_a_stretched_print_is_not_taken_for_the_lens() -> None:
    scene = Scene(photos=20, stretch=0.006, bow_mm=np.zeros(3))
    result = calibrate_views(board_views(scene, 5), BOARD)
    assert result.stretch == pytest.approx(0.006, abs=5e-4)
    assert result.lens.values[1] == pytest.approx(LENS.values[1], abs=3e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_photo_that_spoils_the_fit_is_named_and_left_out(seed: int) -> None:
    views = board_views(Scene(), seed)
    clean = calibrate_views(views, BOARD)
    # The board bent in the hand for one photo: corners slide smoothly by up to 3 px.
    view = views[6]
    x, y = (view.corners.object_mm[:, :2] / [182.0, 260.0]).T
    slide = 12.0 * np.column_stack([x * (1 - x), -y * (1 - y) * x])
    views[6] = moved(view, view.corners.image_px + slide)
    result = calibrate_views(views, BOARD)
    said = reasons(result.verdicts)
    assert list(said) == ["board_07.jpg"]
    assert "does not fit the others" in str(said["board_07.jpg"])
    sigma = np.sqrt(np.diag(clean.covariance))
    assert np.all(np.abs(result.lens.values - LENS.values) < 5 * sigma)


def test_a_zoomed_photo_without_exif_of_it_is_named_and_left_out() -> None:
    views = board_views(Scene(), 8)
    centre = LENS.values[2:4]
    views[3] = moved(views[3], (views[3].corners.image_px - centre) * 1.03 + centre)
    result = calibrate_views(views, BOARD)
    assert list(reasons(result.verdicts)) == ["board_04.jpg"]


def test_single_wrong_corners_are_dropped_and_counted() -> None:
    views = board_views(Scene(), 9)
    pixels = views[2].corners.image_px.copy()
    pixels[[4, 11]] += [[6.0, -2.0], [0.0, 9.0]]
    views[2] = moved(views[2], pixels)
    result = calibrate_views(views, BOARD)
    assert reasons(result.verdicts) == {}
    assert [v.dropped for v in result.verdicts] == [0, 0, 2] + [0] * 13
    assert len(result.image_px) == sum(v.corners - v.dropped for v in result.verdicts)
    np.testing.assert_array_equal(np.unique(result.photo), np.arange(16))


def test_the_photo_of_another_phone_is_named_and_left_out() -> None:
    views = board_views(Scene(), 4)
    views[5] = replace(views[5], identity=replace(PHONE, model="P8"))
    views[9] = replace(views[9], identity=replace(PHONE, lens="tele"))
    result = calibrate_views(views, BOARD)
    said = reasons(result.verdicts)
    assert list(said) == ["board_06.jpg", "board_10.jpg"]
    assert "taken by Lumen P8" in str(said["board_06.jpg"])
    assert "another lens" in str(said["board_10.jpg"])
    assert result.identity == PHONE


def test_too_few_photos_are_refused() -> None:
    views = board_views(Scene(photos=5), 1)
    with pytest.raises(CalibrationRefused, match=r"5 of 6 photos .* 6 are needed") as caught:
        calibrate_views([*views, PhotoVerdict("x.jpg", "", False, "the board is blurred")], BOARD)
    assert "x.jpg: the board is blurred" in caught.value.where
    assert [v.name for v in caught.value.verdicts] == ["x.jpg"]
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("known", [True, False])
def test_photos_taken_squarely_are_refused_and_a_tilt_is_asked_for(seed: int, known: bool) -> None:
    identity = PHONE if known else replace(PHONE, focal_35mm=None)
    views = board_views(Scene(tilt_deg=1.0), seed, identity=identity)
    with pytest.raises(CalibrationRefused, match="too squarely") as caught:
        calibrate_views(views, BOARD)
    assert "tilted by 30 to 45 degrees" in caught.value.todo


def test_a_board_that_stays_in_the_middle_is_refused_and_the_corners_are_asked_for() -> None:
    views = board_views(Scene(reach=0.0), 2)
    for i, view in enumerate(views):
        near = np.all(np.abs(view.corners.image_px - [2016, 1512]) < [900, 700], axis=1)
        c = view.corners
        views[i] = replace(
            view, corners=BoardCorners(c.number[near], c.object_mm[near], c.image_px[near])
        )
    with pytest.raises(CalibrationRefused, match="way into its corners") as caught:
        calibrate_views(views, BOARD)
    assert "each corner of the frame" in caught.value.todo


def test_coverage_says_where_the_board_was() -> None:
    result = calibrate_views(board_views(Scene(), 1), BOARD)
    assert result.coverage.counts.shape == (6, 8)
    assert result.coverage.counts.sum() == len(result.image_px)
    assert 0.8 < result.coverage.share <= 1.0
    assert 0.8 < result.coverage.radius <= 1.0


def test_an_empty_corner_of_the_frame_is_named_in_the_advice() -> None:
    views = board_views(Scene(), 6)
    for i, view in enumerate(views):
        c = view.corners
        stay = ~np.all(c.image_px < [1100, 1100], axis=1)
        views[i] = replace(
            view, corners=BoardCorners(c.number[stay], c.object_mm[stay], c.image_px[stay])
        )
    advice = calibrate_views(views, BOARD).advice
    assert any("upper left" in sentence for sentence in advice)


def test_the_camera_file_holds_what_was_found() -> None:
    result = calibrate_views(board_views(Scene(), 1), BOARD)
    camera = result.camera_file()
    np.testing.assert_array_equal(camera.lens_model().values, result.lens.values)
    np.testing.assert_array_equal(camera.covariance_matrix(), result.covariance)
    assert camera.identity.identity() == PHONE
    assert camera.board == BOARD.text
    assert [p.name for p in camera.photos] == [f"board_{i:02d}.jpg" for i in range(1, 17)]


def test_photos_on_the_disk_give_the_lens_they_were_drawn_with(tmp_path: Path) -> None:
    # Focal length 0.75 widths, no distortion; portrait and landscape by EXIF; one file twice.
    board, width, height = parse_board("charuco:6x9:30:22:DICT_4X4_50"), 1200, 900
    for seed in range(9):
        exif = Image.Exif()
        exif[0x0110], exif[0x0112] = "P7", (1, 3, 6, 8)[seed % 4]
        aside = (0.2 * (-1, 0, 1)[seed % 3], 0.2 * (-1, 0, 1)[seed // 3])
        warp = homography(board, seed, width, height, aside)
        drawn = Image.fromarray(photo(board, warp, width, height, seed))
        drawn.save(tmp_path / f"board {seed}.jpg", exif=exif, quality=95)
    copy = tmp_path / "copy.jpg"
    copy.write_bytes((tmp_path / "board 2.jpg").read_bytes())
    result = calibrate(sorted(tmp_path.glob("*.jpg")), board)
    assert reasons(result.verdicts) == {"copy.jpg": "it is a copy of board 2.jpg"}
    error = result.lens.values - [900.0, 1.0, 600.0, 450.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    assert error @ np.linalg.solve(result.covariance, error) < chi2.ppf(0.999, 9)
    assert abs(error[0]) < 3.0
    assert result.rms_px < 0.06


def test_files_that_are_no_board_photos_are_refused_by_name(tmp_path: Path) -> None:
    plain = np.full((300, 400), 128, np.uint8)
    cv2.imwrite(str(tmp_path / "plain.png"), plain)
    (tmp_path / "cut.jpg").write_bytes(b"\xff\xd8\xff\xe0\x00\x10")
    names: list[str] = []
    with pytest.raises(CalibrationRefused) as caught:
        calibrate([tmp_path / "plain.png", tmp_path / "cut.jpg"], BOARD, names.append)
    said = reasons(caught.value.verdicts)
    assert said["plain.png"] == "the board is not found in it"
    assert "cut short" in str(said["cut.jpg"])
    assert names == ["plain.png", "cut.jpg"]


def test_a_missing_file_stops_the_calibration(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        calibrate([tmp_path / "none.jpg"], BOARD)
