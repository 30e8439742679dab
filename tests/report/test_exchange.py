"""Exported files, read back by programs that know nothing of ours."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass, replace
from pathlib import Path

import ezdxf
import jsonschema
import numpy as np
import open3d
import pytest
import trimesh
from cabins import OD_MM, SHIFT_MM, Cabin

from fitscan.errors import InputError
from fitscan.fit.record_file import keep_record, read_record
from fitscan.fit.result_file import gap_document, recheck_document
from fitscan.markers.kit import Kit
from fitscan.report.exchange import FORMATS, Export, write_export
from fitscan.report.exchange.export_file import ExportFile
from fitscan.report.schema import kinds, schema_of
from fitscan.shape.datum import car_axes
from fitscan.shape.datum_kinds import AxesRule
from fitscan.store.json_file import read_json, write_json
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import write_survey

NASTY = '=HYPERLINK("x")|<a>'


@dataclass(frozen=True)
class Job:
    folder: Path
    out: Path
    done: Export
    survey: Survey


@pytest.fixture(scope="module")
def job(cabin: Cabin, tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("job")
    keep_record(folder / "kept.json", cabin.record, "cage", "shell")
    write_json(folder / "back.json", recheck_document(cabin.recheck))
    write_survey(folder / "open.json", cabin.opened)
    write_json(folder / "gap.json", gap_document(cabin.gap))
    done = write_export([folder / "kept.json", folder / "back.json"], folder / "out")
    return Job(folder, folder / "out", done, read_record(folder / "kept.json").survey)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_list_names_every_file_with_unit_frame_and_hash(job: Job) -> None:
    document = read_json(job.out / "export.json", ExportFile)
    assert {f.name for f in document.files} | {"export.json"} == {p.name for p in job.out.iterdir()}
    assert document.frame == "car (X forward, Y left, Z up)"
    assert all(f.frame.endswith(document.frame) for f in document.files)
    assert {f.name.rpartition(".")[2]: f.unit for f in document.files} == {
        "csv": "as the columns' names say",
        "ply": "mm",
        "glb": "m, and mm below its first node",
        "dxf": "mm",
    }
    assert "approve" in document.caution


def test_points_are_whole_numbers_of_the_survey_in_the_cars_axes(job: Job) -> None:
    rows = {int(r["marker_id"]): r for r in rows_of(job.out / "points.csv")}
    assert list(rows) == list(job.survey.markers)
    told = car_axes(job.survey).car_from_survey
    for marker, row in rows.items():
        place = told.apply(job.survey.poses[job.survey.row(marker)].translation)
        if row["kind"] == "tip":
            place = told.apply(job.survey.pointer_tip(marker)[0])
        found = [float(row[f"{axis}_mm"]) for axis in "xyz"]
        assert found == pytest.approx(place, abs=1e-9)
        assert row["frame"].startswith("car")
        assert float(row["U_x_mm"]) == pytest.approx(2.0 * float(row["cov_xx_mm2"]) ** 0.5)


def test_u_in_the_cars_axes_holds_that_of_the_axes(job: Job) -> None:
    """Drawn surveys, each told in its own axes, scatter as the exported covariance says."""
    rng = np.random.default_rng(11)
    survey = job.survey
    rows = {int(r["marker_id"]): r for r in rows_of(job.out / "points.csv")}
    # The datum's two tags on the centre line lie on it by definition.
    assert float(rows[0]["U_y_mm"]) == pytest.approx(0.0, abs=1e-6)
    assert float(rows[0]["U_x_mm"]) > 0.0
    root = np.linalg.cholesky(survey.covariance + 1e-18 * np.eye(len(survey.covariance)))
    markers = [5, 12, 300]
    rule = AxesRule.of(survey)
    told = []
    for _ in range(1200):
        step = (root @ rng.normal(size=len(root))).reshape(-1, 6)
        poses = {
            m: survey.poses[survey.row(m)].step(step[survey.row(m)])
            for m in (*rule.markers, *markers)
        }
        axes = rule.car_from_survey(poses)
        told.append([axes.apply(poses[m].translation) for m in markers])
    spread = 2.0 * np.std(np.array(told), axis=0)
    for marker, expanded in zip(markers, spread, strict=True):
        stated = [float(rows[marker][f"U_{axis}_mm"]) for axis in "xyz"]
        # 1,200 draws know a standard deviation to 2 % (1 sigma).
        assert stated == pytest.approx(expanded, rel=0.09)


def test_axes_run_through_their_cuffs(job: Job) -> None:
    told = car_axes(job.survey).car_from_survey
    rows = rows_of(job.out / "axes.csv")
    assert [(r["tube"], r["straight"]) for r in rows] == [
        ("door bar", "1"), ("door bar", "2"), ("main hoop", "1"),
    ]  # fmt: skip
    for row, cuffs in zip(rows, ((100, 112), (124, 136), (300, 312)), strict=True):
        ends = np.array([[float(row[f"{e}_{a}_mm"]) for a in "xyz"] for e in ("from", "to")])
        centres = told.apply(
            np.array([job.survey.poses[job.survey.row(c)].translation for c in cuffs])
        )
        way = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        away = centres - ends[0] - np.outer((centres - ends[0]) @ way, way)
        assert np.abs(away).max() < 1e-6
        assert way == pytest.approx([float(row[f"direction_{a}"]) for a in "xyz"])
        # A cuff's half beyond the outermost cuffs, on either side.
        beyond = np.linalg.norm(ends - centres, axis=1)
        assert beyond == pytest.approx(25.0)
        assert 0.0 < float(row["U_across_mm"]) < 1.0
        assert float(row["od_mm"]) == (45.0 if row["tube"] == "main hoop" else OD_MM)


def test_a_results_table_keeps_every_digit_and_u_beside_it(job: Job, cabin: Cabin) -> None:
    rows = rows_of(job.out / "back_markers.csv")
    told = {r["marker"].removesuffix(" (bent)"): r for r in rows}
    assert len(told) == len(cabin.recheck.shifts)
    for shift in cabin.recheck.shifts:
        row = told[shift.label]
        assert float(row["total_mm"]) == shift.size_mm
        assert float(row["U_total_mm"]) == shift.size_expanded_mm
        assert [float(row[f"{a}_mm"]) for a in "xyz"] == shift.shift_mm.tolist()
        assert row["verdict"] == shift.verdict.value


def test_words_that_a_spreadsheet_would_run_stay_words(cabin: Cabin, tmp_path: Path) -> None:
    plan = cabin.opened.kit.model_dump()
    for cuff in plan["cuff"]:
        if cuff["tube"] == "door bar seat":
            cuff["tube"] = NASTY
    survey = replace(cabin.opened, kit=Kit.model_validate(plan))
    write_survey(tmp_path / "s.json", survey)
    write_export([tmp_path / "s.json"], tmp_path / "out")
    names = {r["tube"] for r in rows_of(tmp_path / "out" / "axes.csv")}
    assert names == {f"'{NASTY}"}
    assert not any(n.startswith("=") for n in names)
    drawing = ezdxf.filemanagement.readfile(tmp_path / "out" / "survey.dxf")
    assert not drawing.audit().has_errors


def test_the_ply_is_read_by_open3d_in_mm(job: Job) -> None:
    mesh = open3d.io.read_triangle_mesh(job.out / "survey.ply")
    assert len(mesh.triangles) > 500
    assert mesh.has_vertex_colors()
    points = np.asarray(mesh.vertices)
    spots = [
        [float(r[f"{a}_mm"]) for a in "xyz"]
        for r in rows_of(job.out / "points.csv") if r["kind"] == "tag"
    ]  # fmt: skip
    # The middle of a printed square is a vertex of its face.
    for spot in spots:
        assert np.linalg.norm(points - spot, axis=1).min() < 0.01
    head = (job.out / "survey.ply").read_bytes()[:2000].decode("ascii", "replace")
    assert "comment Units mm; frame car (X forward, Y left, Z up)" in head
    assert "approve a design" in head


def test_the_glb_is_read_by_trimesh_in_metres_with_y_up_and_names(job: Job) -> None:
    scene = trimesh.load_scene(job.out / "survey.glb")
    assert {"door bar", "main hoop", "markers on the shell"} <= set(scene.geometry)
    rows = rows_of(job.out / "axes.csv")
    hoop = next(r for r in rows if r["tube"] == "main hoop")
    ends = np.array([[float(hoop[f"{e}_{a}_mm"]) for a in "xyz"] for e in ("from", "to")])
    node = next(n for n in scene.graph.nodes_geometry if scene.graph[n][1] == "main hoop")
    turn, _ = scene.graph[node]
    shown = trimesh.transform_points(scene.geometry["main hoop"].vertices, turn)
    # glTF 2.0, 3.4: +Y up, +Z forward, so +X is the car's left; metres.
    wanted = ends[:, [1, 2, 0]] / 1000.0
    assert shown.min(axis=0)[1] == pytest.approx(wanted[:, 1].min(), abs=1e-4)
    assert shown.max(axis=0)[1] == pytest.approx(wanted[:, 1].max(), abs=1e-4)
    assert shown.mean(axis=0) == pytest.approx(wanted.mean(axis=0), abs=1e-4)
    volume = scene.geometry["main hoop"].volume
    area = 12.0 * 22.5**2 * np.sin(2 * np.pi / 24)
    assert volume == pytest.approx(area * np.linalg.norm(ends[1] - ends[0]), rel=1e-4)
    raw = (job.out / "survey.glb").read_bytes()
    length = int.from_bytes(raw[12:16], "little")
    extras = json.loads(raw[20 : 20 + length])["nodes"][0]["extras"]
    assert extras["unit"] == "mm"
    assert extras["frame"] == "car (X forward, Y left, Z up)"


def test_moves_are_exported_at_their_true_size(job: Job) -> None:
    scene = trimesh.load_scene(job.out / "survey.glb")
    moves = [n for n in scene.geometry if n.startswith("move ")]
    assert len(moves) == 6
    for name in moves:
        box = scene.geometry[name].bounds
        assert np.linalg.norm(box[1] - box[0]) < np.linalg.norm(SHIFT_MM) + 6.0


def test_the_dxf_is_read_by_ezdxf_in_mm_on_layers(job: Job) -> None:
    drawing = ezdxf.filemanagement.readfile(job.out / "survey.dxf")
    assert not drawing.audit().has_errors
    assert drawing.header["$INSUNITS"] == 4  # millimetres
    space = drawing.modelspace()
    rows = rows_of(job.out / "points.csv")
    points = np.array([list(p.dxf.location) for p in space.query("POINT")])
    told = np.array([[float(r[f"{a}_mm"]) for a in "xyz"] for r in rows])
    assert points == pytest.approx(told, abs=1e-6)
    (hoop,) = space.query('LINE[layer=="AXES cage"]')
    axis = next(r for r in rows_of(job.out / "axes.csv") if r["tube"] == "main hoop")
    assert list(hoop.dxf.start) == pytest.approx([float(axis[f"from_{a}_mm"]) for a in "xyz"])
    assert list(hoop.dxf.end) == pytest.approx([float(axis[f"to_{a}_mm"]) for a in "xyz"])
    moves = space.query('LINE[layer=="MOVES"]')
    assert len(moves) == 6
    for move in moves:
        assert list(move.dxf.start - move.dxf.end) == pytest.approx(SHIFT_MM, abs=0.05)
    words = " ".join(t.dxf.text for t in space.query('TEXT[layer=="NOTES"]'))
    assert "Units mm; frame car (X forward, Y left, Z up)" in words
    assert "approve a design" in words


def test_formats_are_chosen_and_others_refused(job: Job, tmp_path: Path) -> None:
    files = [job.folder / "gap.json", job.folder / "open.json"]
    done = write_export(files, tmp_path / "one", ["dxf"])
    assert [p.name for p in done.files] == ["survey.dxf", "export.json"]
    with pytest.raises(InputError, match="no format 'step'"):
        write_export(files, tmp_path / "two", ["step"])
    assert FORMATS == ("csv", "ply", "glb", "dxf")


def test_only_the_files_of_an_older_export_give_way(job: Job, tmp_path: Path) -> None:
    files = [job.folder / "kept.json", job.folder / "back.json"]
    out = tmp_path / "out"
    write_export(files, out, ["csv"])
    with pytest.raises(InputError, match="exists already"):
        write_export(files, out, ["csv"])
    write_export(files, out, ["csv"], replace=True)
    (out / "survey.dxf").write_text("my own drawing", encoding="utf-8")
    with pytest.raises(InputError, match="only over the files of an older export"):
        write_export(files, out, replace=True)
    assert (out / "survey.dxf").read_text(encoding="utf-8") == "my own drawing"


# ---------------------------------------------------------------- schema


@pytest.mark.parametrize("kind", kinds())
def test_every_schema_is_one(kind: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema_of(kind))


@pytest.mark.parametrize(
    ("kind", "name"),
    [("gap", "gap.json"), ("recheck", "back.json"), ("survey", "open.json"),
     ("record", "kept.json"), ("export", "out/export.json")],
)  # fmt: skip
def test_files_hold_to_their_schema_and_changed_ones_do_not(job: Job, kind: str, name: str) -> None:
    content = json.loads((job.folder / name).read_text(encoding="utf-8"))
    judge = jsonschema.Draft202012Validator(schema_of(kind))
    assert list(judge.iter_errors(content)) == []
    assert list(judge.iter_errors({**content, "kind": "fitscan.other"})) != []
    assert list(judge.iter_errors({**content, "colour": "blue"})) != []
    without = {k: v for k, v in content.items() if k != "tool_version"}
    assert list(judge.iter_errors(without)) != []


def test_an_unknown_kind_is_refused_with_those_there_are() -> None:
    with pytest.raises(InputError, match=r"no kind of file 'step'.*use one of: .*gap"):
        schema_of("step")
    assert {"fitscan.survey", "fitscan.record", "fitscan.gap", "fitscan.export"} <= set(kinds())


def test_csv_is_what_rfc_4180_says(job: Job) -> None:
    raw = (job.out / "points.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    assert raw.count(b"\r\n") == raw.count(b"\n")
    table = list(csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
    assert len({len(row) for row in table}) == 1
