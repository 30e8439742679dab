"""What the page asks to be worked out: surveys and results, through the functions of the commands.

Each task reads files of the job and writes files into it; running them one after another is left
to `worker`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from fitscan.errors import InputError
from fitscan.job.layout import keep_job
from fitscan.page.shop import PHOTOS, RECORDS, Shop, clean_name

__all__ = [
    "AnglesTask",
    "GapTask",
    "RecheckTask",
    "RecordTask",
    "ReportTask",
    "ResultTask",
    "SceneTask",
    "SurveyTask",
    "Task",
    "run_task",
]

Tell = Callable[[str, int, int], None]
_Name = Annotated[str, Field(min_length=1, max_length=120)]
_Tolerance = Annotated[float, Field(ge=0.0, le=1e4, allow_inf_nan=False)]


class _Task(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SurveyTask(_Task):
    """Work out a shoot, as `fitscan survey` does."""

    kind: Literal["survey"] = "survey"
    shoot: _Name


class GapTask(_Task):
    """Hold a bar against its recess, as `fitscan gap` does; surveys are named by their shoots."""

    kind: Literal["gap"] = "gap"
    bar_survey: _Name
    bar: _Name
    target_survey: _Name
    target: _Name
    on: _Name
    tolerance_mm: _Tolerance = 2.0


class RecheckTask(_Task):
    """Hold a part against its record, as `fitscan recheck` does."""

    kind: Literal["recheck"] = "recheck"
    record: _Name
    survey: _Name
    tolerance_mm: _Tolerance = 1.0


class AnglesTask(_Task):
    """Tell leans, levels and left against right, as `fitscan angles` does."""

    kind: Literal["angles"] = "angles"
    survey: _Name
    lean: tuple[_Name, ...] = Field(default=(), max_length=20)
    level: tuple[_Name, ...] = Field(default=(), max_length=20)
    symmetry: tuple[_Name, ...] = Field(default=(), max_length=5)
    tolerance_deg: Annotated[float, Field(ge=0.0, le=90.0, allow_inf_nan=False)] = 0.1


class RecordTask(_Task):
    """Keep where a part sits, as `fitscan record` does; never over another record."""

    kind: Literal["record"] = "record"
    survey: _Name
    part: _Name
    on: _Name
    name: Annotated[str, Field(min_length=1, max_length=60)]
    note: Annotated[str, Field(max_length=500)] = ""


class ReportTask(_Task):
    """Make a result's report, as `fitscan report` does."""

    kind: Literal["report"] = "report"
    result: _Name


class SceneTask(_Task):
    """Make the turnable scene of a shoot, with one result in it if asked, as `fitscan scene`."""

    kind: Literal["scene"] = "scene"
    survey: _Name
    result: Annotated[str, Field(max_length=120)] = ""


ResultTask = Annotated[
    GapTask | RecheckTask | AnglesTask | RecordTask | ReportTask | SceneTask,
    Field(discriminator="kind"),
]
Task = SurveyTask | GapTask | RecheckTask | AnglesTask | RecordTask | ReportTask | SceneTask


def run_task(folder: Path, task: Task, result_id: str, tell: Tell) -> list[str]:
    """Do a task within a job's folder; returns sentences to tell.

    Args:
        folder: of the job.
        task: what to do.
        result_id: name of the result; surveys are named by their shoot.
        tell: progress.

    Raises:
        FitscanError: as the command of the same name.
    """
    shop = Shop(folder)
    if isinstance(task, SurveyTask):
        return _survey(shop, task, tell)
    if isinstance(task, RecordTask):
        return _record(shop, task)
    out = shop.result(result_id)
    if isinstance(task, ReportTask):
        return _report(shop, task, out)
    if isinstance(task, SceneTask):
        return _scene(shop, task, out)
    if isinstance(task, GapTask):
        return _gap(shop, task, out, tell)
    if isinstance(task, RecheckTask):
        return _recheck(shop, task, out, tell)
    return _angles(shop, task, out)


def _survey(shop: Shop, task: SurveyTask, tell: Tell) -> list[str]:
    from fitscan.lens.camera_file import read_camera
    from fitscan.markers.kit import read_kit
    from fitscan.plan.advise import advise_if_possible, with_advice
    from fitscan.report.sketch import write_advice_sketch
    from fitscan.survey.found_before import cache_of_job
    from fitscan.survey.shoot import survey_folder
    from fitscan.survey.survey_file import write_survey

    keep_job(shop.folder)  # The photos that arrived go on the job's list.
    camera = read_camera(shop.camera_file) if shop.camera_file is not None else None
    kit = read_kit(shop.kit_file)
    shoot = shop.shoot(task.shoot)
    cache = cache_of_job(shoot)
    survey = survey_folder(shoot, kit, camera, workers=1, cache=cache, progress=tell)
    out = shop.survey_file(task.shoot)
    if out.exists() and out.stem not in shop.surveys():
        raise InputError("This is not a survey", out, "move it away, its name is the shoot's")
    advice = advise_if_possible(survey)
    survey = with_advice(survey, advice)
    write_survey(out, survey, replace=True)
    sketch = shop.sketch(task.shoot)
    if any(a.spot is not None for a in advice):
        write_advice_sketch(survey, advice, out.with_suffix(""), replace=True)
    elif sketch.exists():
        sketch.unlink()  # Of an earlier survey: it would send people to the wrong place.
    return list(survey.quality.warnings)


