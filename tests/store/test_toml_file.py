"""TOML that people write: every fault is named by line, table and key."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, model_validator

from fitscan.errors import InputError
from fitscan.store.toml_file import read_toml


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Shelf(Table):
    id: int
    width_mm: Annotated[float, Field(gt=0)]
    holds: tuple[str, ...] = ()
    sealed: bool = False


class Paint(Table):
    colour: str = "grey"


class Shed(Table):
    shelf: tuple[Shelf, ...] = ()
    paint: Paint | None = None
    area_m2: float = 1.0

    @model_validator(mode="after")
    def _ids_differ(self) -> Shed:
        ids = [shelf.id for shelf in self.shelf]
        if len(set(ids)) < len(ids):
            raise ValueError("two shelves share an id")
        return self


GOOD = """\
# The shed.
area_m2 = 12

[[shelf]]
id = 1
width_mm = 800.0
holds = [
  "tape",  # width_mm = 3
  "width_mm = 5",
]

[[shelf]]
id = 2
width_mm = 900

[paint]
colour = "white"
"""


def put(folder: Path, text: str) -> Path:
    path = folder / "shed.toml"
    path.write_text(text, encoding="utf-8")
    return path


def sentence(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_toml(path, Shed)
    text = str(caught.value)
    assert "\n" not in text
    assert str(path) in text
    assert text.endswith(".")
    return text


@pytest.mark.parametrize("text", [GOOD, "\ufeff" + GOOD, GOOD.replace("\n", "\r\n")])
def test_a_good_file_is_read(tmp_path: Path, text: str) -> None:
    path = tmp_path / "shed.toml"
    path.write_bytes(text.encode())
    shed = read_toml(path, Shed)
    assert [shelf.width_mm for shelf in shed.shelf] == [800.0, 900.0]
    assert shed.shelf[0].holds == ("tape", "width_mm = 5")
    assert shed.paint == Paint(colour="white")
    assert isinstance(shed.area_m2, float)


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("area_m2 = 12", "area_m2 12", 2, "not TOML: expected '='"),
        ("width_mm = 900", "width_mm = 9oo", 14, "not TOML"),
        ("[paint]", "[paint", 16, "not TOML"),
        ("id = 2", "id = 2\nid = 3", 14, "not TOML"),
        ("id = 2", "id = 2\nwdth_mm = 3", 14, '"wdth_mm" is not known here'),
        ("id = 2", "id = 2\nwdth_mm = 3", 14, "[[shelf]] number 2 with id = 2"),
        ("id = 2", "id = 2\nwdth_mm = 3", 14, 'write "width_mm" if that is meant'),
        ("id = 2", "id = 2\nzz = 3", 14, "known keys are id, width_mm, holds, sealed"),
        ("id = 1", "id = 1.5", 5, 'key "id" must be a whole number, but is 1.5'),
        ("800.0", "-800.0", 6, 'key "width_mm" must be greater than 0, but is -800.0'),
        ("800.0", '"800"', 6, 'key "width_mm" must be a number, but is "800"'),
        ("800.0", "inf", 6, 'key "width_mm" cannot be used: it is not a finite number'),
        ("900", "900\nsealed = 1", 15, 'key "sealed" must be true or false, but is 1'),
        ('"tape"', "3", 7, 'key "holds" must be text in quotes, but is 3'),
        ("width_mm = 900", "", 12, 'key "width_mm" is missing'),
        ("width_mm = 900", "", 12, "[[shelf]] number 2 with id = 2): add it"),
        ('colour = "white"', "color = 3", 17, '"color" is not known here'),
        ('colour = "white"', "color = 3", 17, "table [paint]"),
        ("[paint]", "[pant]", 16, 'write "paint" if that is meant'),
        ("area_m2 = 12", "area_m2 = 1979-05-27", 2, 'key "area_m2" must be a number'),
        ("area_m2 = 12", 'area_m2 = """\narea_m2\n"""', 2, 'key "area_m2" must be a number'),
    ],
)
def test_a_fault_is_named_by_line_table_and_key(
    tmp_path: Path, old: str, new: str, line: int, words: str
) -> None:
    assert old in GOOD
    path = put(tmp_path, GOOD.replace(old, new, 1))
    text = sentence(path)
    assert words in text
    assert f"shed.toml, line {line}" in text


def test_a_rule_over_the_whole_file_speaks_for_itself(tmp_path: Path) -> None:
    text = sentence(put(tmp_path, GOOD.replace("id = 2", "id = 1")))
    assert "two shelves share an id" in text


def test_several_faults_are_counted(tmp_path: Path) -> None:
    text = sentence(put(tmp_path, GOOD.replace("id = ", 'id = "x" #')))
    assert "and 1 more fault)" in text


@settings(max_examples=300)
@given(cut=st.integers(0, len(GOOD) - 1), noise=st.text(alphabet='[]"=\n#x1{}', max_size=5))
def test_a_kit_cut_or_garbled_anywhere_is_read_or_refused_in_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, cut: int, noise: str
) -> None:
    path = put(tmp_path_factory.getbasetemp(), GOOD[:cut] + noise + GOOD[cut + 3 :])
    sentence = ""
    try:
        read_toml(path, Shed)
    except InputError as error:
        sentence = str(error)
    assert "\n" not in sentence
    assert sentence == "" or str(path) in sentence


def test_a_fault_in_a_long_file_is_found_soon(tmp_path: Path) -> None:
    shelves = [f"[[shelf]]\nid = {number}\nwidth_mm = 5.0\n" for number in range(800)]
    shelves[700] = shelves[700].replace("5.0", "0.0")
    assert "line 2103," in sentence(put(tmp_path, "\n".join(shelves).replace("\n\n", "\n")))


def test_a_photo_is_not_taken_for_toml(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xff\xd8\xff\xe0")
    assert "not a text file" in sentence(tmp_path / "a.toml")


def test_a_missing_file_is_one_sentence(tmp_path: Path) -> None:
    assert "no such file" in sentence(tmp_path / "none.toml")


def test_deep_nesting_is_one_sentence(tmp_path: Path) -> None:
    assert "not TOML" in sentence(put(tmp_path, "x = " + "[" * 100_000))
