"""Worker processes: started ahead, they get the work; on Ctrl-C they end in order and silence."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fitscan.survey.workers import run_all

_AHEAD = """
import os
from joblib import Parallel, delayed
from joblib.externals.loky import reusable_executor
from fitscan.survey.workers import starting_workers

with starting_workers({photos}, {workers}):
    pool = reusable_executor._executor
    before = set(pool._processes) if pool is not None else set()
used = set(Parallel(n_jobs=2, batch_size=1)(delayed(os.getpid)() for _ in range(8)))
asked = "'fitscan.survey.photo_work' in __import__('sys').modules"
loaded = Parallel(n_jobs=2)(delayed(eval)(asked) for _ in range(2))
print(len(before), used <= before, all(loaded))
"""


def told(photos: int, workers: int | None) -> str:
    words = [sys.executable, "-c", _AHEAD.format(photos=photos, workers=workers)]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip()


def test_workers_that_were_started_ahead_get_the_work_and_have_loaded_what_it_needs() -> None:
    assert told(9, 2) == "2 True True"


@pytest.mark.parametrize(("photos", "workers"), [(1, 2), (9, 1)])
def test_nothing_is_started_where_one_process_does(photos: int, workers: int) -> None:
    assert told(photos, workers).startswith("0 False")


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
from fitscan.survey.workers import run_all

def work(number):
    Path(f"begun-{number}").touch()
    time.sleep(SECONDS)
    Path(f"ended-{number}").touch()

print("started", flush=True)
run_all(work, [(n,) for n in range(100)], 2, lambda *_: None, "")
"""

ctrl_c = pytest.mark.skipif(
    sys.platform == "win32", reason="there Ctrl-C reaches a console, not a group"
)


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
def test_ctrl_c_amid_work_lets_what_has_begun_end_and_begins_nothing_more(tmp_path: Path) -> None:
    run = begun(_WORKING.replace("SECONDS", "0.3"), tmp_path)
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
def test_a_second_ctrl_c_does_not_wait(tmp_path: Path) -> None:
    run = begun(_WORKING.replace("SECONDS", "1000"), tmp_path)
    while not (tmp_path / "begun-1").exists():
        time.sleep(0.01)
    for _ in range(2):
        os.killpg(run.pid, signal.SIGINT)
        time.sleep(0.5)
    assert "KeyboardInterrupt" in ended(run)


def test_afterwards_ctrl_c_is_whose_it_was() -> None:
    def own(number: int, frame: object) -> None: ...

    before = signal.signal(signal.SIGINT, own)
    try:
        assert run_all(divmod, [(7, 2), (9, 4)], 1, lambda *_: None, "") == [(3, 1), (2, 1)]
        assert signal.getsignal(signal.SIGINT) is own
    finally:
        signal.signal(signal.SIGINT, before)
