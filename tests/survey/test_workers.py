"""Worker processes: started ahead, they get the work; on Ctrl-C they end in order and silence."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from unittest import mock

import pytest

from fitscan.survey import workers
from fitscan.survey.copies import can_copy, cores
from fitscan.survey.workers import run_all, starting_workers

_AHEAD = """
import os, time
from joblib import Parallel, delayed
from joblib.externals.loky import reusable_executor
from fitscan.survey import workers

load = workers._load

def slowly():
    time.sleep(1.0)  # On a busy computer a quick process would take a late one's call as well.
    load()

workers._load = slowly
with workers.starting_workers({photos}, {workers}):
    pool = reusable_executor._executor
    before = set(pool._processes) if pool is not None else set()
used = set(Parallel(n_jobs=2, batch_size=1)(delayed(os.getpid)() for _ in range(8)))
asked = "'fitscan.survey.photo_work' in __import__('sys').modules"
loaded = Parallel(n_jobs=2)(delayed(eval)(asked) for _ in range(2))
print(len(before), used <= before, all(loaded))
"""

_COPIED = """
import multiprocessing, os, sys, time
from fitscan.survey.workers import run_all, starting_workers

def work(number):
    time.sleep(0.05)
    loaded = "fitscan.survey.photo_work" in sys.modules and "cv2" in sys.modules
    return number, os.getpid(), loaded

with starting_workers({photos}, {workers}):
    copies = [p.pid for p in multiprocessing.active_children()]
told = []
out = run_all(work, [(n,) for n in range(12)], {workers}, lambda *t: told.append(t), "Working")
used = {{pid for _, pid, _ in out}}
in_order = [n for n, _, _ in out] == list(range(12))
all_told = told == [("Working", n, 12) for n in range(13)]
print(len(copies), used == {{os.getpid(), *copies}}, in_order, all_told,
      all(loaded for *_, loaded in out), "joblib" in sys.modules)
"""

only_linux = pytest.mark.skipif(
    sys.platform != "linux" or sys.version_info < (3, 11), reason="only there a process is copied"
)


def told(program: str, photos: int, workers: int | None) -> str:
    words = [sys.executable, "-c", program.format(photos=photos, workers=workers)]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip()


def test_joblibs_workers_that_were_started_ahead_get_the_work_and_have_loaded_for_it() -> None:
    assert told(_AHEAD, 9, 2) == "2 True True"


@pytest.mark.parametrize(("photos", "workers"), [(1, 2), (9, 1)])
def test_nothing_is_started_where_one_process_does(photos: int, workers: int) -> None:
    assert told(_AHEAD, photos, workers).startswith("0 False")


@only_linux
def test_copies_of_this_process_and_itself_share_the_work_and_joblib_is_not_even_loaded() -> None:
    assert told(_COPIED, 9, 2) == "1 True True True True False"
    assert told(_COPIED, 9, 3) == "2 True True True True False"


_WAITING = """
import time
from fitscan.survey.workers import starting_workers

with starting_workers(9, 2):
    print("started", flush=True)
    time.sleep(60)
"""

_WORKING = """
import os, time
from pathlib import Path
from fitscan.survey.workers import run_all, starting_workers

def work(number):
    Path(f"begun-{number}").touch()
    time.sleep(SECONDS)
    Path(f"ended-{number}").touch()

if COPIES:
    with starting_workers(100, 2):
        pass
