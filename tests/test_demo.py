"""The demo end to end on the sample photos, held against the truth that the tool never opens."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from truth import accuracy, read_truth
from truth_jobs import gap_error, recheck_error
from truth_outline import outline_error_px

from fitscan.demo import SHOOTS, DemoResult, run_demo

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
    if shoot.startswith("cage"):
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


def test_the_cages_shift_and_turn_are_true_and_the_knocked_tag_is_named(
    demo: tuple[DemoResult, Path],
) -> None:
    result = demo[0].recheck
    record, now = read_truth(TRUTH / "cage_tacked.json"), read_truth(TRUTH / "cage_refit.json")
    e = recheck_error(result, record, now)
    assert np.abs(e.shift).max() < 0.3
    assert np.abs(e.turn).max() < 0.03
    assert e.cuffs.max() < 0.3
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


def test_every_file_that_the_demo_names_is_there(demo: tuple[DemoResult, Path]) -> None:
    result, out = demo
    assert all(f.is_file() and f.stat().st_size > 1000 for f in result.files)
    names = {f.name for f in result.files}
    assert {"gap.json", "recheck.json", "gap-plot.png", "recheck-plot.png"} <= names
    assert any(n.startswith("gap-photo") for n in names)
    assert any(n.startswith("recheck-photo") for n in names)
    assert {"report.html", "report.pdf", "gap-scene.html", "recheck-scene.html"} <= names
    page = (out / "report.html").read_text(encoding="utf-8")
    # All pictures are in it, and nothing is missing: results, surveys and record are tied together.
    assert page.count("data:image/") == 16
    assert "was not given" not in page
    assert "cage_record.json, kept " in page
    for survey in result.surveys.values():
        assert all(p.sha256 in page for p in survey.photos)
    assert all(out in f.parents for f in result.files)
