"""What a job keeps of the first look at its photos, by the commands alone."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import pytest
from commands import Commands
from quick_shoots import kit, paint_door

from fitscan.job.audit import audit
from fitscan.job.layout import keep_job
from fitscan.job.pack import pack
from fitscan.markers.write_kit import kit_text
from fitscan.survey.found_before import HIDDEN


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept") / "door"
    paint_door(folder, 4)
    return folder


@pytest.fixture
def job(door: Path, tmp_path: Path) -> Path:
    """A job with the first five photos of the shoot."""
    folder = tmp_path / "Wren"
    keep_job(folder)
    (folder / "kit.toml").write_text(kit_text(kit(), "door"), encoding="utf-8")
    (folder / "photos" / "door").mkdir()
    for photo in sorted(door.glob("*.jpg"))[:5]:
        shutil.copy(photo, folder / "photos" / "door")
    keep_job(folder)
    return folder


def entries(job: Path) -> dict[str, int]:
    """Every entry of a job's cache with the time at which it was written."""
    return {p.name: p.stat().st_mtime_ns for p in (job / HIDDEN).glob("*.json")}


def survey(commands: Commands, job: Path, *more: str) -> None:
    words = ("survey", "photos/door", "--kit", "kit.toml", "--workers", "1", "--quiet", *more)
    result = commands.run(*words, where=job)
    assert result.code == 0, result.err


def test_in_a_job_the_next_survey_looks_only_at_the_photo_that_was_added(
    door: Path, job: Path, commands: Commands
) -> None:
    for more in (["--no-cache"], ["--cache", str(job.parent / "elsewhere")]):
        survey(commands, job, *more)
        assert not (job / HIDDEN).exists()
    survey(commands, job)
    first = entries(job)
    assert len(first) == 5
    shutil.copy(max(door.glob("*.jpg")), job / "photos" / "door")
    survey(commands, job)
    second = entries(job)
    assert len(second) == 6
    assert {name: second[name] for name in first} == first
    spoilt = job / HIDDEN / min(first)
    whole = spoilt.read_bytes()
    spoilt.write_bytes(whole[:-9])
    survey(commands, job)
    assert spoilt.read_bytes() == whole


def test_a_jobs_cache_is_neither_listed_nor_audited_nor_packed(
    job: Path, commands: Commands
) -> None:
    survey(commands, job)
    assert entries(job)
    assert keep_job(job).added == ()
    assert audit(job).findings == ()
    pack(job, job.parent / "job.zip")
    with zipfile.ZipFile(job.parent / "job.zip") as archive:
        assert not [name for name in archive.namelist() if HIDDEN in name]


def test_two_ways_to_say_what_to_keep_are_refused(job: Path, commands: Commands) -> None:
    words = ("survey", "photos/door", "--kit", "kit.toml", "--cache", "kept", "--no-cache")
    refused = commands.run(*words, where=job)
    assert refused.code == 2
    assert refused.sentence.startswith("fitscan: --cache and --no-cache contradict each other")
