"""Copies of this process that share its work on photos, where Linux lets a process copy itself.

Processes that joblib starts load all that they need anew, which takes as long as several photos; a
copy has it in memory, and this process, which would wait, works as well.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from pathlib import Path
from queue import SimpleQueue
from typing import Any

__all__ = ["Copies", "can_copy", "cores"]

_GROUPS = Path("/sys/fs/cgroup")
"""Where Linux tells how much of the processors a container may have (cgroup v2 and v1)."""

_PATIENCE_S = 1.0
"""How often a copy looks whether the process that made it is still there."""


def can_copy() -> bool:
    """Whether this process may be copied: on Linux, and while it has one thread only.

    A copy has none of the other threads, but what they had locked stays locked in it. Before
    Python 3.11 the standard library makes copies when its own threads run already.
    """
    if sys.platform != "linux" or sys.version_info < (3, 11):
        return False
    try:
        return len(list(Path("/proc/self/task").iterdir())) == 1
    except OSError:
        return False


def cores() -> int:
    """How many processors this process may use (Linux)."""
    own = len(os.sched_getaffinity(0))
    for files in (("cpu.max",), ("cpu/cpu.cfs_quota_us", "cpu/cpu.cfs_period_us")):
        try:
            words = " ".join((_GROUPS / f).read_text(encoding="ascii") for f in files).split()
            quota, period = (int(w) for w in words)
        except (OSError, ValueError):  # No such group, or "max": all of them.
            continue
        if quota > 0 and period > 0:
            return min(own, -(-quota // period))
    return own


class Copies:
    """Copies of this process as it is now; they end with it.

    Attributes:
        count: how many.
    """

    def __init__(self, count: int) -> None:
        """Make them.

        Raises:
            OSError, RuntimeError: the computer allows no more processes or threads.
            ImportError, NotImplementedError: it has no semaphores.
        """
        # What is there now lives on: else a search for garbage would touch, and so copy, all of it.
        gc.freeze()
        context = multiprocessing.get_context("fork")
        self.count = count
        self._pool = ProcessPoolExecutor(
            count, mp_context=context, initializer=_end_with, initargs=(os.getpid(),)
        )
        others = multiprocessing.active_children()
        try:
            # The first call makes them all, before the threads that hand out work run.
            self._pool.submit(int)
        except BaseException:
            # Those that were made would wait for work for ever, and this process for them.
            for process in multiprocessing.active_children():
                if process not in others:
                    process.kill()
                    process.join()
            raise
        self._processes = [p for p in multiprocessing.active_children() if p not in others]

    def run(
        self,
        function: Callable[..., Any],
        calls: list[tuple[Any, ...]],
        most: int,
        done: Callable[[int, Any], None],
        stop: threading.Event,
        begun: Callable[[], None] | None = None,
    ) -> None:
        """Call `function` with each of `calls`, here and in the copies.

        Args:
            function: of one call's arguments.
            calls: arguments.
            most: copies that may work.
            done: told the place of each call and its result as it comes.
            stop: once set, nothing more is begun.
            begun: called when the first calls have been given out.

        Raises:
            concurrent.futures.BrokenExecutor: a copy was ended from outside.
            KeyboardInterrupt: somebody would not wait; the copies are gone.
        """
        given = _Given(self._pool, function, calls, stop)
        try:
            for _ in range(min(self.count, most)):
                given.one_more()
            if begun is not None:
                begun()
            for number in given.rest():
                for other, future in given.ended():
                    done(other, future.result())
                done(number, function(*calls[number]))
            while given.under_way():
                other, future = given.wait()
                done(other, future.result())
        except KeyboardInterrupt:
            for process in self._processes:
                process.kill()
            raise
        finally:
            given.close()


class _Given:
    """Which calls are given out; as a copy ends one, it is given the next."""

    def __init__(
        self,
        pool: ProcessPoolExecutor,
        function: Callable[..., Any],
        calls: list[tuple[Any, ...]],
        stop: threading.Event,
    ) -> None:
        self._pool, self._function, self._calls, self._stop = pool, function, calls, stop
        self._lock = threading.Lock()
        self._numbers = iter(range(len(calls)))
        self._ended: SimpleQueue[tuple[int, Future[Any]]] = SimpleQueue()
        self._under_way = 0
        self._open = True

    def _next(self) -> int | None:
        with self._lock:
            going = self._open and not self._stop.is_set()
            return next(self._numbers, None) if going else None

    def one_more(self) -> None:
        """Give the copies one call more, if there is one."""
        number = self._next()
        if number is None:
            return
        with self._lock:
            self._under_way += 1
        try:
            future = self._pool.submit(self._function, *self._calls[number])
        except BrokenExecutor as error:
            broken: Future[Any] = Future()
            broken.set_exception(error)
            self._ended.put((number, broken))
            return
        future.add_done_callback(lambda ended: self._take_back(number, ended))

    def _take_back(self, number: int, ended: Future[Any]) -> None:
        # In a thread of the pool's, so that a copy need not wait until this process has time.
        if ended.exception() is None:
            self.one_more()
        self._ended.put((number, ended))

    def rest(self) -> Iterator[int]:
        """Calls that are left for this process, one after another."""
        while (number := self._next()) is not None:
            yield number

    def ended(self) -> Iterator[tuple[int, Future[Any]]]:
        """What copies have ended meanwhile."""
        while not self._ended.empty():
            yield self.wait()

    def under_way(self) -> bool:
        """Whether a copy's result is still to come."""
        with self._lock:
            return self._under_way > 0

    def wait(self) -> tuple[int, Future[Any]]:
        """The next result of a copy."""
        out = self._ended.get()
        with self._lock:
            self._under_way -= 1
        return out

    def close(self) -> None:
        """Give out nothing more."""
        with self._lock:
            self._open = False


def _end_with(parent: int) -> None:
    """A copy whose process was killed would wait for work for ever."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(_PATIENCE_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
