"""One process that works tasks off, one after another, beside the server.

It may be killed at any time: files are written whole or not at all, the task that it was at is
taken up once more, and only then given up with a sentence.
"""

from __future__ import annotations

import multiprocessing
import secrets
import threading
from dataclasses import dataclass, field, replace
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

from fitscan.errors import FitscanError
from fitscan.page.tasks import SurveyTask, Task, run_task

__all__ = ["Job", "Worker"]

State = Literal["waiting", "running", "done", "refused"]
_TRIES = 2
_KEPT = 200


@dataclass(frozen=True)
class Job:
    """A task and what became of it.

    Attributes:
        id: of the result, or the shoot's name for a survey.
        task: what to do.
        state: where it is.
        step, done, total: progress, in words and counts.
        sentence: why it was refused.
        notes: to tell beside the result.
        tries: how often it was begun.
    """

    id: str
    task: Task
    state: State = "waiting"
    step: str = ""
    done: int = 0
    total: int = 0
    sentence: str = ""
    notes: tuple[str, ...] = ()
    tries: int = 0


def new_result_id(kind: str) -> str:
    """A name for a result that sorts by time."""
    return f"{kind}-{datetime.now():%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"


@dataclass
class _Shared:
    jobs: dict[str, Job] = field(default_factory=dict)
    again: set[str] = field(default_factory=set)
    stopping: bool = False


class Worker:
    """Works tasks off in a process of its own.

    Args:
        folder: of the job.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._shared = _Shared()
        self._wake = threading.Condition()
        self._process: Any = None
        self._thread = threading.Thread(target=self._run, name="fitscan-worker", daemon=True)
        self._thread.start()

    def survey(self, shoot: str) -> None:
        """Ask for a shoot's survey; while it is being worked out, for another one after it."""
        with self._wake:
            job = self._shared.jobs.get(f"survey {shoot}")
            if job is not None and job.state == "running":
                self._shared.again.add(job.id)
            else:
                self._put(Job(f"survey {shoot}", SurveyTask(shoot=shoot)))
            self._wake.notify()

    def result(self, task: Task) -> Job:
        """Ask for a result."""
        with self._wake:
            job = Job(new_result_id(task.kind), task)
            self._put(job)
            self._wake.notify()
            return job

    def job(self, job_id: str) -> Job | None:
        """What became of a task."""
        return self._shared.jobs.get(job_id)

    def of_shoot(self, shoot: str) -> Job | None:
        """What became of a shoot's latest survey."""
        return self.job(f"survey {shoot}")

    def jobs(self) -> list[Job]:
        """All tasks since the start, the oldest first."""
        with self._wake:
            return list(self._shared.jobs.values())

    @property
    def process_id(self) -> int | None:
        """Of the process that is working, if one is."""
        return self._process.pid if self._process is not None else None

    def stop(self) -> None:
        """End the process; what it was at is not written."""
        with self._wake:
            self._shared.stopping = True
            self._wake.notify()
        if self._process is not None:
            self._process.kill()
        self._thread.join(timeout=10)

    def _put(self, job: Job) -> None:
        jobs = self._shared.jobs
        jobs.pop(job.id, None)
        jobs[job.id] = job
        over = [j.id for j in jobs.values() if j.state in ("done", "refused")][:-_KEPT]
        for job_id in over:
            del jobs[job_id]

    def _next(self) -> Job | None:
        with self._wake:
            while not self._shared.stopping:
                waiting = [j for j in self._shared.jobs.values() if j.state == "waiting"]
                if waiting:
                    # Who asked for a result stands at the car and waits for it.
                    waiting.sort(key=lambda j: isinstance(j.task, SurveyTask))
                    job = replace(waiting[0], state="running", tries=waiting[0].tries + 1)
                    self._shared.jobs[job.id] = job
                    return job
                self._wake.wait()
            return None

    def _run(self) -> None:
        context = multiprocessing.get_context("spawn")
        pipe: Connection | None = None
        while (job := self._next()) is not None:
            if pipe is None or self._process is None or not self._process.is_alive():
                pipe, theirs = context.Pipe()
                self._process = context.Process(
                    target=_serve, args=(theirs, self._folder), name="fitscan worker", daemon=False
                )
                self._process.start()
                theirs.close()
            try:
                pipe.send((job.task.model_dump(), type(job.task).__name__, job.id))
                self._follow(job, pipe)
            except (EOFError, OSError):
                pipe = None
                self._fell(job)
        if pipe is not None:
            pipe.close()

    def _follow(self, job: Job, pipe: Connection) -> None:
        while True:
            said = pipe.recv()
            with self._wake:
                now = self._shared.jobs[job.id]
                if said[0] == "step":
                    now = replace(now, step=said[1], done=said[2], total=said[3])
                elif said[0] == "done":
                    now = replace(now, state="done", notes=tuple(said[1]))
                else:
                    now = replace(now, state="refused", sentence=said[1])
                self._shared.jobs[job.id] = now
                if said[0] != "step":
                    self._once_more(job)
                    return

    def _once_more(self, job: Job) -> None:
        if job.id in self._shared.again:
            self._shared.again.discard(job.id)
            self._put(Job(job.id, job.task))

    def _fell(self, job: Job) -> None:
        """The process is gone: try again, but not for ever."""
        with self._wake:
            if self._shared.stopping:
                return
            if job.tries < _TRIES:
                self._shared.jobs[job.id] = replace(job, state="waiting")
            else:
                sentence = (
                    "The computer ended the work half-way, most likely for want of memory: close "
                    "other programs and ask again."
                )
                self._shared.jobs[job.id] = replace(job, state="refused", sentence=sentence)


def _serve(pipe: Connection, folder: Path) -> None:
    """The process: a task in, its progress and its end out, until the server is gone."""
    import signal

    # Ctrl-C reaches the whole group; the server ends this process itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    while True:
        try:
            content, kind, job_id = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            task = _kinds()[kind].model_validate(content)
            notes = run_task(folder, task, job_id, lambda s, d, t: pipe.send(("step", s, d, t)))
            pipe.send(("done", notes))
        except FitscanError as error:
            pipe.send(("refused", str(error)))
        except MemoryError:
            pipe.send(("refused", "The computer has too little memory for this."))
        except Exception as error:  # noqa: BLE001  - told, and the process goes on
            said = " ".join(f"{type(error).__name__}: {error}".split())[:200]
            pipe.send(("refused", f"This is a fault of fitscan's, not yours ({said})."))


def _kinds() -> dict[str, Any]:
    from fitscan.page import tasks

    kinds = (
        tasks.SurveyTask, tasks.GapTask, tasks.RecheckTask, tasks.AnglesTask, tasks.RecordTask,
        tasks.ReportTask, tasks.SceneTask,
    )  # fmt: skip
    return {k.__name__: k for k in kinds}
