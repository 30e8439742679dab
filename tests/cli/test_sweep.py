"""`fitscan sweep` as a person uses it: the screen, the file, the plot, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from bare_doors import door_survey
from commands import Commands, Job
from PIL import Image

from fitscan.survey.survey_file import write_survey

WORDS = ("shut.json", "open.json", "--bar", "door bar", "--step-deg", "10")


@pytest.fixture(scope="module")
def garage(tmp_path_factory: pytest.TempPathFactory, commands: Commands) -> Job:
    folder = tmp_path_factory.mktemp("sweep") / "door's way"
    folder.mkdir()
    write_survey(folder / "shut.json", door_survey(0.0, name="shut"))
    write_survey(folder / "open.json", door_survey(62.0, seed=2, name="open"))
    return Job(folder, commands)


def test_the_tightest_place_is_told_kept_and_drawn(garage: Job) -> None:
    said = garage.run("sweep", *WORDS, "--out", "sweep.json")
    text = " ".join(said.out.split())
    assert "The door bar clears the trim as it shuts by" in text
    assert "The trim turns about an axis that is known to U" in text
    assert "shut the door slowly by hand the first time" in text
    assert "Check by hand before cutting" in text
    assert "written: sweep.json" in said.out
    content = json.loads((garage.folder / "sweep.json").read_text(encoding="utf-8"))
    assert content["kind"] == "fitscan.sweep"
    assert content["positions"][1]["open_deg"] == pytest.approx(62.0, abs=0.01)
    assert len(content["angles"]) >= 8
    with Image.open(garage.folder / "sweep-plot.png") as plot:
        assert plot.width > 1000
    assert "exists already" in garage.refused("sweep", *WORDS, "--out", "sweep.json")


def test_machines_get_the_sweep_as_json(garage: Job) -> None:
    said = garage.run("sweep", *WORDS, "--json", "--quiet", "--clearance-mm", "40")
    content = json.loads(said.out)
    assert content["tightest"]["verdict"] == "out of tolerance"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("shut.json", "--bar", "door bar"), "needs the door in two positions"),
        (("shut.json", "shut.json", "--bar", "door bar"), "turned by 0.0 deg only"),
        (("shut.json", "open.json", "--bar", "main hoop"), "no tube 'main hoop'"),
        (("shut.json", "open.json", "--bar", "door bar", "--door", "dash"), "no part 'dash'"),
        (("shut.json", "open.json", "--bar", "door bar", "--solid", "seat"), "no tube 'seat'"),
        (("shut.json", "nowhere.json", "--bar", "door bar"), "nowhere.json"),
        ((*WORDS, "--mesh", "trim.ply"), "give both --mesh and --mesh-points"),
        ((*WORDS, "--mesh", "trim.ply", "--mesh-points", "none.csv"), "none.csv"),
    ],
)
def test_what_cannot_be_swept_is_refused_in_one_sentence(
    garage: Job, words: tuple[str, ...], sentence: str
) -> None:
    assert sentence in garage.refused("sweep", *words)


def test_the_report_takes_a_sweep(garage: Job) -> None:
    from fitscan.report.kinds.result import result_of_kind

    garage.run("sweep", *WORDS, "--out", "kept.json", "--quiet")
    kind = result_of_kind("fitscan.sweep")
    assert kind is not None
    section = kind.section(read(garage.folder / "kept.json"))
    assert section.word == "Door sweep"
    assert "at the tightest" in section.headline
    assert section.judged[0].what == "door angles"


def read(path: Path) -> object:
    from fitscan.fit.sweep_file import SweepFile
    from fitscan.store.json_file import read_json

    return read_json(path, SweepFile)
