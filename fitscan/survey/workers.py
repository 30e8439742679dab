"""The processes that work on photos: start them early, give them work, keep Ctrl-C from them.

What they do is `photo_work`'s business, what it is for `look`'s.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor
from contextlib import contextmanager, nullcontext, suppress
from importlib import import_module
from types import FrameType
from typing import Any

from fitscan.errors import EnvironmentProblem
from fitscan.survey.copies import Copies, can_copy, cores

__all__ = ["FEW", "Progress", "run_all", "starting_workers"]

Progress = Callable[[str, int, int], None]
"""Told a sentence, how many are done, and how many there are."""


FEW = 12
"""Calls of which fewer are done sooner in this process than others start for them."""


def run_all(
    function: Callable[..., Any],
    calls: list[tuple[Any, ...]],
    workers: int | None,
    tell: Progress,
    sentence: str,
    meanwhile: Callable[[Any], None] | None = None,
    begun: Callable[[], None] | None = None,
) -> list[Any]:
    """Call `function` with each of `calls` in several processes, and give the results in order.

    On Linux they are copies of this one where it has started them, and this one works too, see
    `copies`; else joblib starts them. Inside of `joblib.parallel_config(backend="dask")` the calls
    go to dask's workers. Where one process does, it is this one.

    Args:
        function: of one call's arguments.
        calls: arguments.
        workers: processes; all cores if None.
        tell: progress.
        sentence: for it.
        meanwhile: told each result as it comes, while others are still worked on.
        begun: called when the first calls have been given out.

    Raises:
        EnvironmentProblem: a process was ended from outside.
        KeyboardInterrupt: Ctrl-C came; what had begun has ended.
    """
    tell(sentence, 0, len(calls))
    jobs = _jobs(len(calls), workers)
    out: list[Any] = [None] * len(calls)
    count = 0

    def done(number: int, result: Any) -> None:
        nonlocal count
        count += 1
        out[number] = result
        if meanwhile is not None:
            meanwhile(result)
        tell(sentence, count, len(calls))

    with _patient() as stop:
        try:
            if _copies is not None and jobs > 1 and not _joblib_is_asked():
                _shared_out(_copies, function, calls, jobs - 1, done, stop, begun)
                return out
            rest = (call for call in calls if not stop.is_set())
            results = _in_order(function, rest, jobs)
            if begun is not None:
                begun()
            for number, result in enumerate(results):
                done(number, result)
        except BrokenExecutor as error:
            raise EnvironmentProblem(
                "The computer ended one of the processes that work on photos",
                sentence.lower(),
                "close other programs, it may have been short of memory; or give --workers 1",
            ) from error
    return out


def _shared_out(copies: Copies, *work: Any) -> None:
    """Work of copies; those that are gone afterwards are asked no more."""
    global _copies
    try:
        copies.run(*work)
    except (BrokenExecutor, KeyboardInterrupt):
        _copies = None
        raise


def _in_order(
    function: Callable[..., Any], calls: Iterator[tuple[Any, ...]], jobs: int
) -> Iterator[Any]:
    """Results as they are ready, from this process or from those that joblib starts."""
    if jobs == 1 and not _joblib_is_asked():
        return (function(*call) for call in calls)
    from joblib import Parallel, delayed

    pool = Parallel(n_jobs=jobs, return_as="generator", pre_dispatch="2*n_jobs")
    with _deaf() if jobs > 1 else nullcontext():
        results: Iterator[Any] = pool(delayed(function)(*call) for call in calls)
    return results


_copies: Copies | None = None
"""Of this process, once they are made."""

_NO_MORE = (OSError, RuntimeError, ImportError, NotImplementedError)
"""What comes of processes, threads or semaphores that the computer does not give."""


@contextmanager
def starting_workers(photos: int, workers: int | None = None) -> Iterator[None]:
    """Processes that work on photos start, and load what those need while the block runs.

    When the block ends they are ready, and stay for whoever asks `run_all` next. Where work stays
    in this process, nothing is started.

    Args:
        photos: how many there are to work on.
        workers: processes, this one among them where the others are its copies; all cores if None.
    """
    global _copies
    jobs = _jobs(photos, workers)
    if jobs == 1:
        yield
        return
    if _copies is None and can_copy() and not _joblib_is_asked():
        _load()
        # Where no more processes are allowed, or no semaphores are there, joblib finds a way; and
        # what was loaded may have started threads.
        with suppress(*_NO_MORE), _patient(), _mute():
            _copies = Copies(jobs - 1) if can_copy() else None
    if _copies is not None and not _joblib_is_asked():
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


def _joblib_is_asked() -> bool:
    """Whether somebody may have told joblib where to send work: else it is not even loaded."""
    return "joblib" in sys.modules


def _jobs(calls: int, workers: int | None) -> int:
    if calls <= 1 or workers == 1:
        return 1
    if workers is None and (_joblib_is_asked() or sys.platform != "linux"):
        from joblib import cpu_count

        workers = cpu_count()
    return max(1, min(workers or cores(), calls))


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
    """Processes that joblib starts meanwhile never hear Ctrl-C, see `_mute`."""
    # Without such masks, on Windows, there is no way; other threads than the main one have no say.
    of_main = threading.current_thread() is threading.main_thread()
    if not (of_main and hasattr(signal, "pthread_sigmask")):
        yield
        return
    from multiprocessing import resource_tracker

    # Python's own helper process starts with the first worker, and lets Ctrl-C through again as it
    # starts (until Python 3.12), so it must run before.
    resource_tracker.ensure_running()
    with _mute():
        yield


@contextmanager
def _mute() -> Iterator[None]:
    """Ctrl-C is not heard meanwhile, nor ever by processes that start: it is this one's to answer.

    One that is hit tells of it in a traceback.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _load() -> None:
    """What a photo needs, in memory before the first one comes."""
    for name in ("cv2", "fitscan.survey.photo_work"):
        import_module(name)