print("started", flush=True)
run_all(work, [(n,) for n in range(100)], 2, lambda *_: None, "")
"""

ctrl_c = pytest.mark.skipif(
    sys.platform == "win32", reason="there Ctrl-C reaches a console, not a group"
)


both = pytest.mark.parametrize("copies", [False, pytest.param(True, marks=only_linux)])


def working(seconds: str, *, copies: bool) -> str:
    """A program whose work takes so long each, by copies of itself or by joblib."""
    return _WORKING.replace("SECONDS", seconds).replace("COPIES", str(copies))


def begun(program: str, folder: Path) -> subprocess.Popen[str]:
    run = subprocess.Popen(
        [sys.executable, "-c", program], cwd=folder,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert run.stdout is not None
    run.stdout.readline()
    return run


def ended(run: subprocess.Popen[str]) -> str:
    """What it told of its end."""
    _, error = run.communicate(timeout=60)
    assert run.returncode != 0
    return error


@ctrl_c
def test_ctrl_c_while_workers_start_is_heard_by_this_process_alone(tmp_path: Path) -> None:
    run = begun(_WAITING, tmp_path)
    os.killpg(run.pid, signal.SIGINT)
    # One report, of the process that was waiting; none of a worker that was loading.
    assert ended(run).count("Traceback") == 1


@ctrl_c
@both
def test_ctrl_c_amid_work_lets_what_has_begun_end_and_begins_nothing_more(
    tmp_path: Path, copies: bool
) -> None:
    run = begun(working("0.3", copies=copies), tmp_path)
    while not (tmp_path / "ended-0").exists():
        time.sleep(0.01)
    os.killpg(run.pid, signal.SIGINT)
    error = ended(run)
    assert error.count("Traceback") == error.count("\nKeyboardInterrupt\n") == 1
    assert "Warning" not in error
    begun_of = {p.name.split("-")[1] for p in tmp_path.glob("begun-*")}
    assert begun_of == {p.name.split("-")[1] for p in tmp_path.glob("ended-*")}
    assert len(begun_of) < 20


@ctrl_c
@both
def test_a_second_ctrl_c_does_not_wait(tmp_path: Path, copies: bool) -> None:
    run = begun(working("1000", copies=copies), tmp_path)
    while not (tmp_path / "begun-1").exists():
        time.sleep(0.01)
    for _ in range(2):
        os.killpg(run.pid, signal.SIGINT)
        time.sleep(0.5)
    assert "KeyboardInterrupt" in ended(run)


@only_linux
def test_a_copy_that_the_computer_ends_is_told_in_a_sentence(tmp_path: Path) -> None:
    run, copy = with_a_copy(tmp_path, "0.2", "ended-1")
    os.kill(copy, signal.SIGKILL)
    assert "EnvironmentProblem: The computer ended one of the processes" in ended(run)


@only_linux
def test_copies_end_with_the_process_that_they_are_of(tmp_path: Path) -> None:
    run, copy = with_a_copy(tmp_path, "1000", "begun-1")
    run.kill()
    # Which returns when nobody holds its output any more.
    run.communicate(timeout=30)
    for _ in range(100):
        if not Path(f"/proc/{copy}").exists():
            return
        time.sleep(0.1)
    pytest.fail("the copy works on for nobody")


def with_a_copy(folder: Path, seconds: str, sign: str) -> tuple[subprocess.Popen[str], int]:
    """A program at work, once a file is there, and its copy."""
    run = begun(working(seconds, copies=True), folder)
    while not (folder / sign).exists():
        time.sleep(0.01)
    (copy,) = children(run.pid)
    return run, copy


def children(process: int) -> list[int]:
    """Processes that it has started (Linux)."""
    tasks = Path(f"/proc/{process}/task").glob("*/children")
    return [int(child) for task in tasks for child in task.read_text().split()]


_FAILS = """
from fitscan.survey.workers import run_all, starting_workers

def work(number):
    if number == FAILING:
        raise ValueError(f"number {number}")
    return number

with starting_workers(9, 2):
    pass
print("started", flush=True)
try:
    run_all(work, [(n,) for n in range(100)], 2, lambda *_: None, "")
except ValueError as error:
    raise SystemExit(str(error))
