"""A door past a bar: clearances against brute force, what is stated of them, and refusals."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from unittest import mock

import numpy as np
import pytest
from bare_doors import BAR, OD_MM, POINTERS, TAGS, door_survey, door_truth, swung, tip_of
from known_surveys import cuff, on_axis
from scenes import drawn
from scipy.spatial.distance import cdist

from fitscan.errors import DataError
from fitscan.fit.obstacles import door_points, stub_points
from fitscan.fit.sweep import Sweep, find_sweep
from fitscan.fit.sweep_file import SweepFile, sweep_document
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import TubeSpec
from fitscan.shape.scan import Scan
from fitscan.shape.scan_points import ScanPoints
from fitscan.store.json_file import render_json

ANGLES = (0.0, 62.0)


def swept(**wishes: object) -> Sweep:
    surveys = [door_survey(a, seed=i) for i, a in enumerate(ANGLES)]
    return find_sweep(surveys, "trim", ["shell"], "door bar", **wishes)  # type: ignore[arg-type]


def true_points() -> Array:
    """Corners of tags and tips of pointers with the door shut, in the car."""
    poses = door_truth()
    corners = [(-15.0, 15.0), (15.0, 15.0), (15.0, -15.0), (-15.0, -15.0)]
    out = [poses[m].apply(np.array([x, y, 0.0])) for m in TAGS for x, y in corners]
    return np.array([*out, *(tip_of(p) for p in POINTERS)])


def true_clearance(open_deg: float) -> float:
    """By brute force: the bar as points a tenth of a millimetre apart."""
    way = BAR[1] / np.linalg.norm(BAR[1])
    along = np.arange(-325.0, 325.01, 0.1)
    bar = BAR[0] + along[:, None] * way
    return float(cdist(swung(true_points(), open_deg), bar).min()) - 0.5 * OD_MM


def test_the_clearance_at_every_door_angle_is_that_of_brute_force() -> None:
    result = swept(step_deg=2.0)
    assert len(result.angles) >= 32
    for a in result.angles:
        assert a.clearance_mm == pytest.approx(true_clearance(a.open_deg), abs=2e-3)
    fine = np.linspace(0.0, 6.0, 121)
    least = min(true_clearance(float(a)) for a in fine)
    assert result.tightest.clearance_mm == pytest.approx(least, abs=2e-3)
    assert result.tightest.obstacle.startswith("pointer")
    assert result.tightest.clearance_mm == min(a.clearance_mm for a in result.angles)


def test_the_points_that_are_told_are_those_that_are_nearest_in_the_cars_axes() -> None:
    result = swept()
    assert result.axes.known
    t = result.tightest
    away = float(np.linalg.norm(t.door_mm - t.bar_mm))
    assert away - 0.5 * OD_MM == pytest.approx(t.clearance_mm, abs=1e-6)
    # Datum tags lie at (+-900, 0, 0): the told frame is the car's.
    tip = min((tip_of(p) for p in POINTERS), key=lambda x: np.linalg.norm(x - t.door_mm))
    assert t.door_mm == pytest.approx(swung(tip, t.open_deg), abs=1e-3)


def test_clearances_are_covered_as_often_as_stated() -> None:
    rng = np.random.default_rng(4)
    surveys = [door_survey(a, seed=i, sigma_mm=0.1) for i, a in enumerate((0.0, 62.0))]
    exact = find_sweep(surveys, "trim", ["shell"], "door bar", step_deg=10.0)
    # Away from where another point becomes the nearest, a clearance has one first order.
    places = [0, 3, len(exact.angles) - 1]
    ratios = []
    for _ in range(50):
        found = find_sweep(
            [drawn(s, rng) for s in surveys], "trim", ["shell"], "door bar", step_deg=10.0
        )
        row = []
        for i in places:
            angle = exact.angles[i]
            near = min(found.angles, key=lambda a: abs(a.open_deg - angle.open_deg))
            if abs(near.open_deg - angle.open_deg) < 0.01:
                row.append((near.clearance_mm - true_clearance(near.open_deg)) / near.expanded_mm)
        ratios.append(row)
    flat = np.concatenate([np.array(r) for r in ratios])
    assert len(flat) >= 120
    assert 0.91 <= np.mean(np.abs(flat) <= 1.0) <= 0.99


def test_verdicts_sentences_and_what_would_decide_follow_from_the_clearance() -> None:
    least = swept().tightest
    kept = swept(wanted_mm=least.clearance_mm - 2.0 * least.expanded_mm)
    assert kept.tightest.verdict is Verdict.IN
    assert "clears the trim as it shuts" in kept.sentences[0]
    assert any("more than the" in s for s in kept.sentences)
    lost = swept(wanted_mm=least.clearance_mm + 2.0 * least.expanded_mm)
    assert lost.tightest.verdict is Verdict.OUT
    assert kept.deciding == lost.deciding == ()
    unsure = swept(wanted_mm=least.clearance_mm + 0.5 * least.expanded_mm)
    assert unsure.tightest.verdict is Verdict.OPEN
    assert "more photos of" in unsure.deciding[0]
    assert any("known at 34 points only" in w for w in unsure.warnings)
    assert any("turns as a hinge" in s for s in unsure.sentences)


def test_a_bar_in_the_doors_way_is_said_to_foul_and_at_which_angles() -> None:
    deeper = {p: np.array([0.0, -38.0, 0.0]) for p in POINTERS}
    turned = {p: swung(deeper[p], 62.0) - swung(np.zeros(3), 62.0) for p in POINTERS}
    surveys = [
        door_survey(0.0, moved=deeper), door_survey(62.0, seed=2, moved=turned)
    ]  # fmt: skip
    result = find_sweep(surveys, "trim", ["shell"], "door bar")
    assert result.tightest.clearance_mm < 0.0
    assert "fouls the trim as it shuts, proven" in result.sentences[0]
    assert "They overlap between 0.0 and" in result.sentences[1]
    assert "too deep" in result.headline


def test_lips_are_joined_only_when_asked() -> None:
    surveys = [door_survey(a, seed=i) for i, a in enumerate(ANGLES)]
    plain = door_points(surveys, "trim")
    joined = door_points(surveys, "trim", joined=True)
    assert not any("between" in o.name for o in plain)
    between = [o for o in joined if "upper lip between pointers 60 and 61" in o.name]
    assert len(between) == len(joined) - len(plain) > 50
    shown = surveys[between[0].survey]
    poses = dict(zip(shown.markers, shown.poses, strict=True))
    line = np.array([o.at(poses) for o in between])
    steps = [float(np.linalg.norm(b - a)) for a, b in pairwise(line)]
    assert max(steps) < 6.0


def test_a_bend_between_two_straights_counts_with_its_radius() -> None:
    kit = door_survey(0.0).kit
    second = BAR[0] + np.array([620.0, -60.0, -200.0])
    way = np.array([0.8, -0.3, -0.5])
    bent = kit.model_copy(
        update={
            "cuff": (*kit.cuff, cuff(136, "door bar", 2), cuff(148, "door bar", 2)),
            "tube": (TubeSpec(name="door bar", clr_mm=114.0),),
        }
    )
    surveys = []
    for i, a in enumerate(ANGLES):
        survey = door_survey(a, seed=i)
        from_car = survey.poses[0] @ door_truth()[0].inverse()
        extra = {m: from_car @ on_axis(second, way, s) for m, s in ((136, 60.0), (148, 260.0))}
        n = len(survey.markers)
        covariance = np.zeros((6 * n + 12, 6 * n + 12))
        covariance[: 6 * n, : 6 * n] = survey.covariance
        covariance[6 * n :, 6 * n :] = np.diag(np.tile([1e-6] * 3 + [0.0025] * 3, 2))
        surveys.append(
            replace(
                survey, kit=bent, markers=(*survey.markers, *extra), covariance=covariance,
                poses=(*survey.poses, *extra.values()), sights=(*survey.sights, 5, 5),
            )
        )  # fmt: skip
    result = find_sweep(surveys, "trim", ["shell"], "door bar")
    assert not any("is not looked at" in w for w in result.warnings)
    # Pieces join: from the first straight through the arc to the second.
    pieces = result.bar_line.reshape(-1, 2, 3)
    first, second_, arc = pieces[0], pieces[1], pieces[2:]
    assert arc[0, 0] == pytest.approx(first[1], abs=1e-6)
    assert arc[-1, 1] == pytest.approx(second_[0], abs=1e-6)
    for a, b in pairwise(arc):
        assert b[0] == pytest.approx(a[1], abs=1e-9)
    # The arc has the radius: three of its corners lie on a circle of 114 mm.
    p, q, r = arc[0, 0], arc[len(arc) // 2, 0], arc[-1, 1]
    a, b, c = (float(np.linalg.norm(v)) for v in (q - r, p - r, p - q))
    area = 0.5 * float(np.linalg.norm(np.cross(q - p, r - p)))
    assert a * b * c / (4.0 * area) == pytest.approx(114.0, rel=1e-6)
    without = [replace(s, kit=bent.model_copy(update={"tube": ()})) for s in surveys]
    said = find_sweep(without, "trim", ["shell"], "door bar")
    assert any("between straights 1 and 2 is not looked at" in w for w in said.warnings)


def test_a_stub_that_counts_as_solid_is_as_thick_as_it_is() -> None:
    survey = door_survey(0.0)
    points = stub_points([survey], "door bar")
    assert {o.grown_mm for o in points} == {0.5 * OD_MM}
    poses = dict(zip(survey.markers, survey.poses, strict=True))
    line = np.array([o.at(poses) for o in points])
    from_car = survey.poses[0] @ door_truth()[0].inverse()
    axis = from_car.turn(BAR[1] / np.linalg.norm(BAR[1]))
    off = line - from_car.apply(BAR[0])
    assert np.abs(off - np.outer(off @ axis, axis)).max() < 1e-6
    assert np.ptp(off @ axis) == pytest.approx(650.0, abs=11.0)


def test_the_shut_door_comes_first() -> None:
    surveys = [door_survey(62.0), door_survey(0.0, seed=2)]
    # Seen from the open door the other one stands at the same angle the other way: it is told by
    # the axis alone, so the first survey is taken as shut and nothing can be noticed.
    result = find_sweep(surveys, "trim", ["shell"], "door bar")
    assert result.positions[1][1] == pytest.approx(62.0, abs=1e-3)


def test_a_door_without_tags_and_pointers_is_refused() -> None:
    survey = door_survey(0.0)
    with pytest.raises(DataError, match="No tag or pointer of the part 'cage'"):
        door_points([survey], "cage")


def test_the_file_holds_the_axis_the_positions_and_every_angle() -> None:
    result = swept(step_deg=5.0)
    kept = SweepFile.model_validate_json(
        "{" + render_json(sweep_document(result)).split('"schema_version": 1,', 1)[1]
    )
    assert kept.tightest.clearance_mm == result.tightest.clearance_mm
    assert len(kept.angles) == len(result.angles)
    assert [p.survey for p in kept.positions] == ["open 0", "open 62"]
    assert kept.positions[1].open_deg == pytest.approx(62.0, abs=1e-4)
    assert kept.axis_point_U_mm > 0.0
    assert "by hand" in kept.caution


def panel(spacing_mm: float = 40.0) -> tuple[Scan, ScanPoints]:
    """A scanned shelf on the door that stands out towards the bar, and four picked tags."""
    scan_from_car = Rigid(np.eye(3), np.array([-200.0, 30.0, 10.0]))
    x, z = np.meshgrid(np.arange(0.0, 601.0, spacing_mm), np.arange(480.0, 561.0, spacing_mm))
    # Nearer to the bar than any pointer, and bulging in the middle.
    y = 632.0 - 4.0 * np.cos((x - 300.0) / 150.0)
    shape = x.shape
    grid = np.arange(x.size).reshape(shape)
    a, b, c, d = grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1]
    triangles = np.concatenate(
        [np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)]
    )
    vertices = scan_from_car.apply(np.stack([x, y, z], -1).reshape(-1, 3))
    normals = np.tile([0.0, -1.0, 0.0], (len(vertices), 1))
    scan = Scan("shelf.ply", "0" * 64, vertices, triangles.astype(np.int64), normals)
    ids = TAGS[:6]
    picks = scan_from_car.apply(np.array([door_truth()[m].translation for m in ids]))
    return scan, ScanPoints("picks.csv", "mm", picks, ids, 0.2, 0.05, 0.0)


def test_a_scan_of_the_trim_is_cleared_as_brute_force_says() -> None:
    surveys = [door_survey(a, seed=i) for i, a in enumerate(ANGLES)]
    plain = find_sweep(surveys, "trim", ["shell"], "door bar", step_deg=10.0)
    with mock.patch("fitscan.shape.scan_place._on_surface"):
        # The shelf does not hold the tags that place it, so it cannot be checked against them.
        scanned = find_sweep(
            surveys, "trim", ["shell"], "door bar", step_deg=10.0, scan=panel()
        )  # fmt: skip
    t = scanned.tightest
    assert t.obstacle == "the scan shelf.ply"
    assert t.clearance_mm < plain.tightest.clearance_mm
    # Brute force: the triangles' points half a millimetre apart, the bar a millimetre.
    scan, _ = panel()
    corners = scan.vertices[scan.triangles] - np.array([-200.0, 30.0, 10.0])
    steps = np.linspace(0.0, 1.0, 41)
    u, v = (g.reshape(-1) for g in np.meshgrid(steps, steps))
    inside = u + v <= 1.0
    weights = np.stack([1.0 - u - v, u, v], axis=1)[inside]
    shelf = np.einsum("wk,nkc->nwc", weights, corners).reshape(-1, 3)
    way = BAR[1] / np.linalg.norm(BAR[1])
    for a in scanned.angles[:3]:
        places = swung(shelf, a.open_deg) - BAR[0]
        along = np.clip(places @ way, -325.0, 325.0)
        least = float(np.linalg.norm(places - along[:, None] * way, axis=1).min()) - 0.5 * OD_MM
        if a.obstacle.startswith("the scan"):
            assert a.clearance_mm == pytest.approx(least, abs=0.06)
    # The picks' own uncertainty is in U.
    assert t.expanded_mm > 2.0 * 0.05
    assert any("known where it was scanned" in w for w in scanned.warnings)
