"""What a person types for `fitscan sheets`, turned into a request.

Checking the values themselves is left to `sheet_request`.
"""

from __future__ import annotations

from typing import Literal, cast

from fitscan.errors import InputError
from fitscan.markers.sheet_request import (
    PointerRequest,
    PrinterScale,
    RuleRequest,
    SheetRequest,
    TagGroup,
    TubeRequest,
)

__all__ = ["request_from_text"]


def request_from_text(
    name: str,
    paper: str,
    tags: list[str],
    tubes: list[str],
    pointers: list[str],
    rules: int,
    rule_mm: list[float],
    *,
    board: bool,
    first_id: int,
    measured_150_mm: tuple[float, float] | None,
) -> SheetRequest:
    """Read the short forms.

    Args:
        name: of the kit.
        paper: "a4" or "letter".
        tags: PART:COUNT or PART:COUNT:SIDE_MM.
        tubes: NAME:OD_MM, then optionally :STRAIGHTS, :CUFFS (on each straight) and :PART.
        pointers: PART:NAME.
        rules: pairs of tags.
        rule_mm: measured lengths of the first ones.
        board: whether to print it.
        first_id: lowest id.
        measured_150_mm: reading of the 150 mm rulers along the short and the long edge.

    Raises:
        InputError: a short form that cannot be read.
    """
    if len(rule_mm) > rules:
        raise InputError(
            f"There are {len(rule_mm)} lengths for {rules} rules", "--rule-mm", "give one for each"
        )
    lengths = [*rule_mm, *[None] * (rules - len(rule_mm))]
    printer = None
    if measured_150_mm is not None:
        printer = PrinterScale(measured_150_mm[0] / 150.0, measured_150_mm[1] / 150.0)
    return SheetRequest(
        name=name,
        # The request refuses any other paper with a sentence of its own.
        paper=cast("Literal['a4', 'letter']", paper.lower()),
        tags=tuple(_tags(t) for t in tags),
        tubes=tuple(_tube(t) for t in tubes),
        pointers=tuple(_pointer(p) for p in pointers),
        rules=tuple(RuleRequest(length_mm=length) for length in lengths),
        board=board,
        printer=printer,
        first_id=first_id,
    )


def _tags(text: str) -> TagGroup:
    fields = text.split(":")
    if len(fields) not in (2, 3):
        raise _unread("--tags", text, "PART:COUNT or PART:COUNT:SIDE_MM, like shell:24:40")
    count = _whole(fields[1], "--tags", text)
    if len(fields) == 2:
        return TagGroup(fields[0], count)
    return TagGroup(fields[0], count, _number(fields[2], "--tags", text))


def _tube(text: str) -> TubeRequest:
    fields = text.split(":")
    if not 2 <= len(fields) <= 5:
        wanted = "NAME:OD_MM[:STRAIGHTS[:CUFFS[:PART]]], like 'main hoop:45:3:2'"
        raise _unread("--tube", text, wanted)
    od = _number(fields[1], "--tube", text)
    straights = _whole(fields[2], "--tube", text) if len(fields) > 2 else 1
    cuffs = _whole(fields[3], "--tube", text) if len(fields) > 3 else 2
    part = fields[4] if len(fields) > 4 else "cage"
    return TubeRequest(fields[0], od, part=part, straights=straights, cuffs=cuffs)


def _pointer(text: str) -> PointerRequest:
    part, colon, name = text.partition(":")
    if not colon:
        raise _unread("--pointer", text, "PART:NAME, like 'trim:upper lip 1'")
    return PointerRequest(name, part)


def _whole(text: str, option: str, whole: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise _unread(option, whole, f"a whole number instead of {text!r}") from None


def _number(text: str, option: str, whole: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise _unread(option, whole, f"a number of millimetres instead of {text!r}") from None


def _unread(option: str, text: str, wanted: str) -> InputError:
    return InputError(f"{text!r} cannot be read", option, f"write {wanted}")
