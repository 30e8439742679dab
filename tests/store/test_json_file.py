"""Versioned JSON: what was written comes back, and every kind of damage is one sentence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, ClassVar, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict

from fitscan.errors import DataError, EnvironmentProblem, InputError
from fitscan.store.json_file import JsonDocument, Upgrade, read_json, render_json, write_json


class Spot(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    centre: tuple[float, float, float]


class Sketch(JsonDocument):
    KIND: ClassVar[str] = "fitscan.sketch"
    SCHEMA_VERSION: ClassVar[int] = 3

    title: str
    unit: Literal["mm"] = "mm"
    spots: tuple[Spot, ...] = ()
    first: Spot | None = None

    UPGRADES: ClassVar[dict[int, Upgrade]] = {
        1: lambda old: {**old, "title": old.get("name", "")} | {"name": None},
        2: lambda old: {key: value for key, value in old.items() if key != "name"},
    }


SKETCH = Sketch(
    title="bar",
    spots=(Spot(name="a", centre=(0.1, 1e-300, -7.0)), Spot(name="b", centre=(1 / 3, 2.0, 3.0))),
)
GOOD = {"kind": "fitscan.sketch", "schema_version": 3, "title": "bar"}


def put(folder: Path, content: object) -> Path:
    path = folder / "sketch.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def sentence(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_json(path, Sketch)
    text = str(caught.value)
    assert "\n" not in text
    assert str(path) in text
    assert text.endswith(".")
    return text


def test_a_document_comes_back_equal(tmp_path: Path) -> None:
    write_json(tmp_path / "a.json", SKETCH)
    assert read_json(tmp_path / "a.json", Sketch) == SKETCH


@given(numbers=st.tuples(*[st.floats(allow_nan=False, allow_infinity=False)] * 3), name=st.text())
def test_every_bit_of_every_finite_number_and_text_comes_back(
    tmp_path_factory: pytest.TempPathFactory, numbers: tuple[float, float, float], name: str
) -> None:
    path = tmp_path_factory.getbasetemp() / "bits.json"
    try:
        name.encode()
    except UnicodeEncodeError:
        name = "lone surrogates cannot be typed"
    document = Sketch(title=name, first=Spot(name=name, centre=numbers))
    write_json(path, document, replace=True)
    back = read_json(path, Sketch)
    assert back.first is not None
    assert [number.hex() for number in back.first.centre] == [number.hex() for number in numbers]
    assert back.title == name


def test_the_file_opens_with_kind_and_version_and_gives_each_entry_a_line() -> None:
    lines = render_json(SKETCH).splitlines()
    assert lines[1:3] == ['"kind": "fitscan.sketch",', '"schema_version": 3,']
    assert sum(line.startswith('  {"name"') for line in lines) == 2


def test_an_existing_document_is_kept_unless_asked(tmp_path: Path) -> None:
    write_json(tmp_path / "a.json", SKETCH)
    with pytest.raises(InputError, match="exists already"):
        write_json(tmp_path / "a.json", Sketch(title="other"))
    write_json(tmp_path / "a.json", Sketch(title="other"), replace=True)
    assert read_json(tmp_path / "a.json", Sketch).title == "other"


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_a_number_that_is_not_finite_cannot_be_kept(tmp_path: Path, number: float) -> None:
    sketch = Sketch(title="x", first=Spot(name="a", centre=(number, 0.0, 0.0)))
    with pytest.raises(DataError, match=r'not finite .*\(fitscan.sketch, key "first"\)'):
        write_json(tmp_path / "a.json", sketch)
    assert list(tmp_path.iterdir()) == []


# Every beginning of a good file but the whole one (with or without its last line end).
@settings(max_examples=300)
@given(cut=st.integers(0, len(render_json(SKETCH).encode()) - 3))
def test_a_file_cut_short_anywhere_is_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, cut: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "torn.json"
    path.write_bytes(render_json(SKETCH).encode()[:cut])
    words = sentence(path)
    assert "damaged or cut short" in words or "is empty" in words


@settings(max_examples=300)
@given(raw=st.binary(max_size=200))
def test_any_bytes_whatever_are_refused_in_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, raw: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "noise.json"
    path.write_bytes(raw)
    sentence(path)


def test_damage_is_found_by_its_line(tmp_path: Path) -> None:
    path = put(tmp_path, '{\n"kind": "fitscan.sketch",\n"schema_version": 3,\n"title" "x"}')
    assert f"({path}, line 4, column 9)" in sentence(path)


def test_a_byte_order_mark_is_no_damage(tmp_path: Path) -> None:
    path = put(tmp_path, "\ufeff" + json.dumps(GOOD))
    assert read_json(path, Sketch).title == "bar"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ([1, 2], "not one of fitscan's"),
        ({"title": "x"}, "not say of what kind it is, and a sketch file of fitscan is needed"),
        (
            {**GOOD, "kind": "fitscan.plan"},
            "is a plan file of fitscan, and a sketch file of fitscan is needed",
        ),
        ({**GOOD, "kind": "x" * 3}, 'a file of kind "xxx", and a sketch'),
        ({"kind": "fitscan.sketch", "title": "x"}, '"schema_version" is missing'),
        ({**GOOD, "schema_version": "3"}, '"schema_version" is missing or not a whole number'),
        ({**GOOD, "schema_version": True}, "not a whole number"),
        ({**GOOD, "schema_version": 0}, "not a whole number from 1"),
        ({**GOOD, "schema_version": 4}, "newer fitscan (schema version 4, and this one reads up"),
        ({**GOOD, "titel": "x"}, 'key "titel" is not known here'),
        ({**GOOD, "titel": "x"}, 'write "title" if that is meant'),
        ({**GOOD, "zz": 1}, "known keys are title, unit, spots, first"),
        ({"kind": "fitscan.sketch", "schema_version": 3}, 'The key "title" is missing'),
        ({**GOOD, "title": 7}, 'The key "title" must be text in quotes, but is 7'),
        ({**GOOD, "unit": "inch"}, "must be 'mm', but is \"inch\""),
        ({**GOOD, "spots": 5}, 'The key "spots" must be a list, but is 5'),
        ({**GOOD, "spots": [{"name": "a", "centre": [0, 1]}]}, 'The key "centre"'),
        ({**GOOD, "spots": [{"name": "a", "centre": [0, 1, "2"]}]}, "spots.0.centre.2"),
        ({**GOOD, "spots": [{"name": "a", "center": [0, 1, 2]}]}, 'write "centre" if'),
        ({**GOOD, "first": {"name": "a", "center": [0, 1, 2]}}, 'write "centre" if'),
        ('{"kind": NaN}', "it holds NaN"),
        ('{"kind": -Infinity}', "it holds -Infinity"),
        ('{"kind": "fitscan.sketch", "kind": "b"}', 'the key "kind" stands twice'),
        ('{"a": ' + "9" * 5000 + "}", "cannot be used"),
        ("[" * 100_000, "nested too deeply"),
        ('{"kind": "fitscan.sketch", "schema_version": 3, "title": "\\ud800"}', "text is damaged"),
        (
            json.dumps({**GOOD, "first": {"name": "a", "centre": [0, 1, 9]}}).replace("9", "1e999"),
            'key "centre" cannot be used: it is not a finite number',
        ),
    ],
)
def test_what_does_not_fit_is_named_in_one_sentence(
    tmp_path: Path, content: object, words: str
) -> None:
    assert words in sentence(put(tmp_path, content))


@pytest.mark.parametrize(
    ("ours", "theirs", "words"),
    [
        ("-7.0", "1e999", 'key "centre" cannot be used: it is not a finite number'),
        ("-7.0", "-1E+999", 'key "centre" cannot be used: it is not a finite number'),
        ("-7.0", "9" * 400 + ".0", 'key "centre" cannot be used: it is not a finite number'),
        ('"bar"', '"\\ud800"', 'key "title" cannot be used: its text is damaged'),
        ("-7.0", '"7"', "spots.0.centre.2"),
        ('"schema_version": 3', '"schema_version": 3,\n"schema_version": 3', "stands twice"),
        ('"title"', '"kind": "fitscan.sketch",\n"title"', "stands twice"),
        ('"title"', '"titel"', 'write "title" if that is meant'),
    ],
)
def test_what_was_changed_in_a_file_of_ours_is_named_too(
    tmp_path: Path, ours: str, theirs: str, words: str
) -> None:
    write_json(tmp_path / "a.json", SKETCH)
    text = (tmp_path / "a.json").read_text(encoding="utf-8")
    assert text.count(ours) == 1
    assert words in sentence(put(tmp_path, text.replace(ours, theirs)))


def test_several_faults_are_counted(tmp_path: Path) -> None:
    path = put(tmp_path, {**GOOD, "title": 7, "unit": 3, "x": 1})
    assert 'key "x"' in sentence(path)
    assert "and 2 more faults" in sentence(path)


def test_binary_is_not_taken_for_json(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_bytes(b"\xff\xd8\xff\xe0 a photo")
    assert "not a JSON file" in sentence(tmp_path / "a.json")


def test_a_missing_file_is_one_sentence(tmp_path: Path) -> None:
    assert "no such file" in sentence(tmp_path / "none.json")


@pytest.mark.parametrize("version", [1, 2, 3])
def test_older_versions_are_lifted_step_by_step(tmp_path: Path, version: int) -> None:
    content: dict[str, Any] = {"kind": "fitscan.sketch", "schema_version": version}
    contents: dict[int, dict[str, Any]] = {
        1: {"name": "bar"},
        2: {"title": "bar", "name": None},
        3: {"title": "bar"},
    }
    content |= contents[version]
    assert read_json(put(tmp_path, content), Sketch) == Sketch(title="bar")


def test_an_old_file_that_lacks_what_an_upgrade_needs_is_one_sentence(tmp_path: Path) -> None:
    class Strict(Sketch):
        UPGRADES: ClassVar[dict[int, Upgrade]] = {
            1: lambda old: {"title": old["name"]},
            2: lambda old: old,
        }

    path = put(tmp_path, {"kind": "fitscan.sketch", "schema_version": 1})
    with pytest.raises(InputError, match="version 1 and lacks what that version must have"):
        read_json(path, Strict)


def test_a_full_disk_is_the_environments_problem(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_args: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.write", full)
    with pytest.raises(EnvironmentProblem, match="The disk is full"):
        write_json(tmp_path / "a.json", SKETCH)
    assert list(tmp_path.iterdir()) == []
