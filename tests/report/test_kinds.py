"""Each kind of result in a report, from stored files and from files whose numbers are known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from fitscan.fit.angle_file import AnglesFile, ReadingRow
from fitscan.fit.verdict import Verdict
from fitscan.make.as_built_file import AsBuiltFile
from fitscan.make.bar_file import BarFile
from fitscan.make.bar_file import StationRow as BarStation
from fitscan.make.bends_file import BendRow
from fitscan.make.cope_file import cope_document
from fitscan.make.cope_plan import plan_cope
from fitscan.make.cope_text import request_from_text
from fitscan.make.opening_file import DistanceRow, MarkRow, OpeningFile
from fitscan.make.plate_file import AgainstRow, CornerRow, PlateFile
from fitscan.make.quantity import QuantityRow
from fitscan.report.kinds import result_of_kind
from fitscan.report.section import Measured, Section, Table, shown
from fitscan.store.json_file import JsonDocument, kind_of, read_json

STORED = Path(__file__).parents[1] / "job" / "data"
HEAD: dict[str, Any] = {
    "tool_version": "0.1.0", "coverage_factor": 2.0, "sentences": ("Do this",),
    "warnings": ("mind that",), "caution": "It approves nothing.",
}  # fmt: skip
U = QuantityRow(name="angle", value=61.25, expanded=0.08, unit="deg")


def section_of(document: JsonDocument) -> Section:
    result = result_of_kind(document.KIND)
    assert result is not None
    return result.section(document)


def cells(table: Table) -> list[dict[str, Any]]:
    keys = [c.key for c in table.columns]
    return [dict(zip(keys, row, strict=True)) for row in table.rows]


def table(section: Section, key: str) -> list[dict[str, Any]]:
    return cells(next(t for t in section.tables if t.key == key))


@pytest.mark.parametrize("file", sorted(STORED.glob("*/*.json")), ids=lambda f: f"{f.parent.name}")
def test_stored_files_of_every_version_are_told(file: Path) -> None:
    result = result_of_kind(kind_of(file))
    if result is None:
        assert file.stem in ("camera", "record", "survey")
        return
    section = result.section(read_json(file, result.model))
    assert section.title
    assert section.headline
    assert all(len(row) == len(t.columns) for t in section.tables for row in t.rows)
    assert all(shown(c, col) for t in section.tables for row in t.rows
               for c, col in zip(row, t.columns, strict=True))  # fmt: skip


def test_as_built_tells_planned_and_found() -> None:
    row = ReadingRow(
        subject="diagonal", against="its plan", name="angle", unit="deg", value=61.25, U=0.08,
        wanted=60.0, tolerance=0.5, verdict="out of tolerance", cuffs=(100,),
    )  # fmt: skip
    section = section_of(
        AsBuiltFile(
            **HEAD, name="diagonal", survey="fitted", tolerance_deg=0.5, tolerance_mm=1.0,
            readings=(row, row.model_copy(update={"value": 60.1, "verdict": "in tolerance"})),
        )
    )  # fmt: skip
    assert section.overall is Verdict.OUT
    assert section.headline == "diagonal, angle: 61.25 ± 0.08 deg"
    assert section.judged[0].counts == (
        "2 numbers against ± 0.5 deg: 1 in tolerance, 1 out of tolerance"
    )
    assert section.surveys == ("fitted",)
    assert table(section, "diagonal")[0]["value"] == Measured(61.25, 0.08)
    assert table(section, "diagonal")[0]["wanted"] == "60 ± 0.5"


def test_a_bar_tells_its_bends_its_points_and_where_it_strays_most() -> None:
    bend = BendRow(
        feed_mm=200.0, turn_deg=0.0, bend_deg=30.0, set_deg=31.0, arc_mm=59.69, setback_mm=30.55,
        start_mm=200.0,
    )  # fmt: skip
    worst = BarStation(
        label="lip 2", at_mm=310.0, target_mm=(0, 0, 0), away_mm=(1, 0, 0), deviation_mm=1.62,
        expanded_mm=0.21,
    )  # fmt: skip
    section = section_of(
        BarFile(
            **HEAD, name="door bar", od_mm=38.0, target="lips", frame="survey open", clr_mm=114.0,
            between_mm=0.0, ends_mm=0.0, springback_percent=0.0, springback_deg=1.0, bends=(bend,),
            last_mm=180.0, developed_mm=439.69, points_mm=((0, 0, 0), (230, 0, 0), (400, 98, 0)),
            flat=True, spare_mm=(0.0, 0.0), stations=(worst,), worst=worst, measured=(U,),
        )
    )  # fmt: skip
    assert section.headline == "1.62 ± 0.21 mm off its target at worst, at lip 2"
    assert table(section, "bender")[0]["feed_mm"] == 200.0
    assert [r["point"] for r in table(section, "points")] == ["start", "apex 1", "end"]
    assert table(section, "stations")[0]["deviation_mm"] == Measured(1.62, 0.21)
    assert table(section, "measured")[0]["value"] == Measured(61.25, 0.08, "deg")
    assert "It approves nothing." in section.warnings


def test_an_opening_tells_its_marks_and_size_and_u_only_where_it_is_known() -> None:
    content: dict[str, Any] = {
        **HEAD, "name": "A pillar", "tube": "door bar", "od_mm": 38.0, "clearance_mm": 2.0,
        "thickness_mm": 1.0, "marks": (MarkRow(name="m1", x_mm=1.0, y_mm=2.0, off_mm=0.1),),
        "distances": (DistanceRow(a="m1", b="m2", mm=80.0),), "centre_mm": (40.0, 30.0),
        "slant_deg": 20.0, "heading_deg": 5.0, "place_expanded_mm": 0.3, "slot": True,
        "length_mm": 60.5, "width_mm": 42.0, "land_mm": None, "measured": (),
        "outline_mm": ((0, 0), (1, 0), (1, 1)),
    }  # fmt: skip
    section = section_of(OpeningFile(**content))
    assert section.headline == "slot 60.5 x 42.0 mm"
    assert table(section, "centre")[0]["place_mm"] == Measured(40.0, 0.3)
    assert table(section, "distances")[0]["distance_mm"] == 80.0
    typed = section_of(OpeningFile(**{**content, "place_expanded_mm": None}))
    assert "centre" not in [t.key for t in typed.tables]


def test_a_plate_tells_what_it_was_held_against() -> None:
    section = section_of(
        PlateFile(
            **HEAD, name="foot", thickness_mm=3.0, radius_mm=3.0, k_factor=0.4, area_cm2=121.0,
            face_areas_cm2=(121.0,),
            outline_mm=((0, 0), (1, 0), (1, 1)), folds=(),
            corners=(CornerRow(face=1, name="a", x_mm=0.0, y_mm=0.0, off_mm=0.2),),
            rule="the regulations", measured=(), against=(
                AgainstRow(what="area", unit="cm2", value=121.0, expanded=2.0, least=120.0,
                           verdict="cannot be decided"),
            ),
        )
    )  # fmt: skip
    assert section.overall is Verdict.OPEN
    assert table(section, "against")[0]["value"] == Measured(121.0, 2.0)
    assert table(section, "against")[0]["verdict"] is Verdict.OPEN


def test_a_cope_tells_its_runs() -> None:
    request = request_from_text("stay", 38.0, 2.0, ["45:60"], [], None)
    section = section_of(cope_document(plan_cope(request)))
    (row,) = table(section, "ends")
    assert (row["od_mm"], row["angle_deg"]) == pytest.approx((45.0, 60.0))
    assert "38 x 2 mm" in section.headline


def test_angles_tell_each_number_and_judge_only_what_was_wanted() -> None:
    leaning = ReadingRow(
        subject="main hoop, straight 1", against="the plumb line", name="lean forward", unit="deg",
        value=-3.02, U=0.05, wanted=-3.0, tolerance=0.1, verdict="in tolerance", cuffs=(100, 112),
    )  # fmt: skip
    free = leaning.model_copy(
        update={"name": "lean left", "wanted": None, "tolerance": None, "verdict": None}
    )
    section = section_of(
        AnglesFile(
            **HEAD, survey="tacked", frame="car", tolerance_deg=0.1, tolerance_mm=2.0,
            readings=(leaning, free),
        )
    )  # fmt: skip
    assert section.overall is Verdict.IN
    assert section.judged[0].counts == "1 number against ± 0.1 deg: 1 in tolerance"
    rows = table(section, "main hoop, straight 1")
    assert [r["verdict"] for r in rows] == [Verdict.IN, None]
    assert "-3.02 ± 0.05 deg" in section.headline
