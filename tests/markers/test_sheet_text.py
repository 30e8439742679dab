from __future__ import annotations

import pytest

from fitscan.errors import InputError
from fitscan.markers.sheet_request import SheetRequest
from fitscan.markers.sheet_text import request_from_text


def read(
    *,
    tags: list[str] | None = None,
    tubes: list[str] | None = None,
    pointers: list[str] | None = None,
    rules: int = 0,
    rule_mm: list[float] | None = None,
    measured: tuple[float, float] | None = None,
) -> SheetRequest:
    return request_from_text(
        "wren", "A4", tags or [], tubes or [], pointers or [], rules, rule_mm or [],
        board=True, first_id=0, measured_150_mm=measured,
    )  # fmt: skip


def test_short_forms_say_part_count_side_tube_and_pointer() -> None:
    request = read(
        tags=["shell:24", "trim:8:30"],
        tubes=["main hoop:45:3", "recess:38:1:2:trim"],
        pointers=["trim:upper lip 1"],
    )
    assert [(g.part, g.count, g.side_mm) for g in request.tags] == [
        ("shell", 24, 40.0),
        ("trim", 8, 30.0),
    ]
    assert [(t.name, t.od_mm, t.straights, t.cuffs, t.part) for t in request.tubes] == [
        ("main hoop", 45.0, 3, 2, "cage"),
        ("recess", 38.0, 1, 2, "trim"),
    ]
    assert (request.pointers[0].part, request.pointers[0].name) == ("trim", "upper lip 1")


def test_a_rule_without_a_length_stays_without_one() -> None:
    request = read(rules=2, rule_mm=[801.0])
    assert [r.length_mm for r in request.rules] == [801.0, None]


def test_a_reading_of_the_printed_rulers_becomes_the_printers_scale() -> None:
    printer = read(measured=(149.6, 150.3)).printer
    assert printer is not None
    assert printer.short_edge == pytest.approx(149.6 / 150.0)
    assert printer.long_edge == pytest.approx(150.3 / 150.0)


@pytest.mark.parametrize(
    ("option", "text"),
    [
        ("tags", "shell"),
        ("tags", "shell:many"),
        ("tags", "shell:4:big"),
        ("tags", "a:1:2:3"),
        ("tubes", "hoop"),
        ("tubes", "hoop:wide"),
        ("tubes", "hoop:45:x"),
        ("tubes", "hoop:45:1:2:cage:more"),
        ("pointers", "lip"),
    ],
)
def test_what_cannot_be_read_is_quoted_with_what_to_write(option: str, text: str) -> None:
    with pytest.raises(InputError, match="write") as caught:
        read(**{option: [text]})  # type: ignore[arg-type]
    assert repr(text) in str(caught.value)


def test_more_lengths_than_rules_are_refused() -> None:
    with pytest.raises(InputError, match="2 lengths for 1 rules"):
        read(rules=1, rule_mm=[800.0, 900.0])
