"""A job's folder by its commands: kept, audited, packed, repeated, and never left half written."""

from __future__ import annotations

import json
import os
import random
import resource
import shutil
import signal
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from commands import NOBODY, Commands, Job, Result, tree

from fitscan.job.audit import audit
from fitscan.photos.private import without_private_data

RECORD = ("record", "surveys/shut.json", "--part", "cage", "--on", "shell", "--out")
SURVEY = ("survey", "photos/shut", "--kit", "kit.toml", "--camera", "camera.json")
RECHECK = ("recheck", "records/cage.json", "surveys/shut.json", "--photos", "photos/shut")
QUIET = ("--workers", "1", "--no-pictures", "--quiet")


def with_secrets(data: bytes) -> bytes:
    """A phone's photo with what packing takes out: a comment, a maker's segment, a film."""
    secret = b"SECRET PLACE"
    length = (len(secret) + 2).to_bytes(2, "big")
    extra = b"".join(b"\xff" + bytes([code]) + length + secret for code in (0xFE, 0xED, 0xE5))
    return data[:2] + extra + data[2:] + secret


@pytest.fixture(scope="module")
def kept(
    tmp_path_factory: pytest.TempPathFactory, commands: Commands, job: Job, camera: Result
) -> Job:
    """A job with one shoot, its survey and a record, made by commands only."""
    home = tmp_path_factory.mktemp("kept")
    assert commands.run("job", "Jo's Käfig", where=home).code == 0
    folder = home / "Jo's Käfig"
    shutil.copy(job.folder / "kit.toml", folder)
    shutil.copy(camera.file, folder)
    (folder / "photos" / "shut").mkdir()
    for photo in (job.folder / "shut").glob("*.jpg"):
        (folder / "photos" / "shut" / photo.name).write_bytes(with_secrets(photo.read_bytes()))
    made = Job(folder, commands)
    made.run("job", ".")
    made.run(*SURVEY, "--out", "surveys/shut.json", *QUIET)
    made.run(*RECORD, "records/cage.json")
    return made


@pytest.fixture
def copy(kept: Job, tmp_path: Path) -> Job:
    return Job(Path(shutil.copytree(kept.folder, tmp_path / "car")), kept.commands)


def test_what_commands_write_into_a_job_is_whole_and_on_its_list(kept: Job) -> None:
    said = kept.run("audit", ".", "--json")
    found = json.loads(said.out)
    assert (found["whole"], found["findings"], found["name"]) == (True, [], "Jo's Käfig")
    assert found["files"] == found["listed"]
    content = json.loads((kept.folder / "records" / "cage.json").read_text(encoding="utf-8"))
    assert content["schema_version"] >= 2
    assert len(content["survey"]["kit_sha256"]) == 64
    assert len(content["survey"]["camera_sha256"]) == 64
    assert len(content["content_sha256"]) == 64


def test_an_audit_names_what_was_changed_and_ends_with_code_2(copy: Job) -> None:
    with (copy.folder / "surveys" / "shut.json").open("a", encoding="utf-8") as stream:
        stream.write(" ")
    finished = copy.commands.run("audit", ".", "--quiet", where=copy.folder)
    assert finished.code == 2
    assert finished.sentence.startswith(
        "fitscan: The folder is not whole (1 changed): surveys/shut.json was changed since "
    )


def test_a_result_from_a_packed_job_is_the_same(copy: Job, tmp_path: Path) -> None:
    copy.run("pack", ".", "--out", "../job.zip")
    with zipfile.ZipFile(tmp_path / "job.zip") as archive:
        names = archive.namelist()
        assert not [n for n in names if b"SECRET PLACE" in archive.read(n)]
        archive.extractall(tmp_path / "unpacked")
        repeat = archive.read("repeat.txt").decode("utf-8")
    assert "fitscan survey photos/shut --kit kit.toml --camera camera.json --out" in repeat
    other = Job(tmp_path / "unpacked", copy.commands)
    other.run("audit", ".")
    other.run(*SURVEY, "--out", "again.json", *QUIET)
    again = json.loads((other.folder / "again.json").read_text(encoding="utf-8"))
    first = json.loads((copy.folder / "surveys" / "shut.json").read_text(encoding="utf-8"))
    for content in (again, first):
        del content["made_at"]
        for photo in content["photos"]:
            del photo["sha256"]  # the bytes round the picture are others
    assert again == first


