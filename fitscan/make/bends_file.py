"""A bend table as a person types it, as sentences, and as a JSON file.

The arithmetic is left to `bends`, the screen's table to `fitscan.report`.
"""

from __future__ import annotations

import math
from typing import ClassVar

import numpy as np
from pydantic import BaseModel, ConfigDict

from fitscan.errors import InputError
from fitscan.make.bends import (
    Bend,
    Bender,
    BendTable,
    arc_mm,
    from_apexes,
    from_rows,
    setback_mm,
    to_apexes,
)
from fitscan.store.json_file import JsonDocument

__all__ = ["CAUTIONS", "BendRow", "BendsFile", "bend_rows", "bends_document", "table_from_text"]

CAUTIONS = (
    "Bend a trial piece of the same tube first, and hold it to its place before cutting or "
    "bending the real one: radius and spring-back differ from tube to tube.",
    "Machines differ in which way they count the turn: here it is clockwise as one looks along "
    "the tube from its start.",
    "This is arithmetic only. It does not approve a design, a bend or a material: the rules of the "
    "sanctioning body, local law and a licensed or scrutineering person decide.",
)

Vector = tuple[float, float, float]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class BendRow(_Model):
    """One bend: what the bender does, and the numbers behind it."""

    feed_mm: float
    turn_deg: float
    bend_deg: float
    set_deg: float
    arc_mm: float
    setback_mm: float
    start_mm: float


class BendsFile(JsonDocument):
    """A bend table as stored; the points are start, apexes, end."""

    KIND: ClassVar[str] = "fitscan.bends"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    clr_mm: float
    between_mm: float
    ends_mm: float
    springback_percent: float
    springback_deg: float
    bends: tuple[BendRow, ...]
    last_mm: float
    developed_mm: float
    points_mm: tuple[Vector, ...]
    caution: str


def bend_rows(table: BendTable) -> tuple[BendRow, ...]:
    """The rows of a table with the numbers behind them."""
    b = table.bender
    return tuple(
        BendRow(
            feed_mm=bend.feed_mm,
            turn_deg=math.degrees(bend.turn_rad),
            bend_deg=math.degrees(bend.bend_rad),
            set_deg=math.degrees(table.set_rad(bend)),
            arc_mm=arc_mm(b.clr_mm, bend.bend_rad),
            setback_mm=setback_mm(b.clr_mm, bend.bend_rad),
            start_mm=start,
        )
        for bend, start in zip(table.bends, table.starts_mm, strict=True)
    )


def bends_document(table: BendTable) -> BendsFile:
    """Turn a table into its file's model."""
    from fitscan import __version__

    b = table.bender
    return BendsFile(
        tool_version=__version__,
        clr_mm=b.clr_mm,
        between_mm=b.between_mm,
        ends_mm=b.ends_mm,
        springback_percent=b.springback_percent,
        springback_deg=b.springback_deg,
        bends=bend_rows(table),
        last_mm=table.last_mm,
        developed_mm=table.developed_mm,
        points_mm=tuple((float(x), float(y), float(z)) for x, y, z in to_apexes(table)),
        caution=" ".join(CAUTIONS),
    )


def table_from_text(
    points: list[str], bends: list[str], last_mm: float | None, bender: Bender
) -> BendTable:
    """Read points X,Y,Z, or rows FEED:TURN:ANGLE with the last straight.

    Raises:
        InputError: both or neither given, a short form that cannot be read, or what `bends`
            refuses.
    """
    if bool(points) == bool(bends):
        raise InputError(
            "A tube is given by its points or by its bends", "bends",
            "give --point three times or more, or --bend and --last-mm",
        )  # fmt: skip
    if (last_mm is not None) != bool(bends):
        raise InputError(
            "The straight after the last bend belongs to --bend", "--last-mm",
            "give it with --bend, and only there",
        )  # fmt: skip
    if points:
        rows = [_numbers(text, ",", "--point", "X,Y,Z in mm, like 0,0,700") for text in points]
        return from_apexes(np.array(rows), bender)
    typed = [_numbers(t, ":", "--bend", "FEED:TURN:ANGLE, like 565:0:90") for t in bends]
    table = [Bend(feed, math.radians(turn), math.radians(angle)) for feed, turn, angle in typed]
    return from_rows(table, last_mm or 0.0, bender)


def _numbers(text: str, mark: str, option: str, form: str) -> Vector:
    try:
        a, b, c = (float(field) for field in text.split(mark))
    except ValueError:
        raise InputError(f"{text!r} cannot be read", option, f"write {form}") from None
    return a, b, c
