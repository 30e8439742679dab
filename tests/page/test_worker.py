"""The worker: one process, killed at will, and nothing is lost or left half."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from fitscan.page.shop import Shop
from fitscan.page.tasks import AnglesTask
from fitscan.page.worker import Job, Worker
from fitscan.survey.survey_file import read_survey


@pytest.fixture
def worker(job: Path) -> Iterator[Worker]:
    Shop(job).open()
    made = Worker(job)
    yield made
    made.stop()


def ended(worker: Worker, job_id: str, seconds: float = 90.0) -> Job:
    for _ in range(int(seconds / 0.05)):
        job = worker.job(job_id)
        if job is not None and job.state in ("done", "refused"):
            return job
        time.sleep(0.05)
    raise AssertionError(worker.job(job_id))


def running(worker: Worker, job_id: str) -> None:
    for _ in range(1200):
        job = worker.job(job_id)
        if job is not None and job.state == "running" and worker.process_id is not None:
            return
        time.sleep(0.05)
    raise AssertionError(worker.job(job_id))


def test_what_cannot_be_is_refused_in_a_sentence(worker: Worker) -> None:
    asked = worker.result(AnglesTask(survey="none", level=("door bar",)))
    job = ended(worker, asked.id)
    assert job.state == "refused"
    assert job.sentence.startswith("There is no survey 'none'")


def test_a_killed_process_is_started_again_and_the_survey_is_whole(
    worker: Worker, job: Path, photos: list[Path]
) -> None:
    shutil.copytree(photos[0].parent, job / "photos" / "shut")
    worker.survey("shut")
    running(worker, "survey shut")
    assert worker.process_id is not None
    os.kill(worker.process_id, signal.SIGKILL)
    assert ended(worker, "survey shut").state == "done"
    survey = read_survey(Shop(job).survey_file("shut"))
    assert sum(p.refused is None for p in survey.photos) >= 4


def test_what_kills_its_process_every_time_is_given_up(
    worker: Worker, job: Path, photos: list[Path]
) -> None:
    shutil.copytree(photos[0].parent, job / "photos" / "shut")
    worker.survey("shut")
    killed: set[int] = set()
    while (now := worker.job("survey shut")) is not None and now.state != "refused":
        process = worker.process_id
        if now.state == "running" and process is not None and process not in killed:
            killed.add(process)
            os.kill(process, signal.SIGKILL)
        time.sleep(0.02)
    assert len(killed) == 2
    assert "ended the work half-way" in now.sentence if now is not None else False
    assert not Shop(job).survey_file("shut").exists()