def _survey_file(shop: Shop, name: str) -> Path:
    found = shop.surveys().get(name)
    if found is None:
        raise InputError(f"There is no survey {name[:60]!r}", "", "choose one from the list")
    return found


def _photos(shop: Shop, name: str) -> Path | None:
    return shop.shoot(name) if name in shop.shoots() else None


def _gap(shop: Shop, task: GapTask, out: Path, tell: Tell) -> list[str]:
    from fitscan.fit.gap import find_gap
    from fitscan.fit.result_file import gap_document
    from fitscan.report.write import write_gap_pictures
    from fitscan.store.json_file import write_json
    from fitscan.survey.survey_file import read_survey

    bar = read_survey(_survey_file(shop, task.bar_survey))
    same = task.target_survey == task.bar_survey
    target = bar if same else read_survey(_survey_file(shop, task.target_survey))
    gap = find_gap(bar, task.bar, target, task.target, task.on, tolerance_mm=task.tolerance_mm)
    tell("Drawing", 0, 1)
    notes: list[str] = []
    photos, stem = _photos(shop, task.bar_survey), out.with_suffix("")
    # The name is this task's own: what is there already was left by its own first try. The file
    # comes last: a result that is listed has its pictures.
    write_gap_pictures(gap, bar, target, photos, stem, replace=True, say=notes.append)
    write_json(out, gap_document(gap), replace=True)
    return notes


def _recheck(shop: Shop, task: RecheckTask, out: Path, tell: Tell) -> list[str]:
    from fitscan.fit.recheck import recheck
    from fitscan.fit.record_file import read_record
    from fitscan.fit.result_file import recheck_document
    from fitscan.report.write import write_recheck_pictures
    from fitscan.store.json_file import write_json
    from fitscan.survey.survey_file import read_survey

    found = shop.records().get(task.record)
    if found is None:
        raise InputError(f"There is no record {task.record[:60]!r}", "", "choose one from the list")
    kept = read_record(found)
    now = read_survey(_survey_file(shop, task.survey))
    result = recheck(kept.survey, now, kept.part, kept.on, task.tolerance_mm)
    tell("Drawing", 0, 1)
    notes: list[str] = []
    photos, stem = _photos(shop, task.survey), out.with_suffix("")
    write_recheck_pictures(result, kept.survey, now, photos, stem, replace=True, say=notes.append)
    write_json(out, recheck_document(result), replace=True)
    return notes


def _angles(shop: Shop, task: AnglesTask, out: Path) -> list[str]:
    from fitscan.fit.angle_file import angles_document
    from fitscan.fit.angles import AngleWishes, find_angles
    from fitscan.report.write_angles import write_angles_pictures
    from fitscan.store.json_file import write_json
    from fitscan.survey.survey_file import read_survey

    wishes = AngleWishes(
        lean=task.lean, level=task.level, symmetry=task.symmetry, tolerance_deg=task.tolerance_deg
    )
    survey = read_survey(_survey_file(shop, task.survey))
    result = find_angles(survey, wishes)
    notes: list[str] = []
    photos, stem = _photos(shop, task.survey), out.with_suffix("")
    write_angles_pictures(result, survey, photos, stem, replace=True, say=notes.append)
    write_json(out, angles_document(result), replace=True)
    return notes


def _record(shop: Shop, task: RecordTask) -> list[str]:
    from fitscan.fit.record_file import keep_record
    from fitscan.survey.survey_file import read_survey

    name = clean_name(task.name, "a record")
    survey = read_survey(_survey_file(shop, task.survey))
    out = shop.folder / RECORDS / f"{name}.json"
    keep_record(out, survey, task.part, task.on, task.note)
    return []


def _told_of(result: Path, named: dict[str, Path]) -> list[Path]:
    """Those of some files whose names stand in a result."""
    text = result.read_text("utf-8")
    return [file for name, file in named.items() if name in text]


def _kept_result(shop: Shop, name: str) -> Path:
    file = shop.result(name)
    if not file.is_file():
        raise InputError("There is no such result", "", "choose one from the list")
    return file


def _report(shop: Shop, task: ReportTask, out: Path) -> list[str]:
    from fitscan.report.publish import write_report

    result = _kept_result(shop, task.result)
    measured = _told_of(result, {**shop.surveys(), **shop.records()})
    done = write_report(
        [result, *measured], out.with_suffix(""), photos=shop.folder / PHOTOS, replace=True
    )
    return list(done.book.notes)


def _scene(shop: Shop, task: SceneTask, out: Path) -> list[str]:
    from fitscan.report.publish import write_scene

    files = [_survey_file(shop, task.survey)]
    if task.result:
        files.append(_kept_result(shop, task.result))
    write_scene(files, out.with_suffix(".html"), replace=True)
    return []