"""


@pytest.mark.parametrize("failing", [0, 1, 60, 99])
def test_what_fails_in_any_process_fails_here(tmp_path: Path, failing: int) -> None:
    run = begun(_FAILS.replace("FAILING", str(failing)), tmp_path)
    assert ended(run).strip() == f"number {failing}"


@only_linux
def test_a_process_with_threads_is_not_copied() -> None:
    with ThreadPoolExecutor(1) as pool:
        assert not pool.submit(can_copy).result()


@only_linux
@pytest.mark.parametrize("error", [OSError(11, "no more processes"), NotImplementedError()])
def test_where_no_process_can_be_copied_the_work_is_done_all_the_same(error: Exception) -> None:
    asked = mock.patch.object(workers, "_joblib_is_asked", return_value=False)
    alone = mock.patch.object(workers, "can_copy", return_value=True)
    failing = mock.patch.object(workers, "Copies", side_effect=error)
    with asked, alone, failing, starting_workers(9, 2):
        pass
    assert workers._copies is None
    assert run_all(divmod, [(7, 2), (9, 4)], 2, lambda *_: None, "") == [(3, 1), (2, 1)]


@only_linux
def test_no_more_processors_are_taken_than_a_container_may_have(tmp_path: Path) -> None:
    own = len(os.sched_getaffinity(0))
    with mock.patch("fitscan.survey.copies._GROUPS", tmp_path):
        assert cores() == own
        quota = tmp_path / "cpu.max"
        for content, most in (("max 100000\n", own), ("100000 100000", 1), ("20000 100000", 1)):
            quota.write_text(content)
            assert cores() == most
        for content, most in (("150000 100000", min(own, 2)), ("100000000 100000", own)):
            quota.write_text(content)
            assert cores() == most
        quota.unlink()
        older = tmp_path / "cpu"
        older.mkdir()
        (older / "cpu.cfs_period_us").write_text("100000\n")
        for content, most in (("-1\n", own), ("90000\n", 1)):
            (older / "cpu.cfs_quota_us").write_text(content)
            assert cores() == most


_NOT_ALL = """
import multiprocessing, threading
from multiprocessing.context import ForkProcess
from fitscan.survey import workers

whole, made = {kind}.start, []

def start(self):
    made.append(self)
    if len(made) == {number}:
        raise {error}
    whole(self)

{kind}.start = start
with workers.starting_workers(9, 4):
    pass
copies = [p for p in multiprocessing.active_children() if isinstance(p, ForkProcess)]
print(len(made) >= {number}, workers._copies, copies)
"""


@only_linux
@pytest.mark.parametrize(
    ("kind", "number", "error"),
    [
        ("ForkProcess", 2, "BlockingIOError(11, 'no more processes')"),
        ("threading.Thread", 1, 'RuntimeError("can\'t start new thread")'),
    ],
)
def test_copies_that_cannot_all_be_made_are_none_and_keep_nobody(
    kind: str, number: int, error: str
) -> None:
    program = _NOT_ALL.format(kind=kind, number=number, error=error)
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    )
    assert run.stdout == "True None []\n"


_AGAIN = """
import multiprocessing, os, signal, time
from fitscan.errors import EnvironmentProblem
from fitscan.survey.workers import run_all, starting_workers

def work(number):
    begun = time.monotonic()
    time.sleep(0.05)
    return begun, time.monotonic(), os.getpid()

def used(workers):
    global at_once
    done = run_all(work, [(n,) for n in range(20)], workers, lambda *_: None, "")
    at_once = max(sum(a <= begun < b for a, b, _ in done) for begun, *_ in done)
    return {pid for *_, pid in done}

with starting_workers(9, 3):
    copies = {p.pid for p in multiprocessing.active_children()}
with starting_workers(9, 3):
    print("others", {p.pid for p in multiprocessing.active_children()} != copies)
for workers in (3, 2):
    used(workers)
    print(at_once, end=" ")
os.kill(min(copies), signal.SIGKILL)
try:
    used(3)
except EnvironmentProblem:
    print("told")
print(used(2) & copies)
"""


@only_linux
def test_copies_are_made_once_no_more_work_than_asked_and_gone_ones_are_not_asked_again() -> None:
    run = subprocess.run(
        [sys.executable, "-c", _AGAIN], capture_output=True, text=True, check=True, timeout=60
    )
    assert run.stdout == "others False\n3 2 told\nset()\n"


def test_afterwards_ctrl_c_is_whose_it_was() -> None:
    def own(number: int, frame: object) -> None: ...

    before = signal.signal(signal.SIGINT, own)
    try:
        assert run_all(divmod, [(7, 2), (9, 4)], 1, lambda *_: None, "") == [(3, 1), (2, 1)]
        assert signal.getsignal(signal.SIGINT) is own
    finally:
        signal.signal(signal.SIGINT, before)
