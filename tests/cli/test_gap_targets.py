"""`fitscan gap` against pointers and scans, over several shoots; refusals in one sentence."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import open3d
import pytest
from chained_shoots import shoots
from commands import Commands, Finished
from scanned_panels import PICKED, panel_scan, panel_survey, picks

from fitscan.fit.gap_standoff_file import StandoffFile
from fitscan.fit.result_file import GapFile
from fitscan.store.json_file import read_json, write_json
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import survey_document

BAR = ("gap", "--bar", "panel.json:door bar")
SCAN = (*BAR, "--mesh", "panel.ply", "--mesh-points", "points.toml")
CHAIN = (
    "gap", "--bar", "refit.json:door bar", "--target", "open.json:seat", "--via", "shut.json",
    "--on", "trim", "--on", "shell",
)  # fmt: skip


@pytest.fixture(scope="module")
def runner() -> Iterator[Commands]:
    with Commands() as commands:
        yield commands


def keep(folder: Path, name: str, survey: Survey) -> None:
    write_json(folder / f"{name}.json", survey_document(replace(survey, name=name)))


def points_text(unit: str = "mm", per_mm: float = 1.0) -> str:
    lines = [f'unit = "{unit}"', "u_mm = 0.2", "surface_u_mm = 0.05"]
    for marker, place in zip(PICKED, picks(0.1).points, strict=True):
        at = ", ".join(f"{per_mm * v:.7f}" for v in place)
        lines.append(f"[[point]]\nmarker = {marker}\nat = [{at}]")
    return "\n".join(lines) + "\n"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    folder.mkdir()
    s = shoots()
    for name, survey in (("open", s.opened), ("shut", s.shut), ("refit", s.refit)):
        keep(folder, name, survey)
    keep(folder, "panel", panel_survey())
    scan = panel_scan(noise_mm=0.04)
    for name, size in (("panel", 1.0), ("metres", 1e-3)):
        mesh = open3d.geometry.TriangleMesh(
            open3d.utility.Vector3dVector(size * scan.vertices),
            open3d.utility.Vector3iVector(scan.triangles.astype(np.int32)),
        )
        open3d.io.write_triangle_mesh(folder / f"{name}.ply", mesh)
    (folder / "points.toml").write_text(points_text())
    (folder / "in metres.toml").write_text(points_text("m", 1e-3))
    return folder


def done(finished: Finished) -> str:
    assert finished.code == 0, finished.err
    return finished.out


def test_a_scan_gives_table_file_and_plot(runner: Commands, job: Path) -> None:
    said = done(runner.run(*SCAN, "--out", "clear.json", where=job))
    assert "clear of the scan panel.ply at its" in said
    assert "placed by 5 named points" in said
    result = read_json(job / "clear.json", StandoffFile)
    assert result.against == "scan"
    assert result.placement is not None
    assert result.placement.refined_places > 0
    assert all(s.clearance_U_mm and s.clearance_U_mm > 0 for s in result.stations)
    assert (job / "clear-plot.png").stat().st_size > 10_000


def test_metres_are_noticed_and_then_give_the_same(runner: Commands, job: Path) -> None:
    words = (*BAR, "--mesh", "metres.ply", "--mesh-points", "in metres.toml")
    wrong = runner.refused(*BAR, "--mesh", "metres.ply", "--mesh-points", "points.toml", where=job)
    assert "named points are not on the scan" in wrong
    metres = json.loads(done(runner.run(*words, "--json", "-q", where=job)))
    plain = json.loads(done(runner.run(*SCAN, "--json", "-q", where=job)))
    for a, b in zip(metres["stations"], plain["stations"], strict=True):
        assert a["clearance_mm"] == pytest.approx(b["clearance_mm"], abs=5e-3)
    (job / "unsaid.csv").write_text(
        "".join(
            f"{m},{p[0]:.6f},{p[1]:.6f},{p[2]:.6f}\n"
            for m, p in zip(PICKED, 1e-3 * picks().points, strict=True)
        )
    )
    told = runner.refused(*BAR, "--mesh", "metres.ply", "--mesh-points", "unsaid.csv", where=job)
    assert "The scan is in m, not in mm" in told
    assert "say so with --mesh-unit m." in told
    said_so = (*BAR, "--mesh", "metres.ply", "--mesh-points", "unsaid.csv", "--mesh-unit", "m")
    assert done(runner.run(*said_so, where=job))


def test_pointers_give_table_file_and_plot(runner: Commands, job: Path) -> None:
    words = (*BAR, "--contour", "panel.json:upper lip", "--standoff-mm", "50")
    said = done(runner.run(*words, "--out", "lip.json", where=job))
    assert "door bar against upper lip" in said
    result = read_json(job / "lip.json", StandoffFile)
    assert (result.against, result.standoff_mm, result.placement) == ("lip", 50.0, None)
    assert (job / "lip-plot.png").exists()
    again = runner.refused(*words, "--out", "lip.json", where=job)
    assert "The file exists already" in again
    done(runner.run(*words, "--out", "lip.json", "--replace", "-q", where=job))


def test_a_chain_of_shoots_carries_the_seat(runner: Commands, job: Path) -> None:
    done(runner.run(*CHAIN, "--out", "gap.json", "--standoff-mm", "2", where=job))
    result = read_json(job / "gap.json", GapFile)
    assert [(s.a, s.b, s.part) for s in result.steps] == [
        ("open", "shut", "trim"), ("shut", "refit", "shell")
    ]  # fmt: skip
    assert result.standoff_mm == 2.0
    assert result.loops[0].closes


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (BAR, "No target is given: give one of --target (stubs), --contour (pointers)"),
        ((*SCAN, "--contour", "panel.json:upper lip"), "--contour and --mesh are given at once"),
        ((*BAR, "--mesh", "panel.ply"), "Missing option '--mesh-points'"),
        ((*BAR, "--contour", "panel.json:sill"), "begins with 'sill'"),
        ((*BAR, "--contour", "panel.json"), "'panel.json' is not SURVEY:LIP (--contour)"),
        ((*BAR, "--contour", "panel.json:upper lip", "--mesh-unit", "m"), "without --mesh"),
        ((*BAR, "--contour", "open.json:upper lip"), "Missing option '--on'"),
        (
            (*BAR, "--contour", "open.json:upper lip", "--contour", "panel.json:upper lip"),
            "The two lips are of two surveys (--contour)",
        ),
        ((*SCAN, "--mesh-unit", "feet"), "says mm and the command says feet"),
        ((*BAR, "--mesh", "open.json", "--mesh-points", "points.toml"), "not a kind of scan"),
        ((*BAR, "--mesh", "none.ply", "--mesh-points", "points.toml"), "no such file"),
        ((*CHAIN[:-2], "--on", "bench"), "chain breaks between shut and refit"),
        ((*CHAIN, "--on", "trim"), "has 2 steps, and 3 parts are named"),
    ],
)
def test_what_does_not_go_together_is_one_sentence(
    runner: Commands, job: Path, words: tuple[str, ...], sentence: str
) -> None:
    said = runner.refused(*words, where=job)
    assert sentence in said
