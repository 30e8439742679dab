"""`fitscan plan` and `fitscan advise` as a person uses them, and completion in the shell."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from commands import Commands, Job, Result
from plan_shoots import PLACES, one_sided

from fitscan.survey.survey_file import write_survey

KIT = """
[[cuff]]
first_id = 100
od_mm = 45.0
columns = 7
rows = 2
side_mm = 15.0
row_pitch_mm = 20.0
part = "cage"
tube = "main hoop"
straight = 1

[[cuff]]
first_id = 114
od_mm = 45.0
columns = 7
rows = 2
side_mm = 15.0
row_pitch_mm = 20.0
part = "cage"
tube = "main hoop"
straight = 1

[[rule]]
ids = [50, 51]
length_mm = 800.0
u_mm = 0.2
"""


def kit_text() -> str:
    tags = [*range(24), 50, 51]
    rows = "\n".join(f"[[tag]]\nid = {i}\nside_mm = 40.0\npart = 'shell'" for i in tags)
    return rows + KIT


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory, commands: Commands) -> Job:
    folder = tmp_path_factory.mktemp("planning") / "the shed"
    folder.mkdir()
    one_leg = PLACES.replace("straight = 3", "straight = 1").split("[[tube]]")
    places = one_leg[0] + "[[tube]]" + one_leg[1] + "[[block]]" + PLACES.split("[[block]]")[1]
    (folder / "places.toml").write_text(places, encoding="utf-8")
    (folder / "kit.toml").write_text(kit_text(), encoding="utf-8")
    (folder / "no rule.toml").write_text(kit_text().split("[[rule]]")[0], encoding="utf-8")
    write_survey(folder / "survey.json", one_sided())
    return Job(folder, commands)


WANTED = ("--tube", "main hoop", "--on", "shell", "--wanted-mm", "0.4")
FROM_LIST = ("plan", "--kit", "kit.toml", "--places", "places.toml", *WANTED)


def test_a_plan_says_how_many_photos_and_where_and_draws_them(shed: Job) -> None:
    said = shed.run(*FROM_LIST, "--out", "plan.json")
    content = json.loads((shed.folder / "plan.json").read_text(encoding="utf-8"))
    count = len(content["photos"])
    assert f"{count} photos to take" in said.out
    assert f"{count} photos give the axis of the main hoop" in " ".join(said.out.split())
    assert "above the ground" in said.out
    assert "written: plan-plan.png" in said.out
    assert "Choosing photos" in said.err
    assert content["kind"] == "fitscan.plan"
    assert content["wishes"][0]["reached"]
    assert content["wishes"][0]["expected_U_mm"] <= 0.4
    assert content["frame"] == "car (X forward, Y left, Z up)"
    assert (shed.folder / "plan-plan.png").read_bytes()[:4] == b"\x89PNG"


def test_advice_names_the_cuff_and_the_drop(shed: Job) -> None:
    said = shed.run("advise", "survey.json", "--out", "advice.json")
    flat = " ".join(said.out.split())
    assert "uff 100 on the main hoop is seen in two photos, all from one side" in flat
    assert "mm now" in flat
    assert "written: advice-advice.png" in said.out
    content = json.loads((shed.folder / "advice.json").read_text(encoding="utf-8"))
    first = next(a for a in content["advice"] if a["marker"] == 100)
    assert first["U_then_mm"] < first["U_now_mm"]
    assert len(first["eye_mm"]) == 3


def test_machines_get_advice_alone_and_nothing_is_written(shed: Job) -> None:
    before = sorted(p.name for p in shed.folder.iterdir())
    said = shed.run("advise", "survey.json", "--marker", "100", "--json", "--quiet", "--most", "1")
    assert said.err == ""
    assert json.loads(said.out)["advice"]
    assert sorted(p.name for p in shed.folder.iterdir()) == before


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("plan", *WANTED), "Nobody said where things are"),
        (("plan", "--places", "places.toml", *WANTED), "needs the kit"),
        ((*FROM_LIST, "--survey", "survey.json"), "told twice"),
        (("plan", "--kit", "kit.toml", "--places", "places.toml"), "Nothing is asked for"),
        (("plan", "--kit", "no rule.toml", "--places", "places.toml", *WANTED), "has no rule"),
        ((*FROM_LIST[:-5], "roof bar"), "no tube 'roof bar'"),
        ((*FROM_LIST, "--most", "2"), "--most"),
        ((*FROM_LIST, "--gap", "main hoop", "--on", "bonnet"), "no part 'bonnet'"),
        (("advise", "survey.json", "--gap", "main hoop"), "needs the part that carries it"),
        (("advise", "survey.json", "--on", "shell"), "belong to something asked for"),
        (("advise", "survey.json", "--tube", "a", "--marker", "1"), "Only one thing"),
        (("advise", "survey.json", "--marker", "999"), "999"),
        (("advise", "kit.toml"), "kit.toml"),
    ],
)
def test_what_cannot_be_had_is_one_sentence(shed: Job, words: tuple[str, ...], what: str) -> None:
    assert what in shed.refused(*words)


def test_a_survey_carries_the_advice_and_its_sketch(shut: Result) -> None:
    """Every advice in the file stands on the screen; a photo among it has its sketch."""
    told = shut.content["quality"]["advice"]
    flat = " ".join(shut.said.out.split())
    for sentence in told:
        assert sentence in flat
    assert not any("was measured in only" in s for s in told)
    drawn = (shut.file.parent / "shut-advice.png").is_file()
    assert drawn == any("add one" in s for s in told)


@pytest.mark.parametrize(
    ("words", "place", "wanted"),
    [("fitscan surv", 1, {"survey"}), ("fitscan advise --wa", 2, {"--wanted-mm"})],
)
def test_the_shell_completes_commands_and_options(
    tmp_path: Path, words: str, place: int, wanted: set[str]
) -> None:
    asked = {"_FITSCAN_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(place)}
    done = subprocess.run(
        [sys.executable, "-c", "from fitscan.cli import main; main()"],
        cwd=tmp_path, env={**os.environ, **asked}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert set(done.stdout.split()) == wanted
    assert done.stderr == ""
