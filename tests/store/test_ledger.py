"""The list of a job's files: every written file is on it, and a crash leaves old or new."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import time
from pathlib import Path

import pytest

from fitscan.errors import EnvironmentProblem, InputError
from fitscan.store.atomic import write_new
from fitscan.store.document import read_json
from fitscan.store.ledger import (
    LEDGER,
    Ledger,
    broken_link,
    is_unfinished,
    ledger_above,
    new_ledger,
    open_ledger,
    state_of,
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "Jo's Käfig"
    (folder / "results").mkdir(parents=True)
    new_ledger(folder, "Wren")
    return folder


def listed(job: Path) -> dict[str, str | None]:
    """Last hash of every path."""
    ledger = read_json(job / LEDGER, Ledger)
    assert broken_link(ledger) is None
    return {e.path: e.sha256 for e in ledger.entries}


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def test_a_file_written_in_a_job_is_listed_with_its_hash(job: Path) -> None:
    write_new(job / "results" / "gap.json", b"one")
    write_new(job / "kit.toml", b"two")
    assert listed(job) == {"results/gap.json": sha(b"one"), "kit.toml": sha(b"two")}


def test_a_replaced_file_keeps_its_history(job: Path) -> None:
    write_new(job / "a", b"old")
    write_new(job / "a", b"new", replace=True)
    entries = read_json(job / LEDGER, Ledger).entries
    assert [(e.path, e.sha256, e.bytes) for e in entries] == [
        ("a", sha(b"old"), 3),
        ("a", sha(b"new"), 3),
    ]


def test_a_refused_write_is_not_listed(job: Path) -> None:
    write_new(job / "a", b"old")
    with pytest.raises(InputError, match="exists already"):
        write_new(job / "a", b"new")
    assert listed(job) == {"a": sha(b"old")}


def test_outside_a_job_nothing_is_listed(tmp_path: Path) -> None:
    (tmp_path / LEDGER).write_text('{"kind": "somebody\'s"}', encoding="utf-8")
    write_new(tmp_path / "a", b"x")
    assert ledger_above(tmp_path / "a") is None
    assert {p.name for p in tmp_path.iterdir()} == {"a", LEDGER}


def test_the_list_itself_is_no_place_for_a_result(job: Path) -> None:
    before = (job / LEDGER).read_bytes()
    for replace in (True, False):
        with pytest.raises(InputError):
            write_new(job / LEDGER, b"x", replace=replace)
    assert (job / LEDGER).read_bytes() == before


@pytest.mark.parametrize("index", [0, 1, 2])
def test_a_line_that_is_changed_or_taken_out_breaks_the_chain(job: Path, index: int) -> None:
    for name in "abcd":
        write_new(job / name, name.encode())
    whole = read_json(job / LEDGER, Ledger)
    gone = whole.model_copy(update={"entries": whole.entries[:index] + whole.entries[index + 1 :]})
    assert broken_link(gone) == index
    other = whole.entries[index].model_copy(update={"sha256": sha(b"forged")})
    changed = whole.model_copy(
        update={"entries": (*whole.entries[:index], other, *whole.entries[index + 1 :])}
    )
    assert broken_link(changed) == index


def test_a_damaged_list_is_one_sentence_and_nothing_is_written(job: Path) -> None:
    text = (job / LEDGER).read_text(encoding="utf-8")
    (job / LEDGER).write_text(text[:-20], encoding="utf-8")
    with pytest.raises(InputError, match="damaged or cut short"):
        write_new(job / "a", b"x")
    assert not (job / "a").exists()


def test_a_disk_that_refuses_the_list_refuses_the_file_too(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_new(job / "a", b"old")
    replace = Path.replace

    def full(part: Path, target: Path) -> Path:
        if target.name == LEDGER:
            raise OSError(28, "No space left on device")
        return replace(part, target)

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(EnvironmentProblem, match="The disk is full"):
        write_new(job / "b", b"x")
    assert not (job / "b").exists()
    assert listed(job) == {"a": sha(b"old")}


def test_a_file_that_never_got_its_name_is_taken_off_by_the_next_writer(job: Path) -> None:
    write_new(job / "a", b"old")
    part = job / ".fitscan-0123456789abcdef.part"
    part.write_bytes(b"never")
    with open_ledger(job / LEDGER) as book:
        book.announce(job / "b", part)
        book.announce(job / "a", part)
    assert listed(job) == {"a": sha(b"never"), "b": None}
    write_new(job / "c", b"x")
    assert listed(job) == {"a": sha(b"old"), "b": None, "c": sha(b"x")}


def test_a_file_that_was_deleted_stays_on_the_list(job: Path) -> None:
    write_new(job / "a", b"old")
    (job / "a").unlink()
    write_new(job / "b", b"x")
    assert listed(job) == {"a": sha(b"old"), "b": sha(b"x")}


def test_a_file_that_is_refused_in_the_last_step_is_taken_off_at_once(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = os.link

    def refuse(part: Path, target: Path) -> None:
        if target.name == "a":
            raise OSError(5, "Input/output error")
        link(part, target)

    monkeypatch.setattr(os, "link", refuse)
    with pytest.raises(EnvironmentProblem):
        write_new(job / "a", b"x")
    assert listed(job) == {"a": None}
    assert not list(job.glob(".fitscan-*.part"))


def test_two_processes_at_once_lose_no_entry(job: Path) -> None:
    """Each child writes files of its own and all race for one name, which one of them gets."""
    children = []
    for who in range(4):
        child = os.fork()
        if child == 0:
            code = 0
            try:
                for i in range(8):
                    write_new(job / f"{who}-{i}", f"{who} {i}".encode() * 999)
                    try:
                        write_new(job / f"both-{i}", str(who).encode())
                    except InputError:
                        code += 1
            except BaseException:  # noqa: BLE001  - a child must never return into the test run
                os._exit(99)
            os._exit(code)
        children.append(child)
    lost = [os.waitstatus_to_exitcode(os.waitpid(c, 0)[1]) for c in children]
    assert sum(lost) == 3 * 8, lost
    there = listed(job)
    assert len(there) == 4 * 8 + 8
    assert all(state_of(job / path) == sha256 for path, sha256 in there.items())


def _writes_for_ever(job: Path, seed: int) -> None:
    """A child that writes new files and replaces one, as commands do, until it is killed."""
    rng = random.Random(seed)
    size = 400_000
    for number in range(10_000):
        block = rng.randbytes(1000)
        write_new(job / "report.html", block * (size // 1000), replace=True)
        write_new(job / f"record {seed} {number}.json", block * (size // 1000))


def consistent(job: Path) -> None:
    """Every file is whole and listed, but for the last entry, which may be of a file to come."""
    ledger = read_json(job / LEDGER, Ledger)
    assert broken_link(ledger) is None
    entries = ledger.entries[:-1] if is_unfinished(job, ledger) else ledger.entries
    last = {e.path: e.sha256 for e in entries}
    assert all(state_of(job / path) == sha256 for path, sha256 in last.items())
    names = {p.name for p in job.iterdir() if p.is_file() and not p.name.startswith(".")}
    assert names == {path for path, sha256 in last.items() if sha256} | {LEDGER}


def test_killed_two_hundred_times_file_and_list_are_in_the_old_state_or_the_new(
    job: Path,
) -> None:
    """Kill -9 at random moments; the seed is the kill's number, so each moment is another one."""
    write_new(job / "report.html", b"first")
    touched = 0
    for kill in range(200):
        child = os.fork()
        if child == 0:
            try:
                _writes_for_ever(job, kill)
            finally:
                os._exit(99)
        time.sleep(random.Random(kill).uniform(0.0, 0.03))
        os.kill(child, signal.SIGKILL)
        assert os.waitpid(child, 0)[1] == signal.SIGKILL
        consistent(job)
        touched += len(list(job.glob(".fitscan-*.part")))
        if kill % 20 == 19:
            _start_anew(job)
    assert touched > 20, "most kills came before or after the writing"


def _start_anew(job: Path) -> None:
    """So that the list stays short: what is tested is the moment, not the length."""
    ledger = read_json(job / LEDGER, Ledger)
    for path in [*job.glob("record *.json"), *job.glob(".fitscan-*.part"), job / LEDGER]:
        path.unlink()
    (job / "report.html").unlink()
    new_ledger(job, ledger.name)
    write_new(job / "report.html", json.dumps("again").encode())