def test_the_packed_pictures_are_the_phones_bits(kept: Job) -> None:
    for photo in (kept.folder / "photos" / "shut").glob("*.jpg"):
        data = photo.read_bytes()
        packed = without_private_data(data, photo)
        start = data.index(b"\xff\xdb")
        assert packed.endswith(data[start : data.rindex(b"\xff\xd9") + 2])


def test_a_damaged_list_is_told_before_the_work(copy: Job) -> None:
    text = (copy.folder / "job.json").read_text(encoding="utf-8")
    (copy.folder / "job.json").write_text(text[:-9], encoding="utf-8")
    assert "The file is damaged or cut short" in copy.refused(*SURVEY, "--out", "results/a.json")


def in_child(folder: Path, words: tuple[str, ...], prepare: Callable[[], Any]) -> int:
    """Start `fitscan` with `words` in a forked process and return its process id."""
    child = os.fork()
    if child:
        return child
    code = 99
    try:
        os.chdir(folder)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(os.open(folder.parent / "said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
        sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False)
        prepare()
        from fitscan.cli import main

        sys.argv = ["fitscan", *words]
        main()
    except SystemExit as leaving:
        code = leaving.code if isinstance(leaving.code, int) else 99
    finally:
        sys.stderr.flush()
        os._exit(code)


def test_a_disk_that_takes_no_more_is_one_sentence_and_changes_nothing(copy: Job) -> None:
    """The limit is the operating system's own for a file's size, as a full disk is (EFBIG)."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, resource.RLIM_INFINITY))

    before = tree(copy.folder)
    child = in_child(copy.folder, (*RECORD, "records/next.json"), limit)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 3
    said = (copy.folder.parent / "said").read_text(encoding="utf-8")
    assert said.startswith("fitscan: The file could not be written: File too large (records): ")
    assert len(said.splitlines()) == 1
    assert tree(copy.folder) == before


def test_a_job_that_may_only_be_read_is_audited_and_refuses_to_grow(
    kept: Job, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = Path(shutil.copytree(kept.folder, tmp_path_factory.mktemp("everybody") / "car"))
    for above in (folder.parent, *folder.parent.parents[:2]):
        above.chmod(0o755)
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    run = kept.commands.run
    try:
        assert run("audit", ".", "--quiet", where=folder, user=NOBODY).code == 0
        finished = run(*RECORD, "records/next.json", where=folder, user=NOBODY)
        assert finished.code == 3
        assert finished.sentence.startswith("fitscan: You may not write into this folder (")
    finally:
        for path in (folder, *folder.rglob("*")):
            path.chmod(0o755)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "longest_s"),
    [
        ((*RECORD, "records/new NUMBER.json"), 0.15),
        ((*SURVEY, "--out", "surveys/new.json", "--replace", *QUIET), 6.0),
        ((*RECHECK, "--out", "results/re.json", "--replace", "--quiet"), 4.0),
    ],
    ids=["record", "survey", "report"],
)
def test_commands_killed_at_random_leave_the_old_state_or_the_new(
    copy: Job, words: tuple[str, ...], longest_s: float
) -> None:
    import fitscan.cli
    import fitscan.fit.record_file  # noqa: F401  - so that children start at the work

    finished = 0
    for kill in range(70):
        command = tuple(w.replace("NUMBER", str(kill)) for w in words)
        child = in_child(copy.folder, command, lambda: None)
        time.sleep(random.Random(kill).uniform(0.0, longest_s))
        os.kill(child, signal.SIGKILL)
        finished += os.waitpid(child, 0)[1] == 0
        assert not audit(copy.folder).bad
    assert finished < 70
    result = copy.commands.run(*words, where=copy.folder)
    assert result.code == 0, result.err
    assert not audit(copy.folder).bad
