"""One small job, painted and surveyed once, in a folder whose name is as awkward as people's."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from board_scenes import BOARD, homography, photo
from commands import Commands, Job, Result, tree
from painter import save
from PIL import Image
from quick_shoots import PHONE, SHIFT_MM, STRANGER, TWIN, kit, paint_door

from fitscan.markers.write_kit import kit_text

ASIDE = [(0.0, 0.0), (-0.2, -0.2), (0.2, -0.2), (-0.2, 0.2), (0.2, 0.2), (0.1, 0.0), (-0.1, 0.1)]
"""Where in the frame the board's middle is, photo by photo."""

STUBS, BARS, STRAYS = (200, 212), (100, 112, 124), (STRANGER, TWIN)


@pytest.fixture(scope="session")
def commands() -> Iterator[Commands]:
    with Commands() as server:
        yield server


def survey_of(shoot: str, *options: str, kit: str = "kit.toml") -> tuple[str, ...]:
    """Words of a survey in one process, without pictures."""
    return ("survey", shoot, "--kit", kit, "--workers", "1", "--no-pictures", *options)


@pytest.fixture(scope="session")
def job(tmp_path_factory: pytest.TempPathFactory, commands: Commands) -> Job:
    """The shoots of one car: open and shut, the cage out and back, the board; and the kits."""
    folder = tmp_path_factory.mktemp("cli") / 'Jo\'s Käfig "links" [1]'
    folder.mkdir()
    (folder / "kit.toml").write_text(kit_text(kit(), "quick"), encoding="utf-8")
    (folder / "no rule.toml").write_text(kit_text(kit(rule=False), "quick"), encoding="utf-8")
    paint_door(folder / "shut", 1, without=(*STRAYS, *STUBS))
    paint_door(folder / "open door", 2, without=(*STRAYS, *BARS))
    paint_door(folder / "türe zu", 3, without=STUBS, cage_shift_mm=SHIFT_MM, printed={TWIN: 2})
    _spoil(folder / "türe zu", folder / "shut")
    (folder / "board").mkdir()
    for i, aside in enumerate(ASIDE):
        grey = photo(BOARD, homography(BOARD, i, 1600, 1200, aside), 1600, 1200, i)
        save(folder / "board" / f"B{i}.jpg", grey, PHONE)
    noise = np.random.default_rng(0).integers(90, 160, (1200, 1600), dtype=np.uint8)
    (folder / "bare wall").mkdir()
    save(folder / "bare wall" / "W1.jpg", noise, PHONE)
    save(folder / "bare wall" / "W2.jpg", noise[::-1].copy(), PHONE)
    return Job(folder, commands)


def _spoil(shoot: Path, other: Path) -> None:
    """Put among a shoot's photos what does not belong there."""
    good = sorted(shoot.glob("*.jpg"))
    alien = sorted(other.glob("*.jpg"))[0]
    save(shoot / "X1 friend's phone.jpg", _grey(good[0]), PHONE, model="Otherphone 2")
    save(shoot / "X2 shrunk.jpg", _grey(good[1])[::2, ::2].copy(), PHONE)
    (shoot / "X3 cut.jpg").write_bytes(good[2].read_bytes()[:40_000])
    shutil.copy(good[3], shoot / "X4 copy (1).jpg")
    (shoot / "X5.jpg").write_text("not a photo", encoding="utf-8")
    Image.open(alien).save(shoot / "X6 from messenger.jpg")
    (shoot / "notes.txt").write_text("Tuesday", encoding="utf-8")


def _grey(path: Path) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    return np.array(Image.open(path).convert("L"), dtype=np.uint8)


@pytest.fixture(scope="session")
def camera(job: Job) -> Result:
    said = job.run("calibrate", "board", "--board", BOARD.text, "--out", "camera.json")
    return Result(job.folder / "camera.json", said)


@pytest.fixture(scope="session")
def shut(job: Job, camera: Result) -> Result:
    """The bar with the door shut, with the calibrated camera and pictures."""
    before = tree(job.folder)
    words = ("survey", "shut", "--kit", "kit.toml", "--camera", "camera.json", "--workers", "1")
    said = job.run(*words, "--out", "shut.json")
    after = tree(job.folder)
    assert {name: after[name] for name in before} == before, "a command changed what it was given"
    return Result(job.folder / "shut.json", said)


@pytest.fixture(scope="session")
def opened(job: Job) -> Result:
    """The stubs with the door open, without a camera file, told to machines."""
    words = survey_of("open door", "--out", "open.json", "--json")
    return Result(job.folder / "open.json", job.run(*words))


@pytest.fixture(scope="session")
def refitted(job: Job, camera: Result) -> Result:
    """The cage back in the car, from a folder with photos that do not belong there."""
    before = tree(job.folder / "türe zu")
    words = survey_of("türe zu", "--camera", "camera.json", "--out", "refitted.json")
    said = job.run(*words)
    assert tree(job.folder / "türe zu") == before
    return Result(job.folder / "refitted.json", said)


@pytest.fixture(scope="session")
def ruleless(job: Job) -> Result:
    """The shut shoot again with a kit that has no rule."""
    words = survey_of("shut", "--out", "no rule.json", kit="no rule.toml")
    return Result(job.folder / "no rule.json", job.run(*words))


@pytest.fixture(scope="session")
def record(job: Job, shut: Result) -> Result:
    words = ("record", "shut.json", "--part", "cage", "--on", "shell", "--out", "record.json")
    return Result(job.folder / "record.json", job.run(*words, "--note", "before painting"))
