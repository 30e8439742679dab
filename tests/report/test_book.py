"""What goes into a report: told from files that their numbers tie to each other."""

from __future__ import annotations

import io
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cabins import Cabin
from PIL import Image

from fitscan.errors import InputError
from fitscan.fit.record_file import keep_record
from fitscan.fit.result_file import gap_document, recheck_document
from fitscan.fit.verdict import Verdict
from fitscan.make.bends import Bender
from fitscan.make.bends_file import bends_document, table_from_text
from fitscan.report.book import gather, made_anew
from fitscan.report.kinds import MODULES, result_of_kind
from fitscan.report.section import Judged, Measured
from fitscan.store.json_file import write_json
from fitscan.survey.survey_file import write_survey


@pytest.fixture(scope="module")
def folder(cabin: Cabin, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files of one job."""
    out = tmp_path_factory.mktemp("job")
    write_survey(out / "open.json", cabin.opened)
    write_survey(out / "shut.json", cabin.shut)
    keep_record(out / "kept.json", cabin.record, "cage", "shell", "before welding")
    write_json(out / "gap.json", gap_document(cabin.gap))
    write_json(out / "back.json", recheck_document(cabin.recheck))
    return out


def test_every_kind_of_result_has_a_module_that_reads_files_of_that_kind() -> None:
    for kind in MODULES:
        found = result_of_kind(kind)
        assert found is not None
        assert kind == found.model.KIND
    assert result_of_kind("fitscan.nonsense") is None
    assert result_of_kind(None) is None


def test_files_are_known_by_what_they_say_and_not_by_their_order(folder: Path) -> None:
    names = ["gap.json", "kept.json", "open.json", "back.json"]
    for order in (names, names[::-1]):
        book = gather([folder / n for n in order])
        assert sorted(r.section.word for r in book.results) == ["Gap", "Recheck"]
        assert [s.survey.name for s in book.surveys] == ["door_open"]
        assert [r.source.name for r in book.records] == ["kept.json"]
        assert len(book.sources) == 4
        assert all(len(s.sha256) == 64 for s in book.sources)


def test_the_gap_section_tells_the_results_own_numbers(folder: Path, cabin: Cabin) -> None:
    (part,) = gather([folder / "gap.json", folder / "open.json"]).results
    worst = max(cabin.gap.stations, key=lambda s: s.total_mm)
    # In as many decimals as U is told with.
    said = part.section.headline.split(" ")[0]
    decimals = len(said.partition(".")[2])
    assert decimals >= 1
    assert said == f"{worst.total_mm:.{decimals}f}"
    assert part.section.headline.startswith(f"{said} ± {worst.total_expanded_mm:.{decimals}f} mm ")
    rows = [row for table in part.section.tables for row in table.rows]
    keys = [c.key for c in part.section.tables[0].columns]
    assert len(rows) == len(cabin.gap.stations)
    for row, station in zip(rows, cabin.gap.stations, strict=True):
        cells = dict(zip(keys, row, strict=True))
        assert cells["along_mm"] == station.along_mm
        assert cells["total_mm"] == Measured(station.total_mm, station.total_expanded_mm)
        assert cells["across_mm"] == Measured(station.across_mm, station.across_expanded_mm)
        assert cells["out_mm"] == Measured(station.out_mm, station.out_expanded_mm)
        assert cells["verdict"] is station.verdict


def test_the_recheck_section_tells_each_marker_with_the_u_of_its_own_length(
    folder: Path, cabin: Cabin
) -> None:
    (part,) = gather([folder / "back.json", folder / "kept.json"]).results
    table = next(t for t in part.section.tables if t.key == "markers")
    column = [c.key for c in table.columns].index("total_mm")
    told = sorted(
        (c.value, c.expanded) for row in table.rows if isinstance(c := row[column], Measured)
    )
    true = sorted((s.size_mm, s.size_expanded_mm) for s in cabin.recheck.shifts)
    assert np.array(told) == pytest.approx(np.array(true))


def test_a_recheck_finds_its_record_by_the_places_and_no_other(
    folder: Path, cabin: Cabin, tmp_path: Path
) -> None:
    (part,) = gather([folder / "back.json", folder / "kept.json"]).results
    assert part.record is not None
    assert part.record.startswith("kept.json, kept ")
    assert "before welding" in part.record
    poses = list(cabin.record.poses)
    row = cabin.record.row(100)
    poses[row] = replace(
        poses[row], translation=poses[row].translation + np.array([0.0, 0.0, 0.01])
    )
    keep_record(tmp_path / "other.json", replace(cabin.record, poses=tuple(poses)), "cage", "shell")
    book = gather([folder / "back.json", tmp_path / "other.json"])
    assert book.results[0].record is None
    assert any("none of the records given is the one" in n for n in book.notes)


def test_a_survey_that_a_result_rests_on_is_asked_for(folder: Path) -> None:
    book = gather([folder / "gap.json", folder / "shut.json"])
    assert any("'door_open', which was not given" in n for n in book.notes)
    book = gather([folder / "gap.json", folder / "open.json"])
    assert not any("not given" in n for n in book.notes)


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["gap.json"], "Without a survey"),
        ([], "No file is named"),
        (["open.json", "open.json"], "named twice"),
        (["missing.json"], "no such file"),
        (["note.txt", "open.json"], "no file that a report can show"),
        (["camera.json", "open.json"], "'fitscan.camera'"),
    ],
)
def test_what_is_no_part_of_a_report_is_refused_in_a_sentence(
    folder: Path, names: list[str], said: str
) -> None:
    (folder / "note.txt").write_text("hello", encoding="utf-8")
    (folder / "camera.json").write_text('{\n"kind": "fitscan.camera"}', encoding="utf-8")
    with pytest.raises(InputError, match=said):
        gather([folder / n for n in names])


def test_the_worst_verdict_stands_for_all() -> None:
    for verdicts, overall in (
        ([Verdict.IN, Verdict.IN], Verdict.IN),
        ([Verdict.IN, Verdict.OPEN], Verdict.OPEN),
        ([Verdict.OPEN, Verdict.OUT, Verdict.IN], Verdict.OUT),
    ):
        assert Judged("2 mm", tuple(verdicts), "stations").overall is overall


def test_pictures_beside_a_result_are_taken_and_those_of_others_are_not(
    folder: Path, tmp_path: Path
) -> None:
    for name in ("open.json", "gap.json"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    plain = Image.new("RGB", (300, 200), "teal")
    for name in ("gap-plot.png", "gap-photo-2.jpg", "gap-photo-1.jpg", "gap-close-up.jpg"):
        plain.save(tmp_path / name)
    for name in ("gap2-plot.png", "gap-other.png", "another-gap-plot.png"):
        plain.save(tmp_path / name)
    book = gather([tmp_path / "gap.json", tmp_path / "open.json"])
    words = [p.words for p in book.results[0].pictures]
    assert [w.split()[0] for w in words] == ["Drawn", "Drawn", "Close-up", "Plot"]
    assert not any("No pictures" in n for n in book.notes)
    write_json(tmp_path / "bends.json", bends_document(table_from_text(
        ["0,0,0", "500,0,0", "900,0,300"], [], None, Bender(114.0))))  # fmt: skip
    typed = gather([tmp_path / "bends.json", tmp_path / "open.json"])
    assert typed.results[0].section.title == "1 bend at a radius of 114 mm"
    assert typed.notes == ()
    assert any("No pictures lie beside" in n for n in gather(
        [folder / "gap.json", folder / "open.json"]).notes)  # fmt: skip


def test_a_picture_of_an_older_result_is_left_out_and_said_so(folder: Path, tmp_path: Path) -> None:
    for name in ("open.json", "gap.json"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    for name in ("gap-plot.png", "gap-photo-1.jpg"):
        Image.new("RGB", (300, 200), "teal").save(tmp_path / name)
    made = (tmp_path / "gap.json").stat().st_mtime
    os.utime(tmp_path / "gap-photo-1.jpg", (made - 3600.0, made - 3600.0))
    book = gather([tmp_path / "gap.json", tmp_path / "open.json"])
    assert [p.words for p in book.results[0].pictures] == ["Plot"]
    assert any("gap-photo-1.jpg is older than gap.json" in n for n in book.notes)


@pytest.mark.parametrize("ending", [".jpg", ".png"])
def test_a_picture_is_made_anew_without_place_owner_or_comment(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"gap-photo-1{ending}"
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x013B] = "Tess Quillfeather"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    photo = Image.new("RGB", (640, 480), "gray")
    photo.paste("white", (0, 0, 640, 40))
    photo.save(path, exif=exif, comment=b"at home")
    with Image.open(path) as private:
        assert len(private.getexif()) > 0
    picture = made_anew(path, "a photo")
    with Image.open(io.BytesIO(picture.data)) as clean:
        assert len(clean.getexif()) == 0
        assert "comment" not in clean.info
        # Turned upright before its orientation was dropped: the white band is at the right.
        assert clean.size == (picture.width, picture.height) == (480, 640)
        grey = np.asarray(clean.convert("L"), dtype=np.float64)
        assert grey[:, -20:].mean() - grey[:, :20].mean() > 80
    for secret in (b"Quillfeather", b"Exif", b"at home", b"eXIf"):
        assert secret not in picture.data
