"""Both jobs on the sample photos, through the same functions as the commands.

The sample photos are rendered; their truth lies beside them in files that nothing here opens.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import InputError
from fitscan.fit.gap import Gap, find_gap
from fitscan.fit.recheck import Recheck, recheck
from fitscan.fit.record_file import keep_record, read_record
from fitscan.fit.result_file import gap_document, recheck_document
from fitscan.lens.board import parse_board
from fitscan.lens.calibrate import calibrate
from fitscan.lens.camera_file import CameraFile
from fitscan.markers.kit import Kit, read_kit
from fitscan.photos.shoot import list_photos
from fitscan.plan.advise import advised
from fitscan.report.publish import write_report, write_scene
from fitscan.report.write import (
    write_gap_pictures,
    write_recheck_pictures,
    write_survey_pictures,
)
from fitscan.store.access import make_folder
from fitscan.store.json_file import write_json
from fitscan.survey.shoot import survey_folder
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import write_survey
from fitscan.survey.workers import Progress

__all__ = ["BOARD", "SHOOTS", "DemoResult", "run_demo"]

BOARD = "charuco:7x10:26:19:DICT_5X5_100"
SHOOTS = ("door_open", "door_shut", "cage_tacked", "cage_refit")


@dataclass(frozen=True)
class DemoResult:
    """What the demo made.

    Attributes:
        gap, recheck: the two results.
        surveys: by shoot.
        files: everything written, the results people look at first.
        seconds: how long it took.
    """

    gap: Gap
    recheck: Recheck
    surveys: dict[str, Survey]
    files: tuple[Path, ...]
    seconds: float


def run_demo(
    out: Path,
    samples: Path | None,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> DemoResult:
    """Run both jobs.

    Args:
        out: folder for the results; must not exist yet or be empty.
        samples: folder with `sample_images` and `calibration`; the project's own if None.
        workers: processes for the photos.
        progress: told what happens.

    Raises:
        InputError: the sample photos are not there, or `out` holds something.
    """
    begin = time.monotonic()
    root = samples or Path(__file__).resolve().parent.parent
    shoots = root / "sample_images"
    if not (shoots / "kit.toml").is_file() or not (root / "calibration").is_dir():
        raise InputError(
            "The sample photos are not here", root, "run this in a clone of the project, "
            "or name it with --samples"
        )  # fmt: skip
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise InputError("The folder for the results is not empty", out, "name another with --out")
    make_folder(out)
    tell = progress or (lambda sentence, done, total: None)
    camera = _calibrated(root / "calibration", tell)
    write_json(out / "camera.json", camera)
    kit = read_kit(shoots / "kit.toml")
    surveys = {}
    for name in SHOOTS:
        surveys[name] = _surveyed(shoots / name, kit, camera, out, workers, tell)
    pictures = _compared(surveys, shoots, out, tell)
    gap, result, drawn = pictures
    shared = _handed_on(shoots, out, tell)
    written = [out / "camera.json", out / "cage_record.json"]
    written += [out / f"{name}.json" for name in SHOOTS]
    files = [*shared, *drawn, out / "gap.json", out / "recheck.json", *written]
    return DemoResult(gap, result, surveys, tuple(files), time.monotonic() - begin)


def _calibrated(folder: Path, tell: Progress) -> CameraFile:
    photos = list_photos(folder)
    done = 0

    def one(_: str) -> None:
        nonlocal done
        done += 1
        tell("calibration: finding the board", min(done, len(photos)), len(photos))

    return calibrate(photos, parse_board(BOARD), one).camera_file()


def _surveyed(
    folder: Path, kit: Kit, camera: CameraFile, out: Path, workers: int | None, tell: Progress
) -> Survey:
    def step(sentence: str, done: int, total: int) -> None:
        tell(f"{folder.name}: {sentence[0].lower()}{sentence[1:]}", done, total)

    survey = advised(survey_folder(folder, kit, camera, workers=workers, progress=step))
    write_survey(out / f"{folder.name}.json", survey)
    write_survey_pictures(survey, folder, out / folder.name)
    return survey


def _compared(
    surveys: dict[str, Survey], shoots: Path, out: Path, tell: Progress
) -> tuple[Gap, Recheck, list[Path]]:
    tell("comparing and drawing", 0, 2)
    shut, opened = surveys["door_shut"], surveys["door_open"]
    gap = find_gap(shut, "door bar", opened, "door bar seat", "trim")
    write_json(out / "gap.json", gap_document(gap))
    drawn = write_gap_pictures(gap, shut, opened, shoots / "door_shut", out / "gap")
    tell("comparing and drawing", 1, 2)
    keep_record(out / "cage_record.json", surveys["cage_tacked"], "cage", "shell", "demo")
    kept = read_record(out / "cage_record.json")
    now = surveys["cage_refit"]
    result = recheck(kept.survey, now, kept.part, kept.on)
    write_json(out / "recheck.json", recheck_document(result))
    drawn += write_recheck_pictures(
        result, kept.survey, now, shoots / "cage_refit", out / "recheck"
    )
    tell("comparing and drawing", 2, 2)
    return gap, result, drawn


def _handed_on(shoots: Path, out: Path, tell: Progress) -> list[Path]:
    """The report, and a scene for each of the two results."""
    tell("putting together what is handed on", 0, 3)
    names = ("gap", "recheck", "door_shut", "door_open", "cage_refit", "cage_record")
    files = [out / f"{name}.json" for name in names]
    report = write_report(files, out / "report", title="The Wren: door bar and cage", photos=shoots)
    tell("putting together what is handed on", 1, 3)
    scenes = []
    for n, (survey, result) in enumerate((("door_open", "gap"), ("cage_record", "recheck")), 2):
        scenes.append(out / f"{result}-scene.html")
        write_scene([out / f"{survey}.json", out / f"{result}.json"], scenes[-1])
        tell("putting together what is handed on", n, 3)
    return [report.html, report.pdf, *scenes]
