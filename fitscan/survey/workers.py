"""The processes that work on photos: start them early, give them work, keep Ctrl-C from them.

What they do is `photo_work`'s business, what it is for `look`'s.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from importlib import import_module
from types import FrameType
from typing import Any

__all__ = ["FEW", "Progress", "run_all", "starting_workers"]

Progress = Callable[[str, int, int], None]
"""Told a sentence, how many are done, and how many there are."""


FEW = 12
"""Calls of which fewer are done sooner in this process than workers start for them."""


def run_all(
    function: Callable[..., Any],
    calls: list[tuple[Any, ...]],
    workers: int | None,
    tell: Progress,
    sentence: str,
    meanwhile: Callable[[Any], None] | None = None,
    begun: Callable[[], None] | None = None,
) -> list[Any]:
    """Call `function` with each of `calls` in worker processes (joblib), in order.

    Where one process does, it is this one.

    Inside of `joblib.parallel_config(backend="dask")` the calls go to dask's workers.

    Args:
        function: of one call's arguments.
        calls: arguments.
        workers: processes; all cores if None.
        tell: progress.
        sentence: for it.
        meanwhile: told each result as it comes, while others are still worked on.
        begun: called when the first calls have been given out.

    Raises:
        KeyboardInterrupt: Ctrl-C came; what had begun has ended.
    """
    tell(sentence, 0, len(calls))
    jobs = _jobs(len(calls), workers)
    out: list[Any] = []
    with _patient() as stop:
        rest = (call for call in calls if not stop.is_set())
        # Where joblib was not even loaded, nobody has told it to send work elsewhere.
        if jobs == 1 and "joblib" not in sys.modules:
            results: Iterator[Any] = (function(*call) for call in rest)
        else:
            from joblib import Parallel, delayed

            pool = Parallel(n_jobs=jobs, return_as="generator", pre_dispatch="2*n_jobs")
            with _deaf() if jobs > 1 else nullcontext():
                results = pool(delayed(function)(*call) for call in rest)
        if begun is not None:
            begun()
        for result in results:
            out.append(result)
            if meanwhile is not None:
                meanwhile(result)
            tell(sentence, len(out), len(calls))
    return out


@contextmanager
def starting_workers(photos: int, workers: int | None = None) -> Iterator[None]:
    """While the block runs, joblib's worker processes start and load what photos need.

    When the block ends they are ready, and stay for whoever asks joblib for as many next. Where
    work stays in this process, nothing is started.

    Args:
        photos: how many there are to work on.
        workers: processes; all cores if None.
    """
    jobs = _jobs(photos, workers)
    if jobs == 1:
        yield
        return
    from joblib import Parallel, delayed

    with _patient(), _deaf():
        pool = Parallel(n_jobs=jobs, batch_size=1, return_as="generator")
        loading = pool(delayed(_load)() for _ in range(jobs))
    try:
        yield
    finally:
        with _patient():
            for _ in loading:
                pass


def _jobs(calls: int, workers: int | None) -> int:
    if calls <= 1 or workers == 1:
        return 1
    from joblib import cpu_count

    return max(1, min(workers or cpu_count(), calls))


@contextmanager
def _patient() -> Iterator[threading.Event]:
    """Ctrl-C waits for the end of the block, which is told of it; a second one does not.

    Joblib that is left amid its work kills its processes, and they and its threads tell of it.

    Raises:
        KeyboardInterrupt: at the block's end, if Ctrl-C came meanwhile.
    """
    asked = threading.Event()
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or not callable(before):
        yield asked
        return

    def note(number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            before(number, frame)
        asked.set()

    signal.signal(signal.SIGINT, note)
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, before)
    if asked.is_set():
        raise KeyboardInterrupt


@contextmanager
def _deaf() -> Iterator[None]:
    """Processes that start meanwhile never hear Ctrl-C: it is this one's to answer, and end them.

    One that is hit while it still loads tells of it in a traceback.
    """
    # Without such masks, on Windows, there is no way; other threads than the main one have no say.
    of_main = threading.current_thread() is threading.main_thread()
    if not (of_main and hasattr(signal, "pthread_sigmask")):
        yield
        return
    from multiprocessing import resource_tracker

    # Python's own helper process starts with the first worker, and lets Ctrl-C through again as it
    # starts (until Python 3.12), so it must run before.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _load() -> None:
    """What a worker needs, in memory before the first photo comes."""
    for name in ("cv2", "fitscan.survey.photo_work"):
        import_module(name)
