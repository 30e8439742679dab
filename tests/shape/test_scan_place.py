"""A scan's place: known transforms, Open3D's own ICP, uncertainty, and scans that cannot be it."""

from __future__ import annotations

from dataclasses import replace
from unittest import mock

import numpy as np
import open3d
import pytest
from cage_surveys import error_free
from known_surveys import known_survey
from scanned_panels import (
    KIT,
    SCAN_FROM_PANEL,
    panel_scan,
    panel_survey,
    picks,
    poses,
    stickers_off,
)
from scenes import drawn

from fitscan.errors import DataError
from fitscan.fit.align import motion_rows
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.shape import scan_place
from fitscan.shape.scan import Scan
from fitscan.shape.scan_place import Placement, place_scan
from fitscan.shape.scan_points import ScanPoints
from fitscan.survey.survey import Survey

NO_TRIANGLES = np.zeros((0, 3), dtype=np.int64)
AROUND = np.array([[-200.0, 20.0, 0.0], [0.0, 20.0, -10.0], [200.0, 20.0, 0.0]])
"""Places of the panel along the groove."""


def true_place(survey: Survey) -> Rigid:
    """survey_from_scan of an exact survey."""
    survey_from_panel = survey.poses[survey.row(0)] @ poses()[0].inverse()
    return survey_from_panel @ SCAN_FROM_PANEL.inverse()


def off(placement: Placement, survey: Survey) -> Array:
    """How far places of the panel (3, 3) are off, told in the panel's frame."""
    x = SCAN_FROM_PANEL.apply(AROUND)
    moved = placement.survey_from_scan.apply(x) - true_place(survey).apply(x)
    panel_from_survey = (survey.poses[survey.row(0)] @ poses()[0].inverse()).inverse()
    return np.asarray(panel_from_survey.turn(moved))


def test_exact_picks_find_the_known_transform() -> None:
    survey = error_free(panel_survey())
    placement, _ = place_scan(survey, panel_scan(), picks())
    assert np.abs(off(placement, survey)).max() < 1e-6
    assert placement.scale == pytest.approx(1.0, abs=1e-9)


def test_paper_on_the_surface_refines_what_picks_leave_open() -> None:
    survey = error_free(panel_survey())
    rough, fine = [], []
    for seed in range(4):
        points = picks(0.8, seed=seed)
        placement, _ = place_scan(survey, panel_scan(noise_mm=0.03), points)
        assert placement.planes >= 20
        fine.append(np.abs(off(placement, survey)[:, 2]).max())
        # The same scan far off shows the picks alone: no paper is near it.
        bare = panel_scan(noise_mm=0.03)
        panel = SCAN_FROM_PANEL.inverse().apply(bare.vertices) - [0.0, 0.0, 6.0]
        away = replace(bare, vertices=SCAN_FROM_PANEL.apply(panel))
        alone, _ = place_scan(survey, away, points)
        assert alone.planes == 0
        rough.append(np.abs(off(alone, survey)[:, 2]).max())
    # Paper lies on the panel to tenths; picks are off by most of a millimetre.
    assert max(fine) < 0.12
    assert np.mean(rough) > 3.0 * np.mean(fine)


def corner() -> tuple[Survey, Scan, ScanPoints]:
    """Six tags on three walls of a corner, each a tenth or so off its wall, and a scan of it.

    Walls that stand square to each other leave nothing open, so that ICP needs no picks.
    """
    rng = np.random.default_rng(6)
    walls, known = [], {}
    grid = np.stack(np.meshgrid(*[np.arange(0.0, 300.1, 3.0)] * 2), axis=-1).reshape(-1, 2)
    for axis in range(3):
        normal = np.eye(3)[axis]
        right, up = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
        walls.append(grid[:, :1] * right + grid[:, 1:] * up)
        for number, (a, b) in enumerate(((90.0, 200.0), (210.0, 80.0))):
            turn = np.stack([right, up, normal], axis=1)
            place = a * right + b * up + rng.normal(0.0, 0.1) * normal
            known[2 * axis + number] = Rigid(turn, place)
    normals = np.repeat(np.eye(3), len(grid), axis=0)
    scan = Scan("corner.ply", "0" * 64, np.concatenate(walls), NO_TRIANGLES, normals)
    survey = error_free(known_survey(KIT, known, seed=4))
    marked = np.array([known[m].translation for m in known]) + rng.normal(0.0, 0.2, (6, 3))
    return survey, scan, ScanPoints("points.toml", "mm", marked, tuple(known), 30.0, 0.0, 0.0)


def test_where_paper_alone_decides_it_agrees_with_open3ds_icp() -> None:
    survey, scan, points = corner()
    # ICP takes all points alike, and knows nothing of stickers that are off as a whole.
    with mock.patch.multiple(scan_place, _LIE_MM=0.0, _CURL_MM=0.1):
        placement, _ = place_scan(survey, scan, points)
    assert placement.planes == 30
    corners = np.array([[0, 0], [-1, 1], [1, 1], [1, -1], [-1, -1]]) * 12.0
    local = np.column_stack([corners, np.zeros(5)])
    paper = np.concatenate([p.apply(local) for p in survey.poses])
    source = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(paper))
    target = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(scan.vertices))
    target.normals = open3d.utility.Vector3dVector(scan.normals)
    rough = align_points(
        np.array([p.translation for p in survey.poses]), points.points, with_scale=False
    ).b_from_a
    start = np.eye(4)
    start[:3, :3], start[:3, 3] = rough.rotation, rough.translation
    found = open3d.pipelines.registration.registration_icp(
        source, target, 5.0, start,
        open3d.pipelines.registration.TransformationEstimationPointToPlane(),
        open3d.pipelines.registration.ICPConvergenceCriteria(1e-12, 1e-12, 100),
    )  # fmt: skip
    theirs = Rigid(found.transformation[:3, :3], found.transformation[:3, 3]).inverse()
    apart = placement.survey_from_scan.apply(points.points) - theirs.apply(points.points)
    # The picks still pull a little, with 30 mm against a tenth.
    assert np.abs(apart).max() < 2e-3


