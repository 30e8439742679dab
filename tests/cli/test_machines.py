"""What scripts rely on: `--json` and `--quiet` everywhere, and facts of what has no JSON file."""

from __future__ import annotations

import inspect
import json
from pathlib import Path

import pytest
from commands import Commands, Job
from plan_shoots import one_sided

from fitscan import cli
from fitscan.survey.survey_file import write_survey

WITHOUT = {
    "demo": {"json"},  # results of many kinds, for people to look at
    "page": {"json", "quiet"},  # a server
}


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory, commands: Commands) -> Job:
    folder = tmp_path_factory.mktemp("machines") / "shelf"
    folder.mkdir()
    write_survey(folder / "survey.json", one_sided())
    return Job(folder, commands)


@pytest.mark.parametrize("command", cli.app.registered_commands, ids=lambda c: str(c.name))
def test_every_command_can_speak_to_machines_and_be_silent(command: object) -> None:
    callback = command.callback  # type: ignore[attr-defined]
    name = command.name or callback.__name__  # type: ignore[attr-defined]
    missing = {"json", "quiet"} - set(inspect.signature(callback).parameters)
    assert missing == WITHOUT.get(name, set())


def test_a_scene_tells_machines_its_file(shelf: Job) -> None:
    said = shelf.run("scene", "survey.json", "--out", "scene.html", "--json")
    content = json.loads(said.out)
    assert content["kind"] == "fitscan.scene"
    assert (shelf.folder / content["html"]).is_file()


def test_a_job_and_its_archive_tell_machines_what_was_done(shelf: Job) -> None:
    job = json.loads(shelf.run("job", "wren", "--name", "the Wren", "--json").out)
    assert job["kind"] == "fitscan.job"
    assert job["name"] == "the Wren"
    assert job["begun"] is True
    assert Path(job["folder"]).name == "wren"
    (shelf.folder / "wren" / "kit.toml").write_text(
        '[[tag]]\nid = 1\nside_mm = 40.0\npart = "shell"\n', encoding="utf-8"
    )
    assert json.loads(shelf.run("job", "wren", "--json").out)["added"] == ["kit.toml"]
    pack = json.loads(shelf.run("pack", "wren", "--out", "wren.zip", "--json", "-q").out)
    assert pack["kind"] == "fitscan.pack"
    assert (shelf.folder / "wren.zip").is_file()
    assert pack["left_out"] == []
    assert pack["files"] >= 1


def test_silence_is_silent(shelf: Job) -> None:
    said = shelf.run("scene", "survey.json", "--out", "again.html", "--quiet")
    assert (said.out, said.err) == ("", "")
