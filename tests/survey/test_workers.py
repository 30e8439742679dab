"""Worker processes that start ahead are the ones that the work then goes to."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

_AHEAD = """
import os, sys, threading
from joblib import Parallel, delayed
from fitscan.survey.workers import start_workers

start_workers({photos}, {workers})
for thread in threading.enumerate():
    if thread is not threading.current_thread() and not thread.daemon:
        thread.join()
from joblib.externals.loky import reusable_executor
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
from fitscan.survey.workers import start_workers

start_workers(9, 2)
print("started", flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="there Ctrl-C reaches a console, not a group")
def test_ctrl_c_while_workers_start_is_heard_by_this_process_alone() -> None:
    run = subprocess.Popen(
        [sys.executable, "-c", _WAITING],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert run.stdout is not None
    run.stdout.readline()
    os.killpg(run.pid, signal.SIGINT)
    _, error = run.communicate(timeout=60)
    assert run.returncode != 0
    # One report, of the process that was waiting; none of a worker that was loading.
    assert error.count("KeyboardInterrupt") == 1
