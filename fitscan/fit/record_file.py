"""The record: a survey kept with what it is a record of, so that a later one can be held to it.

What the comparison finds is left to `recheck`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Any, ClassVar

from fitscan.errors import DataError, InputError
from fitscan.fit.align import few_markers
from fitscan.store.json_file import JsonDocument, Upgrade, read_json, write_json
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import SurveyFile, survey_document, survey_of

__all__ = ["SURVEY_VERSIONS", "Record", "RecordFile", "keep_record", "read_record"]


def _lifted(version: int) -> Upgrade:
    """The upgrade from a version of the record: its survey goes to the next record's version."""

    def lift(old: dict[str, Any]) -> dict[str, Any]:
        survey = dict(old["survey"])
        for step in range(SURVEY_VERSIONS[version], SURVEY_VERSIONS[version + 1]):
            survey = SurveyFile.UPGRADES[step](survey)
        return {**old, "survey": survey}

    return lift


SURVEY_VERSIONS = {1: 1, 2: 2, 3: 3}
"""Schema version of the survey inside each version of the record."""


class RecordFile(JsonDocument):
    """A record as stored: the survey as it was, and which part sat on which.

    From version 2 it ends with a seal, and its survey names kit and camera by their hashes.
    """

    KIND: ClassVar[str] = "fitscan.record"
    SCHEMA_VERSION: ClassVar[int] = 3
    SEALED_FROM: ClassVar[int | None] = 2
    UPGRADES: ClassVar[Mapping[int, Upgrade]] = {
        version: _lifted(version) for version in SURVEY_VERSIONS if version + 1 in SURVEY_VERSIONS
    }

    made_at: str
    tool_version: str
    part: str
    on: str
    note: str
    survey: SurveyFile


@dataclass(frozen=True)
class Record:
    """A record in use: the survey, the part it is about, and the part that stays."""

    survey: Survey
    part: str
    on: str
    made_at: str
    note: str


def keep_record(path: Path, survey: Survey, part: str, on: str, note: str = "") -> None:
    """Write a record; never over another one.

    Raises:
        InputError: the survey has no such part, or the two parts are one, or the file exists.
        DataError: too few markers of either part to recheck against later.
    """
    from fitscan import __version__

    if part == on:
        raise InputError(
            f"The part {part!r} cannot be recorded on itself", "--on", "name the part that stays"
        )
    known = survey.kit.parts
    for option, name in (("--part", part), ("--on", on)):
        if name not in known:
            raise InputError(
                f"The kit has no part {name!r}", option, f"use one of: {', '.join(known)}"
            )
        if len(survey.of_part(name)) < 3:
            raise DataError(
                f"{few_markers(len(survey.of_part(name)), name)} in the survey",
                survey.frame,
                f"add photos until at least three, better six, markers of the {name} are measured",
            )
    document = RecordFile(
        made_at=datetime.now(timezone.utc).replace(microsecond=0).isoformat(),
        tool_version=__version__,
        part=part,
        on=on,
        note=note,
        survey=survey_document(survey),
    )
    write_json(path, document)


def read_record(path: Path) -> Record:
    """Read a record.

    Raises:
        InputError: missing, torn, not a record, changed since it was written, or of a newer schema.
    """
    document = read_json(path, RecordFile)
    survey = survey_of(document.survey, str(path))
    return Record(survey, document.part, document.on, document.made_at, document.note)
