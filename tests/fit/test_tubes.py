"""Bends, nodes and lengths as told: numbers against truth, words, warnings and the file."""

from __future__ import annotations

import numpy as np
import pytest
from known_surveys import cuff, known_survey, on_axis

from fitscan.errors import InputError
from fitscan.fit.reading import Reading
from fitscan.fit.result_file import CAUTION
from fitscan.fit.tube_file import TubesFile, tubes_document
from fitscan.fit.tubes import TubeReport, report_tubes
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import DatumSpec, Kit, TagSpec, TubeSpec
from fitscan.survey.survey import Survey

# A hoop in the plane X = -200: legs at Y = +-500, corners of its centre line at Z = 1000, a cross
# bar that passes 1.5 mm behind it at Z = 600.
CORNERS = [(-200.0, 500.0, 0.0), (-200.0, 500.0, 1000.0), (-200.0, -500.0, 1000.0),
           (-200.0, -500.0, 0.0)]  # fmt: skip
TAGS = {0: (-900, 0, 0), 1: (900, 0, 0), 2: (0, -600, 0), 3: (0, 600, 0)}


def hoop(*, clr_mm: float | None = 135.0, slip: Array | None = None, lone: bool = False) -> Survey:
    """The hoop's survey; `slip` moves the middle one of three cuffs on the cross bar."""
    poses = {
        i: on_axis(np.array(x, dtype=float), np.array([0, 0, 1.0]), 0.0) for i, x in TAGS.items()
    }
    cuffs = []
    for i in range(3):
        start, end = np.array(CORNERS[i]), np.array(CORNERS[i + 1])
        for n, share in enumerate((0.3,) if lone and i == 1 else (0.3, 0.7)):
            first = 100 + 24 * i + 12 * n
            cuffs.append(cuff(first, "main hoop", i + 1))
            poses[first] = on_axis(start, end - start, share * 1000.0, 0.4 * n)
    for n, y in enumerate((400.0, 0.0, -400.0)):
        first = 200 + 12 * n
        cuffs.append(cuff(first, "cross"))
        place = np.array([-201.5, y, 600.0]) + (slip if slip is not None and n == 1 else 0.0)
        poses[first] = on_axis(place, np.array([0.0, -1.0, 0.0]), 0.0)
    kit = Kit(
        tag=tuple(TagSpec(id=i, side_mm=40.0, part="shell") for i in TAGS),
        cuff=tuple(cuffs),
        tube=(TubeSpec(name="main hoop", clr_mm=clr_mm),) if clr_mm else (),
        datum=DatumSpec(rear=0, front=1, right=2, left=3),
    )
    return known_survey(kit, poses)


NODES = ("main hoop:1=cross", "main hoop:3=cross")


def row(report: TubeReport, subject: str, name: str) -> Reading:
    found = [r for r in report.readings if (r.subject, r.name) == (subject, name)]
    assert len(found) == 1
    return found[0]


@pytest.fixture(scope="module")
def report() -> TubeReport:
    return report_tubes(hoop(), ["main hoop"], NODES)


def test_the_hoops_numbers_are_those_it_was_built_with(report: TubeReport) -> None:
    for bend in ("1-2", "2-3"):
        where = f"main hoop, bend {bend}"
        assert row(report, where, "angle").value == pytest.approx(90.0, abs=1e-6)
        # Handbook arithmetic of tube bending: CLR 135 at 90 deg has an arc of 212.058.
        assert row(report, where, "arc").value == pytest.approx(212.058, abs=1e-3)
        assert row(report, where, "setback").value == pytest.approx(135.0, abs=1e-6)
    turn = row(report, "main hoop, bend 2-3", "turn from the bend before")
    assert turn.value == pytest.approx(0.0, abs=1e-6)
    top = row(report, "main hoop, straight 2", "straight between its bends")
    assert top.value == pytest.approx(1000.0 - 270.0, abs=1e-6)


def test_nodes_and_the_length_between_them_are_told_and_judged(report: TubeReport) -> None:
    offset = row(report, "main hoop, straight 1", "node offset")
    assert offset.value == pytest.approx(1.5, abs=1e-9)
    assert offset.verdict is Verdict.OUT
    assert len(report.lengths) == 1
    length = next(r for r in report.readings if r.name == "length between nodes")
    assert length.value == pytest.approx(1000.0, abs=1e-6)
    text = "\n".join(report.sentences)
    assert "the axes miss each other by 1.50 mm" in text
    assert "1000.00 mm" in text
    assert "along cross, straight 1" in text
    assert "Outside 0 ± 1 mm, proven: main hoop, straight 1, node offset" in text


def test_the_radius_of_the_command_line_goes_before_the_kits() -> None:
    report = report_tubes(hoop(), ["main hoop"], clr_mm=100.0)
    assert row(report, "main hoop, bend 1-2", "setback").value == pytest.approx(100.0, abs=1e-6)
    without = report_tubes(hoop(clr_mm=None), ["main hoop"])
    names = {r.name for r in without.readings}
    assert "setback" not in names
    assert "angle" in names


def test_a_slipped_cuff_a_lone_cuff_and_a_wrong_radius_are_warned_of() -> None:
    slipped = report_tubes(hoop(slip=np.array([3.0, 0.0, 0.0])), ["cross"])
    assert any("One of the cuffs" in w and "212" in w for w in slipped.warnings)
    lone = report_tubes(hoop(lone=True), ["main hoop"])
    assert any("single cuff (124)" in w for w in lone.warnings)
    wide = report_tubes(hoop(), ["main hoop"], clr_mm=520.0)
    assert any("Cuff 112 reaches" in w for w in wide.warnings)
    assert any("overlap by 40 mm" in w for w in wide.warnings)
    assert report_tubes(hoop(), ["main hoop"], NODES).warnings == ()


def test_a_straight_tube_says_that_it_has_no_bend() -> None:
    report = report_tubes(hoop(), ["cross"])
    assert report.sentences[0] == "cross: one straight was found, so no bend is told"


def test_nothing_asked_and_unknown_names_are_refused() -> None:
    with pytest.raises(InputError, match="Nothing is asked"):
        report_tubes(hoop(), [])
    with pytest.raises(InputError, match="no tube 'sill'"):
        report_tubes(hoop(), ["sill"])
    with pytest.raises(InputError, match="does not name two tubes"):
        report_tubes(hoop(), [], ["main hoop:1"])


def test_the_file_tells_points_in_the_cars_axes(report: TubeReport) -> None:
    document = tubes_document(report)
    assert TubesFile.model_validate_json(document.model_dump_json()) == document
    (tube,) = document.tubes
    for bend, corner in zip(tube.bends, CORNERS[1:3], strict=True):
        assert bend.apex_mm == pytest.approx(corner, abs=1e-6)
    assert tube.bends[0].starts_mm == pytest.approx((-200.0, 500.0, 865.0), abs=1e-6)
    assert tube.bends[0].ends_mm == pytest.approx((-200.0, 365.0, 1000.0), abs=1e-6)
    assert tube.straights[0].direction == pytest.approx((0.0, 0.0, 1.0), abs=1e-9)
    assert np.linalg.eigvalsh(np.array(tube.straights[0].middle_covariance)).min() > 0.0
    assert document.nodes[0].on_a_mm == pytest.approx((-200.0, 500.0, 600.0), abs=1e-6)
    assert document.nodes[0].on_b_mm == pytest.approx((-201.5, 500.0, 600.0), abs=1e-6)
    assert document.caution == CAUTION
