"""What stands where: help, version, JSON alone on standard output, silence, Ctrl-C, own faults."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from commands import Commands, Job, Result, tree
from rich.progress import Progress

from fitscan import __version__, cli
from fitscan.cli import interrupt, run, screen
from fitscan.errors import InputError

COMMANDS = [c.name or getattr(c.callback, "__name__", "") for c in cli.app.registered_commands]
CAUTION = "does not approve a design, a weld or a material"


def python_m(*words: str, where: Path) -> subprocess.CompletedProcess[str]:
    """A command from a cold start."""
    return subprocess.run(
        [sys.executable, "-m", "fitscan", *words],
        cwd=where, capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_the_commands_are_those_of_the_job() -> None:
    assert {"sheets", "calibrate", "survey", "record", "recheck", "gap", "demo"} <= set(COMMANDS)


def test_the_module_is_the_command(tmp_path: Path) -> None:
    done = python_m("--version", where=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, f"fitscan {__version__}\n", "")


def test_a_cold_start_refuses_in_one_sentence_too(tmp_path: Path) -> None:
    done = python_m("survey", "nowhere", "--kit", "kit.toml", where=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "fitscan: There is no such file (kit.toml): check the name.\n"


@pytest.mark.parametrize("command", COMMANDS)
def test_the_help_of_every_command_shows_the_caution(
    commands: Commands, tmp_path: Path, command: str
) -> None:
    finished = commands.run(command, "--help", where=tmp_path)
    assert finished.code == 0
    assert finished.err == ""
    assert CAUTION in " ".join(finished.out.split())


@pytest.mark.parametrize("words", [(), ("--help",), ("-h",)])
def test_the_overview_lists_every_command_and_the_caution(
    commands: Commands, tmp_path: Path, words: tuple[str, ...]
) -> None:
    finished = commands.run(*words, where=tmp_path)
    assert (finished.code, finished.err) == (0, "")
    for command in COMMANDS:
        assert f"\n  {command} " in finished.out
    assert CAUTION in " ".join(finished.out.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("surve",), "No such command 'surve' (did you mean 'survey'?)"),
        (("survey",), "Missing argument 'shoot'"),
        (("survey", "shut"), "Missing option '--kit'"),
        (("survey", "shut", "--kit"), "Option '--kit' requires an argument"),
        (("survey", "shut", "--kit", "kit.toml", "--wokers", "2"), "No such option: --wokers"),
        (("survey", "shut", "--kit", "kit.toml", "--workers", "0"), "'--workers' must be "),
        (("survey", "shut", "--kit", "kit.toml", "--workers", "two"), "'--workers' must be "),
        (("survey", "my", "shoot", "--kit", "kit.toml"), "put names with spaces in quotes"),
        (("gap", "--bar", "a:b", "--target", "c:d"), "Missing option '--on'"),
    ],
)
def test_a_wrong_word_on_the_command_line_is_one_sentence(
    job: Job, words: tuple[str, ...], said: str
) -> None:
    sentence = job.refused(*words)
    assert said in sentence
    assert "--help` shows how it is written" in sentence


# ---------------------------------------------------------------- where it is written


def test_json_stands_alone_on_standard_output_and_equals_the_file(opened: Result) -> None:
    assert json.loads(opened.said.out) == opened.content
    assert opened.said.out == opened.file.read_text(encoding="utf-8")
    assert "Survey open door" in opened.said.err
    assert "Looking for tags" in opened.said.err
    assert "written: open.json" in opened.said.err


def test_results_for_people_stand_on_standard_output_and_progress_beside_them(
    shut: Result,
) -> None:
    assert "Survey shut" in shut.said.out
    assert "written: shut.json" in shut.said.out
    assert "Looking for tags" in shut.said.err
    assert "Survey" not in shut.said.err


def test_every_command_that_makes_a_result_prints_it_for_machines(
    job: Job, shut: Result, opened: Result, record: Result, tmp_path: Path
) -> None:
    board = ("--board", "charuco:7x10:26:19:DICT_5X5_100")
    gap = ("--bar", "shut.json:door bar", "--target", "open.json:seat", "--on", "trim")
    on = ("--part", "cage", "--on", "shell", "--out", str(tmp_path / "again.json"))
    sheets = ("--out", str(tmp_path / "sheets"), "--tags", "shell:4")
    for name, words in {
        "sheets": ("sheets", *sheets),
        "camera": ("calibrate", "board", *board),
        "record": ("record", "shut.json", *on),
        "recheck": ("recheck", "record.json", "shut.json"),
        "gap": ("gap", *gap),
    }.items():
        finished = job.run(*words, "--json", "--quiet")
        assert json.loads(finished.out)["kind"] == f"fitscan.{name}"
        assert finished.err == ""


def test_quiet_is_silent(job: Job, record: Result, tmp_path: Path) -> None:
    words = ("--part", "cage", "--on", "shell", "--out", str(tmp_path / "again.json"))
    for command in (("record", "shut.json", *words), ("recheck", "record.json", "shut.json")):
        finished = job.run(*command, "--quiet")
        assert (finished.out, finished.err) == ("", "")


def test_a_refusal_is_told_even_when_quiet(job: Job) -> None:
    sentence = job.refused("survey", "nowhere", "--kit", "kit.toml", "--quiet")
    assert sentence == "fitscan: There is no such folder (nowhere): check the name."


# ---------------------------------------------------------------- stopped, and broken


def test_ctrl_c_amid_the_work_ends_with_a_sentence_and_leaves_nothing(job: Job) -> None:
    before = tree(job.folder)
    screen, terminal = pty.openpty()
    words = ("survey", "shut", "--kit", "kit.toml", "--out", "new.json", "--workers", "2")
    program = subprocess.Popen(
        [sys.executable, "-m", "fitscan", *words],
        cwd=job.folder, stdout=subprocess.DEVNULL, stderr=terminal, start_new_session=True,
    )  # fmt: skip
    os.close(terminal)
    said = b""
    try:
        while b"Looking for tags" not in said:
            said += os.read(screen, 4096)
        # As the terminal does it: to the program and to its workers.
        os.killpg(program.pid, signal.SIGINT)
        while True:
            try:
                more = os.read(screen, 4096)
            except OSError:  # nobody holds the other end any more
                break
            if not more:
                break
            said += more
        assert program.wait(timeout=30) == 130
    finally:
        program.kill()
        os.close(screen)
    last = said.decode().replace("\r", "").rstrip("\n").split("\n")[-1]
    assert last.endswith("fitscan: stopped; every file that was written is whole.")
    assert b"Traceback" not in said
    assert tree(job.folder) == before


_STOPPED_AS_IT_LOADS = """
import sys
from fitscan.__main__ import main

