"""Files of every schema version that was ever written still open, and say what they said."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from fitscan.errors import InputError
from fitscan.fit.record_file import SURVEY_VERSIONS, RecordFile, read_record
from fitscan.fit.result_file import GapFile, RecheckFile
from fitscan.fit.tube_file import TubesFile
from fitscan.fit.verify_file import VerifyFile
from fitscan.lens.camera_file import CameraFile
from fitscan.make.bends_file import BendsFile
from fitscan.make.cope_file import CopeFile
from fitscan.store.json_file import JsonDocument, read_json, render_json, write_json
from fitscan.survey.survey_file import SurveyFile, read_survey

DATA = Path(__file__).parent / "data"
MODELS: dict[str, type[JsonDocument]] = {
    "bends": BendsFile,
    "camera": CameraFile,
    "cope": CopeFile,
    "gap": GapFile,
    "recheck": RecheckFile,
    "record": RecordFile,
    "survey": SurveyFile,
    "tube": TubesFile,
    "verify": VerifyFile,
}
STORED = sorted(DATA.glob("version_*/*.json"))


def version_of(file: Path) -> int:
    return int(json.loads(file.read_text(encoding="utf-8"))["schema_version"])


def content_of(file: Path) -> dict[str, Any]:
    return dict(json.loads(file.read_text(encoding="utf-8")))


@pytest.mark.parametrize("file", STORED, ids=lambda f: f"{f.parent.name}-{f.stem}")
def test_a_stored_file_opens_and_keeps_every_value_that_it_had(file: Path) -> None:
    document = read_json(file, MODELS[file.stem])
    old, now = content_of(file), json.loads(render_json(document))
    for key in set(old) - {"kind", "schema_version", "content_sha256"}:
        assert keeps(old[key], now[key]), key


def keeps(old: Any, now: Any) -> bool:
    """Whether nothing that was there is gone or changed; a table's rows may have gained keys."""
    if isinstance(old, dict):
        return all(key in now and keeps(old[key], now[key]) for key in old)
    if isinstance(old, list) and old and isinstance(old[0], dict):
        return len(old) == len(now) and all(keeps(a, b) for a, b in zip(old, now, strict=True))
    return bool(old == now)


def test_a_changed_or_lost_value_would_be_seen() -> None:
    assert keeps({"a": [{"b": 1}]}, {"a": [{"b": 1, "c": 2}]})
    assert not keeps({"a": [{"b": 1}]}, {"a": [{"b": 2}]})
    assert not keeps({"a": [{"b": 1}]}, {"a": [{"c": 1}]})
    assert not keeps({"a": [{"b": 1}]}, {"a": []})


def test_there_is_a_stored_file_of_every_version_of_surveys_and_records() -> None:
    for kind, model in MODELS.items():
        stored = {version_of(f) for f in STORED if f.stem == kind}
        assert stored >= set(range(1, model.SCHEMA_VERSION)), kind


def test_a_lifted_survey_says_that_it_does_not_know_its_sources() -> None:
    survey = read_survey(DATA / "version_1" / "survey.json")
    assert survey.sources.kit_sha256 is None
    assert survey.made_at is None
    assert read_record(DATA / "version_1" / "record.json").survey.made_at is None


def test_a_records_newest_version_holds_the_surveys_newest_version() -> None:
    assert SURVEY_VERSIONS[RecordFile.SCHEMA_VERSION] == SurveyFile.SCHEMA_VERSION
    assert sorted(SURVEY_VERSIONS) == list(range(1, RecordFile.SCHEMA_VERSION + 1))


@pytest.fixture
def record(tmp_path: Path) -> Path:
    document = read_json(DATA / "version_1" / "record.json", RecordFile)
    write_json(tmp_path / "record.json", document)
    return tmp_path / "record.json"


def test_a_record_is_sealed_and_opens(record: Path) -> None:
    assert re.search(r'"content_sha256": "[0-9a-f]{64}"\n\}\n$', record.read_text("utf-8"))
    assert read_record(record).part == "cage"


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ('"note": ""', '"note": "all is well"'),
        ('"redundancy": 0.', '"redundancy": 0.0'),
        ('"on": "shell"', '"on": "trim"'),
    ],
)
def test_a_record_that_was_changed_by_hand_is_refused(record: Path, was: str, becomes: str) -> None:
    text = record.read_text(encoding="utf-8")
    assert was in text
    record.write_text(text.replace(was, becomes, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_record(record)
    assert str(caught.value) == (
        f"The record file of fitscan was changed after it was written ({record}): take it from a "
        "copy; a changed one proves nothing."
    )


def test_a_record_without_its_seal_is_refused(record: Path) -> None:
    content = content_of(record)
    del content["content_sha256"]
    record.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(InputError, match="was changed after it was written"):
        read_record(record)


def test_the_seal_does_not_depend_on_how_the_text_is_laid_out(record: Path) -> None:
    record.write_text(json.dumps(content_of(record), indent=3), encoding="utf-8")
    assert read_record(record).on == "shell"
