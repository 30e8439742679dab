"""Files that are torn, foreign or newer, and results that must not or cannot be written."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from commands import NOBODY, Commands, Job, Result, tree

# ---------------------------------------------------------------- read


@pytest.fixture(params=["camera", "survey", "record"])
def kind(request: pytest.FixtureRequest, job: Job, camera: Result, shut: Result, record: Result,
         refitted: Result) -> str:  # fmt: skip
    return str(request.param)


def reading(job: Job, kind: str, file: Path) -> str:
    """The sentence of a command that must refuse a file of a kind."""
    words: dict[str, tuple[str | Path, ...]] = {
        "camera": ("survey", "shut", "--kit", "kit.toml", "--camera", file),
        "survey": ("record", file, "--part", "cage", "--on", "shell"),
        "record": ("recheck", file, "refitted.json"),
    }
    return job.refused(*words[kind], "--out", "new.json")


def source(job: Job, kind: str) -> Path:
    return job.folder / {"camera": "camera.json", "survey": "shut.json"}.get(kind, "record.json")


@pytest.mark.parametrize("share", [0.001, 0.3, 0.9, 0.9999])
def test_a_file_cut_short_is_refused_with_the_line(
    job: Job, kind: str, tmp_path: Path, share: float
) -> None:
    raw = source(job, kind).read_bytes()
    (tmp_path / "torn.json").write_bytes(raw[: int(share * len(raw.rstrip(b"}\n")))])
    sentence = reading(job, kind, tmp_path / "torn.json")
    assert "damaged or cut short" in sentence
    assert "torn.json, line " in sentence
    assert "make the file again, or take it from a copy" in sentence


def test_an_empty_file(job: Job, kind: str, tmp_path: Path) -> None:
    (tmp_path / "empty.json").write_bytes(b"")
    assert "The file is empty" in reading(job, kind, tmp_path / "empty.json")


def test_a_missing_file(job: Job, kind: str, tmp_path: Path) -> None:
    assert "There is no such file" in reading(job, kind, tmp_path / "nowhere.json")


def test_something_else_than_json(job: Job, kind: str) -> None:
    for file in ("kit.toml", "shut/P100.jpg"):
        sentence = reading(job, kind, Path(file))
        assert sentence == (
            f"fitscan: This is not a JSON file but something else ({file}): name another file."
        )


def test_a_file_of_another_kind(job: Job, kind: str) -> None:
    other = {"camera": "survey", "survey": "record", "record": "camera"}[kind]
    file = source(job, other)
    assert reading(job, kind, Path(file.name)) == (
        f"fitscan: This is a {other} file of fitscan, and a {kind} file of fitscan is needed "
        f"({file.name}): name another file."
    )


def test_a_file_by_a_newer_fitscan(job: Job, kind: str, tmp_path: Path) -> None:
    content = json.loads(source(job, kind).read_text(encoding="utf-8"))
    content["schema_version"] = 99
    (tmp_path / "newer.json").write_text(json.dumps(content), encoding="utf-8")
    sentence = reading(job, kind, tmp_path / "newer.json")
    assert "written by a newer fitscan (schema version 99" in sentence
    assert sentence.endswith("newer.json): update fitscan.")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda s: s.update(colour="red"), 'The key "colour" is not known here'),
        (lambda s: s.pop("lens"), 'The key "lens" is missing'),
        (lambda s: s["lens"].update(f_px="wide"), '"f_px" must be a number, but is "wide"'),
        (lambda s: s["markers"].pop(), "The covariance does not belong to the markers"),
        (lambda s: s["markers"][0].update(id=577), "The markers do not belong to the kit"),
        (lambda s: s["markers"][0].update(id=1), "The markers do not belong to the kit"),
        (lambda s: s["cuffs"].pop(), "The cuffs do not belong to the markers"),
        (
            lambda s: s["markers"][0].update(rotation=[[2, 0, 0], [0, 1, 0], [0, 0, 1]]),
            "A rotation matrix is not a rotation",
        ),
        (
            lambda s: s["joint_covariance"].update(data=s["joint_covariance"]["data"][:80]),
            "the packed matrix does not hold",
        ),
    ],
)
def test_a_survey_changed_by_hand_is_refused(
    job: Job, shut: Result, tmp_path: Path, change: Any, words: str
) -> None:
    content = shut.content
    change(content)
    (tmp_path / "odd.json").write_text(json.dumps(content), encoding="utf-8")
    sentence = reading(job, "survey", tmp_path / "odd.json")
    assert words in sentence
    assert "odd.json" in sentence


# ---------------------------------------------------------------- written


SURVEY = ("survey", "shut", "--kit", "kit.toml")
"""Would take seconds: a refusal that comes at once was made before the work."""


@pytest.fixture
def results(job: Job, camera: Result, shut: Result, record: Result, opened: Result) -> Job:
    """The job with results that must not be lost."""
    return job


def test_an_existing_result_is_kept(results: Job) -> None:
    for words in (
        SURVEY,
        ("calibrate", "board", "--board", "charuco:7x10:26:19:DICT_5X5_100"),
        ("recheck", "record.json", "shut.json"),
        ("gap", "--bar", "shut.json:door bar", "--target", "open.json:seat", "--on", "trim"),
    ):
        sentence = results.refused(*words, "--out", "open.json")
        assert sentence == (
            "fitscan: The file exists already (open.json): choose another name or give --replace."
        )


def test_an_existing_picture_is_kept(job: Job, tmp_path: Path) -> None:
    shutil.copytree(job.folder / "shut", tmp_path / "shut")
    shutil.copy(job.folder / "kit.toml", tmp_path)
    (tmp_path / "new-plot.png").write_bytes(b"mine")
    sentence = job.commands.refused(*SURVEY, "--out", "new.json", where=tmp_path)
    assert "The file exists already (new-plot.png): choose another name or give" in sentence


def test_a_result_is_replaced_when_asked(
    job: Job, record: Result, shut: Result, tmp_path: Path
) -> None:
    for file in (record.file, shut.file):
        shutil.copy(file, tmp_path)
    words = ("recheck", "record.json", "shut.json", "--out", "result.json")
    assert job.commands.run(*words, where=tmp_path).code == 0
    first = tree(tmp_path)
    finished = job.commands.run(*words, "--tolerance-mm", "3", "--replace", where=tmp_path)
    assert finished.code == 0, finished.err
    second = tree(tmp_path)
    assert second.keys() == first.keys()
    changed = {name for name in first if first[name] != second[name]}
    assert "result.json" in changed
    assert not changed & {"record.json", "shut.json"}


@pytest.mark.parametrize(
    "file", ["record.json", "camera.json", "kit.toml", "shut/P100.jpg", "open.json"]
)
def test_even_when_asked_only_an_older_result_of_the_same_kind_is_written_over(
    results: Job, file: str
) -> None:
    words = ("recheck", "record.json", "shut.json", "--out", file, "--replace")
    assert results.refused(*words) == (
        "fitscan: --replace writes only over an older result of the same command, not over this "
        f"file ({file}): choose another name."
    )


def test_a_record_is_never_written_over(results: Job) -> None:
    words = ("record", "shut.json", "--part", "cage", "--on", "shell", "--out", "record.json")
    assert results.refused(*words) == (
        "fitscan: The file exists already and is never overwritten unasked (record.json): "
        "choose another name or move the old file away."
    )
    assert results.refused(*words, "--replace").startswith("fitscan: No such option: --replace")


@pytest.mark.parametrize(
    ("out", "words"),
    [
        ("nowhere/new.json", "The folder does not exist (nowhere): make it first, or check its"),
        ("kit.toml/new.json", "A file stands where a folder is needed (kit.toml)"),
        ("shut", "This is a folder, not a file (shut): name a file inside it"),
        ("x" * 300 + ".json", "The file name is too long"),
    ],
)
def test_a_place_that_cannot_take_the_result_is_refused_before_the_work(
    job: Job, out: str, words: str
) -> None:
    assert words in job.refused(*SURVEY, "--out", out)


@pytest.fixture
def everybodys(tmp_path: Path) -> Iterator[Path]:
    """A folder that a user without rights can reach; pytest's own are locked."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "work"
        folder.mkdir()
        for path, mode in ((Path(name), 0o777), (folder, 0o755)):
            path.chmod(mode)
        yield folder


def test_a_folder_that_may_not_be_written_is_refused_before_the_work(
    commands: Commands, job: Job, shut: Result, everybodys: Path
) -> None:
    for name in ("shut.json", "kit.toml"):
        shutil.copy(job.folder / name, everybodys)
    shutil.copytree(job.folder / "shut", everybodys / "shut")
    for name, mode in (("locked", 0o555), ("open", 0o777)):
        (everybodys / name).mkdir()
        (everybodys / name).chmod(mode)
    words = ("record", "shut.json", "--part", "cage", "--on", "shell")
    for command in (SURVEY, words):
        sentence = commands.refused(
            *command, "--out", "locked/new.json", where=everybodys, code=3, user=NOBODY
        )
        assert sentence == (
            "fitscan: You may not write into this folder (locked): change the folder's "
            "permissions or write to another folder."
        )
    finished = commands.run(*words, "--out", "open/new.json", where=everybodys, user=NOBODY)
    assert finished.code == 0, finished.err