def test_paper_that_does_not_lie_on_the_scan_is_left_out_and_the_rest_still_helps() -> None:
    survey = error_free(panel_survey())
    # One tag came off and hangs 1.5 mm over the panel.
    row = survey.row(4)
    pose = survey.poses[row]
    lifted = Rigid(pose.rotation, pose.translation + 1.5 * pose.rotation[:, 2])
    moved = replace(survey, poses=(*survey.poses[:row], lifted, *survey.poses[row + 1 :]))
    placement, _ = place_scan(moved, panel_scan(), picks(0.3, seed=3, what=(0, 2, 3, 5)))
    assert placement.planes >= 20
    assert 4 not in placement.rules.markers
    assert np.abs(off(placement, survey)[:, 2]).max() < 0.1


def test_u_of_the_place_covers_as_often_as_stated() -> None:
    base = panel_survey(sigma_mm=0.1)
    scan = panel_scan(step_mm=4.0)
    rng = np.random.default_rng(4)
    ratios = []
    for seed in range(50):
        placement, _ = place_scan(stickers_off(drawn(base, rng), rng), scan, picks(0.4, seed=seed))
        x = SCAN_FROM_PANEL.apply(AROUND[1])
        rows = motion_rows(placement.survey_from_scan.turn(x)[None])
        covariance = rows @ placement.covariance @ rows.T
        miss = placement.survey_from_scan.apply(x) - true_place(base).apply(x)
        ratios.append(float(miss @ np.linalg.solve(covariance, miss)))
    # Three numbers: the mean of chi squared is 3.
    assert 2.0 < np.mean(ratios) < 3.9


def test_picks_that_scatter_more_than_was_said_are_believed_less() -> None:
    survey = panel_survey()
    said = place_scan(survey, panel_scan(), picks(0.8, seed=3, u_mm=0.6))[0]
    assert said.spread >= 1.0
    tight = place_scan(survey, panel_scan(), picks(0.0, u_mm=0.6))[0]
    assert tight.spread == 1.0
    assert np.trace(said.own) >= np.trace(tight.own)


@pytest.mark.parametrize(("unit", "size"), [("m", 1e-3), ("in", 1 / 25.4), ("cm", 0.1)])
def test_a_scan_in_another_unit_is_noticed_and_named(unit: str, size: float) -> None:
    scan, points = panel_scan(), picks()
    small = Scan(scan.name, scan.sha256, size * scan.vertices, scan.triangles, scan.normals)
    with pytest.raises(DataError, match=rf"scan is in {unit}, not in mm.*--mesh-unit {unit}\."):
        place_scan(panel_survey(), small, replace(points, points=size * points.points))


def test_a_scan_of_another_size_is_refused_and_a_little_of_it_is_said() -> None:
    scan, points = panel_scan(), picks()
    large = replace(scan, vertices=1.2 * scan.vertices)
    with pytest.raises(DataError, match="does not fit the survey's size"):
        place_scan(panel_survey(), large, replace(points, points=1.2 * points.points))
    larger = replace(scan, vertices=1.004 * scan.vertices)
    found, _ = place_scan(
        error_free(panel_survey()), larger, replace(points, points=1.004 * points.points, u_mm=0.4)
    )
    assert any("4.0 per mille larger than the survey" in r for r in found.remarks)


def test_a_pick_that_is_another_point_is_left_out_and_named() -> None:
    points = picks(0.1)
    wrong = points.points.copy()
    wrong[1] += [9.0, -4.0, 3.0]
    placement, _ = place_scan(panel_survey(), panel_scan(), replace(points, points=wrong))
    assert [n.marker for n in placement.named if not n.used] == [2]
    assert any("marker 2 contradicts the others by 10." in r for r in placement.remarks)
    assert np.abs(off(placement, panel_survey())).max() < 0.5


def test_points_that_contradict_each_other_are_refused() -> None:
    points = picks(0.1, what=(0, 2, 3))
    wrong = points.points + np.random.default_rng(1).normal(0.0, 4.0, points.points.shape)
    with pytest.raises(DataError, match=r"do not agree with the survey: up to \d"):
        place_scan(panel_survey(), panel_scan(), replace(points, points=wrong))


def test_too_few_points_are_refused_and_those_without_a_pose_named() -> None:
    with pytest.raises(DataError, match=r"Only 2 of the scan's named points were measured, and 3"):
        place_scan(panel_survey(), panel_scan(), picks(what=(0, 2)))
    survey = panel_survey(without=(2, 3, 5))
    with pytest.raises(DataError, match=r"not found in the photos: 2, 3, 5"):
        place_scan(survey, panel_scan(), picks())


def test_the_wrong_scan_is_refused() -> None:
    scan = panel_scan()
    other = replace(scan, vertices=scan.vertices + np.array([0.0, 0.0, 400.0]))
    with pytest.raises(DataError, match=r"5 of 5 named points are not on the scan: \d+ mm"):
        place_scan(panel_survey(), other, picks())
