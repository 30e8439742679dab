"""`fitscan verify` as a person uses it: the sheet, the screen, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from cabins import survey_of, truth_poses
from commands import Commands, Job

from fitscan.geometry.rigid import Rigid
from fitscan.survey.survey_file import write_survey


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, commands: Commands) -> Job:
    folder = tmp_path_factory.mktemp("verify") / "steel rule"
    folder.mkdir()
    write_survey(folder / "survey.json", survey_of("cabin", truth_poses(), Rigid.identity()))
    return Job(folder, commands)


def length(a: int, b: int, error: float = 0.0) -> tuple[str, str]:
    poses = truth_poses()
    true = float(np.linalg.norm(poses[a].translation - poses[b].translation))
    return "--length", f"{a}:{b}:{true - error:.3f}"


ALL = (*length(0, 1, 0.2), *length(2, 3), *length(4, 13), *length(8, 15), *length(33, 1))


def test_a_sheet_with_its_plot_is_written_and_named_on_the_screen(bench: Job) -> None:
    said = bench.run("verify", "survey.json", *ALL, "--out", "sheet.json", "--note", "rule 3")
    assert "Largest error: +0.20 mm" in said.out
    assert "written: sheet.json" in said.out
    assert "written: sheet-plot.png" in said.out
    assert "Check by hand before cutting" in " ".join(said.out.split())
    content = json.loads((bench.folder / "sheet.json").read_text(encoding="utf-8"))
    assert content["kind"] == "fitscan.verify"
    assert content["note"] == "rule 3"
    assert content["lengths"][0]["error_mm"] == pytest.approx(0.2, abs=1e-3)
    assert content["caution"]
    assert (bench.folder / "sheet-plot.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize("there", ["kept.json", "kept-plot.png"])
def test_a_sheet_is_never_written_over(bench: Job, there: str) -> None:
    (bench.folder / there).write_text("{}", encoding="utf-8")
    said = bench.refused("verify", "survey.json", *ALL, "--out", "kept.json")
    assert "exists already" in said
    assert "--replace" not in said
    (bench.folder / there).unlink()


def test_machines_get_the_sheet_as_json_and_no_file(bench: Job) -> None:
    before = sorted(p.name for p in bench.folder.iterdir())
    said = bench.run("verify", "survey.json", *ALL, "--json", "--quiet", "--limit-mm", "0.5")
    content = json.loads(said.out)
    assert content["limit_mm"] == 0.5
    assert len(content["lengths"]) == 5
    assert sorted(p.name for p in bench.folder.iterdir()) == before


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("survey.json",), "--length"),
        (("survey.json", "--length", "0:1"), "is not ID:ID:MM"),
        (("survey.json", "--length", "0:1:9x"), "something else than numbers"),
        (("survey.json", "--length", "0:100:50"), "is on a cuff"),
        (("survey.json", "--length", "0:555:50"), "not in the survey's kit"),
        (("survey.json", *length(0, 1), "--limit-mm", "-1"), "--limit-mm"),
        (("nowhere.json", *length(0, 1)), "nowhere.json"),
        (("survey.json", *length(0, 1), "--out", "no folder/s.json"), "no folder"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_one_sentence(bench: Job, words: tuple[str, ...], what: str) -> None:
    assert what in bench.refused("verify", *words)


def test_help_says_how_a_length_is_written(bench: Job) -> None:
    said = bench.run("verify", "--help").out
    assert "ID:ID:MM[:U_MM]" in said
    assert "approve a design" in " ".join(said.split())


def test_a_survey_that_is_no_survey_is_called_by_its_name(bench: Job) -> None:
    Path(bench.folder / "kit.json").write_text('{"kind": "fitscan.record"}', encoding="utf-8")
    assert "survey file of fitscan is needed" in bench.refused("verify", "kit.json", *length(0, 1))
