"""The demo end to end on the sample photos, held against the truth that the tool never opens."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from demo_numbers import demo_numbers, moves, stored_numbers
from truth import accuracy, read_truth
from truth_jobs import gap_error, recheck_error
from truth_outline import outline_error_px
from truth_scans import clearance_errors, tip_errors, trim_scan

from fitscan.demo import SHOOTS, DemoResult, run_demo
from fitscan.fit.bench import check_bench
from fitscan.fit.gap import find_gap
from fitscan.fit.gap_contour import find_contour_gap
from fitscan.fit.gap_scan import find_scan_gap
from fitscan.fit.hinge import find_hinge
from fitscan.geometry.align import align_points

ROOT = Path(__file__).resolve().parent.parent
TRUTH = ROOT / "sample_images" / "truth"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[DemoResult, Path]:
    out = tmp_path_factory.mktemp("demo") / "results"
    return run_demo(out, ROOT), out


# Largest error of marker centres after a similarity, rms and single, mm. The door is surveyed with
# fewer photos, which look at the shell in passing only.
CENTRES = {
    "cage_tacked": (0.05, 0.2),
    "cage_refit": (0.05, 0.2),
    "door_open": (0.10, 0.3),
    "door_shut": (0.10, 0.3),
}


@pytest.mark.parametrize("shoot", SHOOTS)
def test_marker_centres_axes_and_scale_are_true(demo: tuple[DemoResult, Path], shoot: str) -> None:
    a = accuracy(demo[0].surveys[shoot], read_truth(TRUTH / f"{shoot}.json"))
    assert a.centres_rms < CENTRES[shoot][0]
    assert a.centres_max < CENTRES[shoot][1]
    assert a.axis_rms < 0.10
    assert a.direction_max < 0.02
    assert abs(a.scale_error) < 2.0 * a.scale_u
    assert a.found_cuffs >= 0.9 * a.visible_cuffs


def test_the_gap_is_true_at_every_station(demo: tuple[DemoResult, Path]) -> None:
    surveys = demo[0].surveys
    e = gap_error(
        demo[0].gap,
        surveys["door_open"],
        read_truth(TRUTH / "door_open.json"),
        read_truth(TRUTH / "door_shut.json"),
    )
    assert len(e.total) >= 6
    assert np.abs(e.total).max() < 0.15
    assert np.abs(e.across).max() < 0.15
    assert np.abs(e.out).max() < 0.15
    assert np.abs(e.normalised).max() < 1.5


def test_clearances_to_a_scan_of_the_trim_are_true_at_every_station(
    demo: tuple[DemoResult, Path],
) -> None:
    surveys = demo[0].surveys
    shut = read_truth(TRUTH / "door_shut.json")
    # A scanner's noise, and tags picked in it as well as a mouse can.
    trim = trim_scan(shut, noise_mm=0.05, pick_mm=0.15, seed=1)
    result = find_scan_gap(
        surveys["door_shut"], "door bar", trim.scan, trim.points, surveys["door_open"], ["trim"]
    )  # fmt: skip
    e = clearance_errors(result, trim, shut, 38.0)
    assert len(e) >= 14
    assert np.abs(e[:, 0]).max() < 0.2
    assert np.mean(np.abs(e[:, 1]) < 1.0) > 0.9


def test_clearances_from_the_pointers_tips_are_true(demo: tuple[DemoResult, Path]) -> None:
    surveys = demo[0].surveys
    result = find_contour_gap(
        surveys["door_shut"], "door bar", surveys["door_open"], ["upper lip"], ["trim"]
    )
    opened, shut = read_truth(TRUTH / "door_open.json"), read_truth(TRUTH / "door_shut.json")
    e = tip_errors(result, opened, shut, 38.0)
    assert len(e) == 3
    assert np.abs(e[:, 0]).max() < 0.2
    assert np.abs(e[:, 1]).max() < 1.5


def test_a_seat_that_trim_and_shell_carry_to_the_refit_shoot_is_as_true_as_by_the_trim_alone(
    demo: tuple[DemoResult, Path],
) -> None:
    surveys = demo[0].surveys
    gap = find_gap(
        surveys["cage_refit"], "door bar", surveys["door_open"], "door bar seat",
        ["trim", "shell"], via=[surveys["door_shut"]],
    )  # fmt: skip
    direct = demo[0].gap
    for a, b in zip(gap.straights, direct.straights, strict=True):
        for one in a.stations:
            two = min(b.stations, key=lambda s: abs(s.along_mm - one.along_mm))
            if abs(two.along_mm - one.along_mm) < 1.0:
                # The bar was not touched between the two shoots, and nor was the shell.
                u = np.hypot(one.out_expanded_mm, two.out_expanded_mm)
                assert abs(one.out_mm - two.out_mm) < 1.5 * u
                assert one.total_expanded_mm > two.total_expanded_mm


def test_the_cages_shift_and_turn_are_true_and_the_knocked_tag_is_named(
    demo: tuple[DemoResult, Path],
) -> None:
    result = demo[0].recheck
    record, now = read_truth(TRUTH / "cage_tacked.json"), read_truth(TRUTH / "cage_refit.json")
    e = recheck_error(result, record, now)
    assert np.abs(e.shift).max() < 0.05
    assert np.abs(e.turn).max() < 0.005
    # The cage is bent: its rigid part is known no better than its bending allows.
    assert np.all(np.abs(e.shift) < 1.5 * result.shift_expanded_mm)
    assert np.all(np.abs(e.turn) < 1.5 * result.turn_expanded_deg)
    whole = np.array([not s.line_only for s in result.shifts])
    assert e.cuffs[whole].max() < 0.1
    assert e.left[whole].max() < 0.1
    assert np.mean(np.abs(e.normalised) < 1.0) > 0.9
    knocked = {int(tag["id"]) for tag in now.content["events"]["knocked_tags"]}
    assert knocked
    assert {m.marker_id for m in result.alignment.moved} == knocked


@pytest.mark.parametrize(
    ("shoot", "tube"),
    [("door_shut", "door bar"), ("cage_refit", "main hoop"), ("cage_refit", "left stay")],
)
def test_a_tubes_drawn_outline_is_that_of_the_rendered_tube(
    demo: tuple[DemoResult, Path], shoot: str, tube: str
) -> None:
    survey, truth = demo[0].surveys[shoot], read_truth(TRUTH / f"{shoot}.json")
    cuffs = {i for c in survey.kit.cuff if c.tube == tube for i in c.ids}
    shown = [p.name for p in survey.photos if p.refused is None and cuffs & set(p.tags)]
    errors = [outline_error_px(survey, truth, name, tube) for name in shown]
    assert sum(len(e) > 0 for e in errors) >= 8
    # Of a photo of 4000 x 3000 px.
    assert max(float(e.max()) for e in errors if len(e)) < 2.0


def test_the_pull_of_the_welds_is_true_with_the_cage_against_itself(
    demo: tuple[DemoResult, Path],
) -> None:
    surveys = demo[0].surveys
    record, now = read_truth(TRUTH / "cage_tacked.json"), read_truth(TRUTH / "cage_refit.json")
    bench = check_bench(surveys["cage_tacked"], surveys["cage_refit"], "cage")
    places = np.array([s.place_mm for s in bench.shifts])
    then = np.array([record.poses[s.marker_id].translation for s in bench.shifts])
    later = np.array([now.poses[s.marker_id].translation for s in bench.shifts])
    matrix = np.array(now.content["events"]["cage_world_from_tacked"])
    pull = later - (then @ matrix[:3, :3].T + matrix[:3, 3])
    told = align_points(then, places, with_scale=False).b_from_a.turn(pull)
    for s, true in zip(bench.shifts, told, strict=True):
        if not s.line_only:
            assert np.linalg.norm(s.left_mm - true) < 0.1
    feet = bench.pairs[0]
    a, b = (np.array([t.poses[c].translation for c in feet.cuffs]) for t in (record, now))
    change = float(np.linalg.norm(b[1] - b[0]) - np.linalg.norm(a[1] - a[0]))
    assert abs(feet.change_mm - change) < feet.expanded_mm
    assert "at the feet" in bench.sentences[0]


def test_the_doors_hinge_and_angles_are_true(demo: tuple[DemoResult, Path]) -> None:
    surveys = demo[0].surveys
    shut = read_truth(TRUTH / "door_shut.json")
    event = shut.content["events"]
    point, way = np.array(event["hinge_point"]), np.array(event["hinge_axis"])
    for names in (("door_shut", "door_open"), ("door_shut", "door_open", "cage_refit")):
        hinge = find_hinge([surveys[n] for n in names], "trim", ["shell"])
        markers = [m for m in surveys["door_shut"].markers if m in shut.poses]
        here = np.array([surveys["door_shut"].pose(m).b_from_a.translation for m in markers])
        there = np.array([shut.poses[m].translation for m in markers])
        world = align_points(here, there, with_scale=False).b_from_a
        away = world.apply(hinge.axis.point) - point
        off = float(np.linalg.norm(away - (away @ way) * way))
        assert off < 0.3
        assert off < 1.5 * hinge.place_expanded_mm
        tilt = np.linalg.norm(np.cross(world.turn(hinge.axis.direction), way))
        assert np.degrees(tilt) < 0.02
        for k, name in enumerate(names):
            events = read_truth(TRUTH / f"{name}.json").content["events"]
            assert np.degrees(hinge.angles[k]) == pytest.approx(events["door_angle_deg"], abs=0.02)


def test_every_file_that_the_demo_names_is_there(demo: tuple[DemoResult, Path]) -> None:
    result, out = demo
    assert all(f.is_file() and f.stat().st_size > 1000 for f in result.files)
    names = {f.name for f in result.files}
    assert {"gap.json", "recheck.json", "gap-plot.png", "recheck-plot.png"} <= names
    assert any(n.startswith("gap-photo") for n in names)
    assert any(n.startswith("recheck-photo") for n in names)
    assert {"report.html", "report.pdf", "gap-scene.html", "recheck-scene.html"} <= names
    page = (out / "report.html").read_text(encoding="utf-8")
    # All pictures are in it (four of the gap, three of the recheck, four of each survey), and
    # nothing is missing: results, surveys and record are tied together.
    assert page.count("data:image/") == 4 + 3 + 3 * 4
    assert "was not given" not in page
    assert "cage_record.json, kept " in page
    for survey in result.surveys.values():
        assert all(p.sha256 in page for p in survey.photos)
    assert all(out in f.parents for f in result.files)


def test_no_number_has_moved_since_somebody_looked_at_it(demo: tuple[DemoResult, Path]) -> None:
    """A number that was meant to move is renewed by `python tests/demo_numbers.py`."""
    now = demo_numbers(demo[0].gap, demo[0].recheck)
    said = moves(stored_numbers(), now)
    assert not said, "\n".join([*said, "If that is meant: python tests/demo_numbers.py"])
