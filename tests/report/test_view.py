"""Where points fall in a picture: against OpenCV's projection and Pillow's EXIF turning."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from cabins import Cabin
from numpy.typing import NDArray
from PIL import Image, ImageOps

from fitscan.geometry.rigid import Rigid
from fitscan.report.view import (
    CLOSE_UP,
    LONG_SIDE_PX,
    PhotoView,
    crop_around,
    in_frame,
    upright_size,
)
from fitscan.report.write import shown_part
from fitscan.survey.survey import PhotoEntry, Survey


def cv_pixels(
    survey: Survey, entry: PhotoEntry, points: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Sensor pixels (n, 2) by OpenCV alone."""
    pose = entry.cam_from_survey
    assert pose is not None
    turn, _ = cv2.Rodrigues(pose.rotation)
    matrix = survey.lens.camera_matrix.copy()
    matrix[0, 0] *= entry.focal_factor
    matrix[1, 1] *= entry.focal_factor
    out, _ = cv2.projectPoints(points, turn, pose.translation, matrix, survey.lens.distortion)
    shift = np.array(entry.principal_point_px, dtype=np.float64)
    return np.asarray(out, dtype=np.float64).reshape(-1, 2) + shift


def test_points_fall_where_opencv_projects_them(cabin: Cabin) -> None:
    survey = cabin.shut
    points = np.array([p.translation for p in survey.poses])
    for entry in survey.photos[:4]:
        view = PhotoView.of(survey, entry)
        mine, seen = view.sensor_pixels(points)
        visible = seen & in_frame(mine, survey.lens)
        assert visible.sum() > 8
        reference = cv_pixels(survey, entry, points)
        assert np.abs(mine - reference)[visible].max() < 1e-6


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("cropped", [False, True])
def test_a_dot_of_the_sensor_appears_where_its_point_is_drawn(
    cabin: Cabin, orientation: int, cropped: bool
) -> None:
    survey = cabin.shut
    entry = replace(survey.photos[0], orientation=orientation)
    points = np.array([survey.poses[survey.row(m)].translation for m in (100, 124)])
    sensor = cv_pixels(survey, entry, points)
    picture = np.zeros((survey.lens.height_px, survey.lens.width_px), dtype=np.float64)
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    for dot in sensor:
        picture += 250.0 * np.exp(-((x - dot[0]) ** 2 + (y - dot[1]) ** 2) / (2 * 4.0**2))
    pixels = np.repeat(np.clip(picture, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    view = PhotoView.of(survey, entry, points if cropped else None)
    # Pillow turns the photo by its EXIF; crop and scale are ours, in whole pixels.
    exif = Image.Exif()
    exif[0x0112] = orientation
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG", exif=exif)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(stream)))
    assert upright.shape[1::-1] == upright_size(survey.lens, orientation)
    crop = view.crop
    part = Image.fromarray(upright).resize(
        (crop.shown_width, crop.shown_height), Image.Resampling.BICUBIC,
        box=(crop.left, crop.top, crop.left + crop.width, crop.top + crop.height),
    )  # fmt: skip
    shown, seen = view.shown(points)
    assert seen.all()
    for picture_ in (np.asarray(part), shown_part(pixels, orientation, crop)):
        for place in shown:
            assert np.linalg.norm(spot_near(picture_, place) - place) < 0.1


def spot_near(picture: NDArray[np.uint8], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Centroid of the bright spot around a place."""
    half = 30
    left, top = (round(float(v)) - half for v in place)
    window = picture[top : top + 2 * half + 1, left : left + 2 * half + 1, 0].astype(np.float64)
    y, x = np.mgrid[: window.shape[0], : window.shape[1]]
    assert window.sum() > 1000.0
    centre = np.array([(x * window).sum(), (y * window).sum()]) / window.sum()
    return np.asarray(centre + np.array([left, top]), dtype=np.float64)


def test_what_is_behind_the_camera_or_far_beside_it_is_not_drawn(cabin: Cabin) -> None:
    survey = cabin.shut
    entry = survey.photos[0]
    view = PhotoView.of(survey, entry)
    # In camera axes: ahead, behind, 80 degrees aside (the lens's polynomial folds back there).
    in_cam = np.array([[0.0, 0.0, 900.0], [0.0, 0.0, -900.0], [900.0, 0.0, 160.0]])
    assert entry.cam_from_survey is not None
    _, seen = view.sensor_pixels(entry.cam_from_survey.inverse().apply(in_cam))
    assert seen.tolist() == [True, False, False]


def test_a_line_that_leaves_the_lens_is_cut_into_pieces(cabin: Cabin) -> None:
    survey = cabin.shut
    entry = survey.photos[0]
    view = PhotoView.of(survey, entry)
    assert entry.cam_from_survey is not None
    z = np.concatenate([np.linspace(900, -900, 40), np.linspace(-900, 900, 40)])
    line = np.stack([np.zeros(80), np.zeros(80), z], axis=1)
    pieces = view.curves(entry.cam_from_survey.inverse().apply(line))
    assert len(pieces) == 2
    assert all(np.isfinite(p).all() for p in pieces)


def test_a_straight_tube_near_the_frames_edge_is_bent_as_the_lens_bends_it(cabin: Cabin) -> None:
    survey = cabin.shut
    entry = survey.photos[0]
    view = PhotoView.of(survey, entry)
    assert entry.cam_from_survey is not None
    in_cam = np.stack([np.linspace(-560, 560, 97), np.full(97, -420.0), np.full(97, 900.0)], axis=1)
    line = entry.cam_from_survey.inverse().apply(in_cam)
    (piece,) = view.curves(line)
    reference = view.crop.apply(cv_pixels(survey, entry, line))  # orientation 1: upright as is
    assert np.abs(piece - reference).max() < 1e-6
    chord = piece[-1] - piece[0]
    sag = (piece - piece[0]) @ np.array([-chord[1], chord[0]]) / np.linalg.norm(chord)
    assert np.abs(sag).max() > 2.0


def test_a_crop_holds_its_points_keeps_the_photos_shape_and_shows_surroundings() -> None:
    for places in (
        [[100.0, 90.0], [130.0, 95.0]],
        [[3900.0, 2900.0]],
        [[10.0, 10.0], [4000, 2990]],
    ):
        crop = crop_around(np.array(places), 4032, 3024)
        assert 0 <= crop.left <= 4032 - crop.width
        assert 0 <= crop.top <= 3024 - crop.height
        assert crop.width / crop.height == pytest.approx(4 / 3, rel=2e-3)
        assert crop.width >= 0.44 * 4032
        assert max(crop.shown_width, crop.shown_height) <= LONG_SIDE_PX
        shown = crop.apply(np.array(places))
        assert np.all(shown >= -0.5)
        assert np.all(shown <= [crop.shown_width - 0.5, crop.shown_height - 0.5])


def test_a_close_up_shows_much_less_much_larger() -> None:
    places = np.array([[2000.0, 1500.0], [2100.0, 1560.0]])
    wide, near = crop_around(places, 4032, 3024), crop_around(places, 4032, 3024, CLOSE_UP)
    assert near.width < 0.25 * wide.width
    assert near.shown_width / near.width > 3.0


def test_a_refused_photo_has_no_view(cabin: Cabin) -> None:
    refused = [p for p in cabin.shut.photos if p.refused is not None]
    with pytest.raises(ValueError, match="has no pose"):
        PhotoView.of(cabin.shut, refused[0])


def test_size_of_a_millimetre_matches_two_projected_points(cabin: Cabin) -> None:
    survey = cabin.shut
    entry = survey.photos[0]
    view = PhotoView.of(survey, entry)
    pose: Rigid | None = entry.cam_from_survey
    assert pose is not None
    pair = pose.inverse().apply(np.array([[-0.5, 0.0, 800.0], [0.5, 0.0, 800.0]]))
    shown, _ = view.shown(pair)
    size = float(np.linalg.norm(shown[1] - shown[0]))
    assert view.px_per_mm(pair) == pytest.approx(size, rel=0.01)
