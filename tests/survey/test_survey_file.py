"""The survey's file: every bit back, nothing torn or foreign accepted."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scenes import small_scene, survey_of, take_photos

from fitscan.errors import FitscanError, InputError
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import read_survey, write_survey


@lru_cache(maxsize=1)
def survey() -> Survey:
    return survey_of(take_photos(small_scene(1, 12), 1))


@pytest.fixture
def written(tmp_path: Path) -> Path:
    path = tmp_path / "survey.json"
    write_survey(path, survey())
    return path


def test_poses_and_covariance_come_back_bit_for_bit(written: Path) -> None:
    back, own = read_survey(written), survey()
    assert back.markers == own.markers
    assert back.sights == own.sights
    for a, b in zip(own.poses, back.poses, strict=True):
        assert np.array_equal(a.rotation, b.rotation)
        assert np.array_equal(a.translation, b.translation)
    assert np.array_equal(back.covariance, own.covariance)


def test_everything_else_comes_back_too(written: Path) -> None:
    back, own = read_survey(written), survey()
    assert back.name == own.name
    assert back.kit == own.kit
    assert back.identity == own.identity
    assert np.array_equal(back.lens.values, own.lens.values)
    assert back.quality == own.quality
    for cuff, form in own.forms.items():
        assert back.forms[cuff] == pytest.approx(form, rel=1e-12)
    for a, b in zip(own.photos, back.photos, strict=True):
        assert (a.name, a.sha256, a.refused, a.tags) == (b.name, b.sha256, b.refused, b.tags)
        assert (a.cam_from_survey is None) == (b.cam_from_survey is None)
        if a.cam_from_survey is not None and b.cam_from_survey is not None:
            assert np.array_equal(a.cam_from_survey.translation, b.cam_from_survey.translation)


def test_the_same_survey_is_written_the_same(written: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.json"
    write_survey(again, read_survey(written))
    # Degrees of a skew may round in their last digit; nothing else may differ.
    a, b = (json.loads(p.read_text(encoding="utf-8")) for p in (written, again))
    for document in (a, b):
        for cuff in document["cuffs"]:
            cuff["skew_deg"] = round(cuff["skew_deg"], 9)
    assert a == b


def test_the_file_states_each_markers_covariance_as_the_joint_one_has_it(written: Path) -> None:
    content = json.loads(written.read_text(encoding="utf-8"))
    for row, marker in enumerate(content["markers"]):
        own = survey().covariance[6 * row : 6 * row + 6, 6 * row : 6 * row + 6]
        assert np.array_equal(np.array(marker["covariance"]), own)
        assert marker["centre_mm"] == survey().poses[row].translation.tolist()


def test_a_survey_is_not_written_over_another_one_unasked(written: Path) -> None:
    with pytest.raises(FitscanError):
        write_survey(written, survey())
    write_survey(written, survey(), replace=True)


def changed(path: Path, *, change: Any) -> Path:
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def test_a_torn_file_is_refused(written: Path) -> None:
    whole = written.read_bytes()
    for share in (0.1, 0.5, 0.999):
        written.write_bytes(whole[: int(share * len(whole))])
        with pytest.raises(InputError, match=r"survey\.json"):
            read_survey(written)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda c: c.update(colour="red"), "colour"),
        (lambda c: c["markers"][2].update(color="red"), "color"),
        (lambda c: c["quality"].pop("rms_px"), "rms_px"),
        (lambda c: c["lens"].update(k4=0.0), "k4"),
        (lambda c: c.update(schema_version=99), "99"),
        (lambda c: c.update(kind="fitscan.camera"), "camera"),
    ],
    ids=["key", "key of a marker", "missing key", "key of the lens", "newer version", "other kind"],
)
def test_unknown_or_missing_keys_are_named(written: Path, change: Any, word: str) -> None:
    with pytest.raises(InputError, match=word):
        read_survey(changed(written, change=change))


@pytest.mark.parametrize(
    "change",
    [
        lambda c: c["markers"].pop(),
        lambda c: c["markers"][0]["rotation"][0].__setitem__(0, 3.0),
        lambda c: c["markers"][0]["centre_mm"].__setitem__(0, 1e999),
        lambda c: c["joint_covariance"].update(data="AAAA"),
    ],
    ids=["a marker gone", "no rotation", "infinite", "covariance cut"],
)
def test_parts_that_do_not_belong_together_are_refused(written: Path, change: Any) -> None:
    with pytest.raises(FitscanError):
        read_survey(changed(written, change=change))


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.json"):
        read_survey(tmp_path / "nowhere.json")
