"""Requests that cannot be printed: one sentence each, before anything is written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from fitscan.errors import InputError
from fitscan.markers.sheet_request import (
    PointerRequest,
    PrinterScale,
    RuleRequest,
    SheetRequest,
    TagGroup,
    TubeRequest,
)
from fitscan.markers.sheets import make_sheets

HOOP = TubeRequest("main hoop", 45.0)


@pytest.mark.parametrize(
    ("asked", "named"),
    [
        ({"tubes": (TubeRequest("spigot", 19.9),)}, ["19.9 mm", "tube spigot", "20 to 76 mm"]),
        ({"tubes": (TubeRequest("spigot", 76.1),)}, ["76.1 mm", "tube spigot", "20 to 76 mm"]),
        ({"tubes": (TubeRequest("spigot", float("nan")),)}, ["nan mm", "tube spigot"]),
        ({"tubes": (HOOP, HOOP)}, ["'main hoop'", "tube", "own name"]),
        ({"tubes": (TubeRequest("x" * 33, 45.0),)}, ["33 characters", "give 1 to 32"]),
        ({"tubes": (TubeRequest("", 45.0),)}, ["0 characters", "name of a tube"]),
        ({"tubes": (TubeRequest("  ", 45.0),)}, ["2 characters", "name of a tube"]),
        ({"tubes": (TubeRequest("main\nhoop", 45.0),)}, [r"'\n'", "name of a tube"]),
        ({"tubes": (TubeRequest("Ω bar", 45.0),)}, ["'Ω'", "name of a tube", "use letters"]),
        ({"tubes": (TubeRequest("bar", 45.0, straights=0),)}, ["0", "straights of tube bar"]),
        ({"tubes": (TubeRequest("bar", 45.0, cuffs=11),)}, ["11", "cuffs per straight", "10"]),
        ({"tags": (TagGroup("shell", 588),)}, ["588", "number of tags for shell", "587"]),
        ({"tags": (TagGroup("shell", -1),)}, ["-1", "number of tags for shell"]),
        ({"tags": (TagGroup("shell", 4, 150.0),)}, ["150 mm", "side of the tags", "120 mm"]),
        ({"tags": (TagGroup('sh"ell', 4),)}, ["'\"'", "part of the tags"]),
        ({"tags": (TagGroup("shell", 4, where="x" * 81),)}, ["81 characters", "where to stick"]),
        ({"pointers": (PointerRequest("lip", "trim", 20.0, 10.0),)}, ["10 mm", "reach", "lip"]),
        ({"pointers": (PointerRequest("lip", "trim", 70.0),)}, ["70 mm", "side of pointer lip"]),
        ({"pointers": (PointerRequest("lip", "trim"),) * 2}, ["'lip'", "pointer"]),
        ({"rules": (RuleRequest(50.0),)}, ["50 mm", "length of rule 1", "100 to 5000"]),
        ({"rules": (RuleRequest(800.0, 0.0),)}, ["0 mm", "uncertainty of rule 1"]),
        ({"paper": "a3"}, ["'a3'", "a4 or letter"]),
        ({"name": "x" * 40}, ["40 characters", "name of the kit"]),
        ({"first_id": 587}, ["587", "first id", "0 to 586"]),
        ({"paper_mm": 2.0}, ["2 mm", "paper thickness", "0 to 1 mm"]),
        ({"printer": PrinterScale(0.9, 1.0)}, ["0.9", "short edge", "100 %"]),
        ({"printer": PrinterScale(1.0, float("nan"))}, ["nan", "long edge"]),
        ({"board": False}, ["nothing to print"]),
        (
            {"tubes": (TubeRequest("hoop", 45.0, straights=20, cuffs=3),)},
            ["840 ids", "36h11 ends at 586", "14 ids"],
        ),
        ({"tags": (TagGroup("shell", 400), TagGroup("trim", 200))}, ["600 ids", "586"]),
        ({"tags": (TagGroup("shell", 40),), "first_id": 560}, ["40 ids from 560", "lower id"]),
    ],
)
def test_what_cannot_be_printed_is_refused_in_one_sentence(
    tmp_path: Path, asked: dict[str, Any], named: list[str]
) -> None:
    with pytest.raises(InputError) as caught:
        make_sheets(SheetRequest(**asked), tmp_path / "out")
    sentence = str(caught.value)
    assert "\n" not in sentence
    for words in named:
        assert words in sentence
    assert not (tmp_path / "out").exists()


def test_accents_of_western_languages_and_the_trades_signs_may_be_in_names(tmp_path: Path) -> None:
    name = "Überrollbügel, 2. Strebe (l/r) #1"[:32]
    request = SheetRequest(tubes=(TubeRequest(name, 45.0),), board=False)
    assert make_sheets(request, tmp_path).kit.cuff[0].tube == name


def test_the_whole_family_can_be_printed(tmp_path: Path) -> None:
    request = SheetRequest(tags=(TagGroup("shell", 587, 10.0),), board=False)
    assert make_sheets(request, tmp_path).kit.tag_ids == list(range(587))