class Stop:
    def find_spec(self, name, *_):
        if name == "fitscan.cli.solve":
            raise KeyboardInterrupt

sys.meta_path.insert(0, Stop())
main()
"""


def test_ctrl_c_while_the_command_line_still_loads_ends_with_the_same_sentence() -> None:
    words = [sys.executable, "-c", _STOPPED_AS_IT_LOADS]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == "fitscan: stopped; every file that was written is whole.\n"


@pytest.mark.parametrize("quiet", [False, True])
def test_a_stop_that_python_swallowed_stops_at_the_next_step(
    quiet: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Finaliser:
        def __del__(self) -> None:
            signal.raise_signal(signal.SIGINT)

    def step() -> None:
        with screen.progress(quiet=quiet) as tell:
            tell("Looking for tags", 1, 2)
            unraised: list[object] = []
            monkeypatch.setattr(sys, "unraisablehook", unraised.append)
            finaliser = Finaliser()
            del finaliser
            assert len(unraised) == 1, "the stop was to be swallowed"
            tell("Looking for tags", 2, 2)
            raise AssertionError("went on")

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    interrupt.listen()
    try:
        with pytest.raises(KeyboardInterrupt):
            step()
    finally:
        signal.signal(signal.SIGINT, before)
        interrupt._asked.clear()


def test_a_stop_before_the_first_sentence_leaves_no_bar_alive(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bars: list[Progress] = []

    def stopped(self: Progress, *_: object, **__: object) -> None:
        bars.append(self)
        raise KeyboardInterrupt

    monkeypatch.setattr(Progress, "add_task", stopped)
    with pytest.raises(KeyboardInterrupt), screen.progress(quiet=False) as tell:
        tell("Looking for tags", 0, 2)
    assert [bar.live.is_started for bar in bars] == [False]


def test_only_the_command_that_is_called_is_built() -> None:
    for command in cli.app.registered_commands:
        name = run._name_of(command)
        assert run._app_for([name, "--help"]).registered_commands == [command]
    for words in ([], ["--help"], ["--version"], ["gep"], ["-h", "gap"]):
        assert run._app_for(words) is cli.app
    assert len(cli.app.registered_commands) > 20


def test_a_fault_of_the_programs_own_is_a_sentence_that_can_be_reported(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise KeyError("no such\nthing")

    monkeypatch.setattr(run, "_app_for", lambda _: broken)
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert left.value.code == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("fitscan: This is a fault of fitscan's, not yours (KeyError: ")
    assert "in test_screen.py, line " in said.err
    assert said.err.count("\n") == 1


def test_a_fault_of_the_programs_own_shows_its_way_when_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise KeyError("x")

    monkeypatch.setattr(run, "_app_for", lambda _: broken)
    monkeypatch.setenv("FITSCAN_TRACEBACK", "1")
    with pytest.raises(KeyError):
        cli.main()


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (KeyboardInterrupt(), 130, "stopped; every file that was written is whole."),
        (MemoryError(), 3, "too little memory"),
        (OSError(28, "No space left on device"), 3, "No space left on device"),
    ],
)
def test_what_the_computer_does_to_the_program_is_a_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: BaseException,
    code: int, said: str,
) -> None:  # fmt: skip
    def broken(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(run, "_app_for", lambda _: broken)
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert left.value.code == code
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(("takes_s", "shown"), [(0.0, False), (0.5, True)])
def test_a_bar_appears_only_once_work_has_taken_a_while(
    takes_s: float,
    shown: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(screen, "_SOON_S", 0.1)

    def refused() -> None:
        with screen.working("Making it", quiet=False):
            time.sleep(takes_s)
            raise InputError("There is no such file", "x", "check the name")

    with pytest.raises(InputError, match="no such"):
        refused()
    assert ("Making it" in capsys.readouterr().err) is shown
