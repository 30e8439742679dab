from dataclasses import replace

import numpy as np
import pytest
from board_scenes import BOARD, LENS, PHONE, Scene, board_views

from fitscan.errors import InputError
from fitscan.lens.calibrate import calibrate_views
from fitscan.lens.camera_file import CameraFile
from fitscan.lens.match import SESSION_FOCAL_SIGMA, guess_from_identity, lens_for, main_camera
from fitscan.photos.identity import CameraIdentity


@pytest.fixture(scope="module")
def camera() -> CameraFile:
    return calibrate_views(board_views(Scene(), 1), BOARD).camera_file()


def test_exif_gives_a_focal_length_by_the_diagonal() -> None:
    # 36 x 24 mm film has a diagonal of 43.27 mm; a photo of 3600 x 2400 px has 100 px to its mm.
    identity = CameraIdentity("Lumen", "P7", None, None, 26.0, None, 3600, 2400)
    prior = guess_from_identity(identity)
    assert prior.lens.values[0] == pytest.approx(2600.0)
    np.testing.assert_allclose(prior.lens.values[1:4], [1.0, 1799.5, 1199.5])
    np.testing.assert_array_equal(prior.lens.values[4:], 0.0)
    sigma = np.sqrt(np.diag(prior.covariance))
    np.testing.assert_allclose(sigma[:4], [130.0, 0.001, 36.0, 36.0])
    assert prior.source == "exif"


def test_the_guess_covers_a_real_phone() -> None:
    # Repository swatbotics/apriltag, commit 427a42c: EXIF says 35 mm, the published calibration
    # of 816 x 612 px says fx 765.00, cx 393.72, cy 304.66.
    identity = CameraIdentity("Apple", "iPhone 4S", None, 4.28, 35.0, None, 816, 612)
    prior = guess_from_identity(identity)
    error = np.array([765.00, 1.0, 393.72, 304.66]) - prior.lens.values[:4]
    assert np.all(np.abs(error) < 2 * np.sqrt(np.diag(prior.covariance)[:4]))


def test_without_a_focal_length_in_exif_a_calibration_is_asked_for() -> None:
    with pytest.raises(InputError, match="how wide their view is") as caught:
        guess_from_identity(replace(PHONE, focal_35mm=None))
    assert "fitscan calibrate" in caught.value.todo


def test_a_calibrated_camera_serves_its_own_photos_and_refuses_the_rest(
    camera: CameraFile,
) -> None:
    zoomed = replace(PHONE, digital_zoom=2.0)
    small = replace(PHONE, width_px=2016, height_px=1512)
    match = lens_for([PHONE, zoomed, PHONE, small, replace(PHONE, model="P8")], camera)
    assert match.used == (0, 2)
    assert set(match.refused) == {1, 3, 4}
    assert "zoom" in match.refused[1]
    assert "2016 x 1512 px, not 4032 x 3024 px" in match.refused[3]
    assert "taken by Lumen P8" in match.refused[4]
    assert match.prior.source == "calibration"


def test_a_shoots_focal_length_is_known_less_well_than_the_boards(camera: CameraFile) -> None:
    match = lens_for([PHONE], camera)
    given, prior = camera.covariance_matrix(), match.prior.covariance
    extra = (SESSION_FOCAL_SIGMA * match.prior.lens.values[0]) ** 2
    assert prior[0, 0] == pytest.approx(given[0, 0] + extra)
    np.testing.assert_array_equal(prior.ravel()[1:], given.ravel()[1:])
    np.testing.assert_array_equal(
        lens_for([PHONE], camera, session_sigma=0.0).prior.covariance, given
    )


def test_focusing_from_board_to_car_stays_within_the_session_sigma() -> None:
    # The thin lens: image distance f d / (d - f), from 0.6 m to 1.5 m, f = 5.4 mm.
    near, far = (5.4 * d / (d - 5.4) for d in (600.0, 1500.0))
    assert abs(near / far - 1.0) < 2 * SESSION_FOCAL_SIGMA


def test_photos_none_of_which_is_the_calibrated_cameras_are_refused(camera: CameraFile) -> None:
    other = replace(PHONE, model="P8")
    with pytest.raises(InputError, match=r"No photo belongs .* taken by Lumen P8"):
        lens_for([other, other], camera)


def test_without_a_camera_file_the_majority_decides() -> None:
    other = replace(PHONE, model="P8")
    match = lens_for([other, PHONE, PHONE], None)
    assert match.used == (1, 2)
    assert "Lumen P8" in match.refused[0]
    assert match.prior.lens.values[0] == pytest.approx(LENS.values[0], rel=0.05)


def test_among_equally_many_the_first_camera_wins() -> None:
    other = replace(PHONE, model="P8")
    assert main_camera([PHONE, other]) == (0, main_camera([PHONE, other])[1])
    assert list(main_camera([PHONE, other])[1]) == [1]
    assert list(main_camera([other, PHONE])[1]) == [1]


def test_a_photo_that_states_more_speaks_for_the_camera() -> None:
    silent = replace(PHONE, focal_35mm=None, lens=None)
    match = lens_for([silent, PHONE, silent], None)
    assert match.used == (0, 1, 2)
    assert match.prior.identity == PHONE


def test_no_photos_at_all_are_refused(camera: CameraFile) -> None:
    for given in (camera, None):
        with pytest.raises(InputError):
            lens_for([], given)
