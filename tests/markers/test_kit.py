"""The kit file: what is accepted, and that every fault is named by line, table and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from fitscan.errors import InputError
from fitscan.markers.kit import Kit, read_kit

TAG = '[[tag]]\nid = 0\nside_mm = 40.0\npart = "shell"\n'
POINTER = '[[pointer]]\nid = 60\nside_mm = 20.0\nreach_mm = 25.0\npart = "trim"\nname = "lip 1"\n'
CUFF = (
    "[[cuff]]\nfirst_id = 100\nod_mm = 45.0\ncolumns = 7\nrows = 2\nside_mm = 15.0\n"
    'row_pitch_mm = 20.0\npart = "cage"\ntube = "main hoop"\n'
)
RULE_TAGS = "".join(TAG.replace("id = 0", f"id = {i}") for i in (90, 91))
RULE = "[[rule]]\nids = [90, 91]\nlength_mm = 801.0\nu_mm = 0.3\n"
WHOLE = "[printer]\nacross = 0.997\nalong = 0.9985\n" + TAG + POINTER + CUFF + RULE_TAGS + RULE


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "kit.toml"


def read(file: Path, text: str) -> Kit:
    file.write_text(text, encoding="utf-8")
    return read_kit(file)


def test_a_whole_kit_is_read_with_every_value(file: Path) -> None:
    kit = read(file, WHOLE)
    assert kit.printer is not None
    assert (kit.printer.across, kit.printer.along) == (0.997, 0.9985)
    assert (kit.tag[0].id, kit.tag[0].side_mm, kit.tag[0].part) == (0, 40.0, "shell")
    assert (kit.pointer[0].reach_mm, kit.pointer[0].name) == (25.0, "lip 1")
    assert kit.cuff[0].ids == range(100, 114)
    assert (kit.cuff[0].straight, kit.cuff[0].paper_mm) == (1, 0.15)
    assert (kit.rule[0].ids, kit.rule[0].length_mm, kit.rule[0].u_mm) == ((90, 91), 801.0, 0.3)
    assert kit.tag_ids == [0, 90, 91, 60, *range(100, 114)]
    assert kit.parts == ["shell", "trim", "cage"]
    assert [kit.part_of(i) for i in (0, 60, 100)] == ["shell", "trim", "cage"]


def test_whole_numbers_may_be_written_for_lengths(file: Path) -> None:
    assert read(file, TAG.replace("40.0", "40")).tag[0].side_mm == 40.0


def test_asking_for_the_part_of_an_unknown_marker_is_refused() -> None:
    with pytest.raises(InputError, match="Marker 7 is not in the kit"):
        Kit().part_of(7)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        (TAG + "x = = 1\n", ["line 5"]),
        (TAG + 'colour = "red"\n', ['"colour"', "line 5", "[[tag]] number 1", "id = 0"]),
        (TAG.replace("[[tag]]", "[[tags]]"), ['"tags"', "line 1"]),
        (TAG.replace("id = 0", "id = 587"), ['"id"', "587", "line 2", "[[tag]] number 1"]),
        (TAG.replace("id = 0", 'id = "0"'), ['"id"', "line 2", "[[tag]] number 1"]),
        (TAG.replace("side_mm = 40.0\n", ""), ['"side_mm" is missing', "[[tag]] number 1"]),
        (TAG + TAG.replace("= 0", "= 4").replace("40.0", "-1"), ['"side_mm"', "line 7", "id = 4"]),
        (TAG.replace("40.0", "nan"), ['"side_mm"', "line 3"]),
        (TAG.replace('"shell"', '""'), ['"part"', "line 4"]),
        (POINTER.replace("reach_mm = 25.0\n", ""), ['"reach_mm" is missing', "[[pointer]]"]),
        (CUFF.replace("15.0", "25.0"), ["7 tags of 25 mm", "142.3 mm round", "first_id = 100"]),
        (CUFF.replace("20.0", "12.0"), ["row_pitch_mm", "rows overlap", "first_id = 100"]),
        (CUFF.replace("100", "580"), ["last id is over 586", "first_id = 580"]),
        (CUFF.replace("columns = 7", "columns = 2"), ['"columns"', "line 4", "first_id = 100"]),
        (TAG + TAG, ["id 0", "more than one", "[[tag]] number 1", "line 6, [[tag]] number 2"]),
        (
            CUFF + CUFF.replace("100", "110"),
            ["id 110", "[[cuff]] number 1 (100 to 113)", "[[cuff]] number 2 (110 to 123)"],
        ),
        (CUFF + TAG.replace("= 0", "= 113"), ["id 113", "[[tag]] number 1", "[[cuff]] number 1"]),
        (TAG + RULE, ["rule [90, 91]", "id 90", "line 6"]),
        ("", ["lists no tag"]),
        (RULE_TAGS + RULE.replace("91]", "90]"), ["rule [90, 90]", "same id"]),
        (RULE_TAGS + RULE.replace("90, 91", "90"), ['"ids', "[[rule]] number 1"]),
        (RULE_TAGS + RULE.replace("length_mm = 801.0\n", ""), ['"length_mm" is missing', "rule"]),
        (TAG + "[datum]\nrear = 0\nfront = 1\nright = 2\nleft = 3\n", ["datum", "id 1", "line 7"]),
        ("[printer]\nacross = 0.5\n", ['"across"', "line 2", "[printer]"]),
        ("schema_version = 2\n", ['"schema_version"', "line 1"]),
    ],
)
def test_a_fault_is_one_sentence_that_names_its_place(
    file: Path, text: str, named: list[str]
) -> None:
    with pytest.raises(InputError) as caught:
        read(file, text)
    sentence = str(caught.value)
    assert "kit.toml" in sentence
    assert "\n" not in sentence
    for words in named:
        assert words in sentence


def test_a_missing_kit_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no such file.*nowhere\.toml"):
        read_kit(tmp_path / "nowhere.toml")
