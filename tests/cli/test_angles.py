"""The command for angles: what it writes, prints and refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from commands import Commands
from leaning_cage import cage_survey

from fitscan.fit.angle_file import AnglesFile
from fitscan.fit.tube_file import TubesFile
from fitscan.store.json_file import read_json, write_json
from fitscan.survey.survey_file import survey_document


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "job"
    place.mkdir()
    write_json(place / "tacked.json", survey_document(cage_survey()))
    return place


ASKED = ("--lean", "main hoop", "--level", "harness left", "--level", "harness right",
         "--between", "main hoop:1=stay left", "--symmetry", "cage")  # fmt: skip


def test_a_survey_gives_angles_with_file_and_picture(folder: Path, commands: Commands) -> None:
    done = commands.run("angles", "tacked.json", *ASKED, "--out", "angles.json", where=folder)
    assert done.code == 0, done.err
    result = read_json(folder / "angles.json", AnglesFile)
    by_name = {(r.subject, r.name, r.against): r for r in result.readings}
    lean = by_name[("main hoop, straight 1", "lean forward", "the car's axes")]
    assert lean.value == pytest.approx(-3.0, abs=1e-6)
    assert (folder / "angles-plot.png").stat().st_size > 20_000
    assert "main hoop, straight 1 leans 3.000 deg back" in " ".join(done.out.split())
    assert "does not approve a design" in " ".join(done.out.split())
    again = commands.run("angles", "tacked.json", *ASKED, "--out", "angles.json", where=folder)
    assert again.code == 2
    assert "exists already" in again.sentence


def test_machines_get_json_alone(folder: Path, commands: Commands) -> None:
    done = commands.run("angles", "tacked.json", "--level", "harness left@0.25",
                        "--against", "car", "--json", "--quiet", where=folder)  # fmt: skip
    assert done.code == 0, done.err
    content = json.loads(done.out)
    assert content["kind"] == "fitscan.angles"
    assert content["readings"][0]["verdict"] == "in tolerance"
    assert done.err == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "Nothing is asked"),
        (("--lean", "roof"), "no tube 'roof'"),
        (("--mirror", "stay left"), "does not name two tubes"),
        (("--against", "moon", "--lean", "main hoop"), "nothing to lean against"),
    ],
)
def test_a_wrong_wish_is_one_sentence(
    words: tuple[str, ...], said: str, folder: Path, commands: Commands
) -> None:
    done = commands.run("angles", "tacked.json", *words, where=folder)
    assert done.code == 2
    assert said in done.sentence


def test_tubes_and_nodes_have_a_command_of_their_own(folder: Path, commands: Commands) -> None:
    done = commands.run("tube", "tacked.json", "--tube", "main hoop", "--clr-mm", "100",
                        "--node", "main hoop:1=harness right", "--out", "tubes.json",
                        where=folder)  # fmt: skip
    assert done.code == 0, done.err
    result = read_json(folder / "tubes.json", TubesFile)
    assert [(b.before, b.after) for b in result.tubes[0].bends] == [(1, 2), (2, 3)]
    assert {r.name for r in result.readings} >= {"angle", "arc", "setback", "node offset"}
    assert (folder / "tubes-plot.png").is_file()
    assert "does not approve a design" in " ".join(done.out.split())
    wrong = commands.run("tube", "tacked.json", where=folder)
    assert wrong.code == 2
    assert "Nothing is asked" in wrong.sentence
