"""What a user asks `sheets` to print, checked before anything is drawn.

Which id each marker gets is left to `sheet_plan`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from fitscan.errors import InputError
from fitscan.markers.family import CELLS, FAMILY_SIZE
from fitscan.markers.kit import PAPER_MM
from fitscan.markers.sheet_page import PAPERS, Format
from fitscan.markers.sheet_tags import NECK_MM, SHOULDER_CELLS

__all__ = [
    "OD_RANGE_MM",
    "PointerRequest",
    "PrinterScale",
    "RuleRequest",
    "SheetRequest",
    "TagGroup",
    "TubeRequest",
]

OD_RANGE_MM = (20.0, 76.0)
"""Outside diameters of tube that cuffs are made for."""

NAME_LENGTH = 32
"""Longest name that stays readable on a small marker."""

ARROW_MM = 6.0
"""Shortest arrow that can still be cut to a sharp tip."""


@dataclass(frozen=True)
class TagGroup:
    """Flat tags for one part.

    Attributes:
        part: the part they will be stuck to.
        count: how many.
        side_mm: of the black square.
        where: one line on where to stick them; empty for the usual advice for this part.
    """

    part: str
    count: int
    side_mm: float = 40.0
    where: str = ""


@dataclass(frozen=True)
class TubeRequest:
    """Cuffs for one tube.

    Attributes:
        name: the tube's name.
        od_mm: its outside diameter, 20 to 76.
        part: the part that the tube belongs to.
        straights: how many straights of the tube get cuffs.
        cuffs: cuffs on each straight; two or more make its axis sure.
    """

    name: str
    od_mm: float
    part: str = "cage"
    straights: int = 1
    cuffs: int = 2


@dataclass(frozen=True)
class PointerRequest:
    """A tag whose printed arrow ends on a point of a part.

    Attributes:
        name: of the point, as it will stand in results: "upper lip 1".
        part: that the point belongs to.
        side_mm: of the black square.
        reach_mm: from the tag's centre down to the arrow's tip.
    """

    name: str
    part: str
    side_mm: float = 20.0
    reach_mm: float = 25.0


@dataclass(frozen=True)
class RuleRequest:
    """A pair of tags for one straight bar, and their distance if it is known already."""

    length_mm: float | None = None
    u_mm: float = 0.3
    side_mm: float = 40.0


@dataclass(frozen=True)
class PrinterScale:
    """What the rulers of an earlier sheet measured, divided by 150.0, by the paper's edge."""

    short_edge: float
    long_edge: float


@dataclass(frozen=True)
class SheetRequest:
    """Everything for one PDF and the kit that belongs to it.

    Attributes:
        name: printed on every sheet, so that sheets of two kits are not mixed.
        paper: "a4" or "letter".
        tags, tubes, pointers, rules: what to print; part names tie markers together.
        board: whether the board for the lens calibration is printed too.
        printer: draw everything larger or smaller to make up for a known printer; the kit
            then keeps printer scale 1.
        first_id: lowest id used, so that sheets can be added to a kit that exists.
        paper_mm: thickness from the tube's surface to the ink of a cuff.
    """

    name: str = "kit"
    paper: Literal["a4", "letter"] = "a4"
    tags: tuple[TagGroup, ...] = ()
    tubes: tuple[TubeRequest, ...] = ()
    pointers: tuple[PointerRequest, ...] = ()
    rules: tuple[RuleRequest, ...] = ()
    board: bool = True
    printer: PrinterScale | None = None
    first_id: int = 0
    paper_mm: float = PAPER_MM

    def checked_format(self) -> Format:
        """Check every value and return the paper to draw on.

        Raises:
            InputError: the first value that cannot be printed, by its name.
        """
        if self.paper not in PAPERS:
            raise InputError(
                f"There is no paper size '{self.paper}'", "paper", f"use {' or '.join(PAPERS)}"
            )
        _check_name(self.name, "name of the kit")
        _check_whole(self.first_id, 0, FAMILY_SIZE - 1, "first id")
        _check_length(self.paper_mm, 0.0, 1.0, "paper thickness")
        for group in self.tags:
            _check_tags(group)
        for tube in self.tubes:
            _check_tube(tube)
        for pointer in self.pointers:
            _check_pointer(pointer)
        for n, rule in enumerate(self.rules, 1):
            _check_rule(rule, n)
        _check_unique([t.name for t in self.tubes], "tube")
        _check_unique([p.name for p in self.pointers], "pointer")
        anything = any(g.count for g in self.tags) or self.tubes or self.pointers or self.rules
        if not anything and not self.board:
            raise InputError(
                "There is nothing to print", "sheets", "ask for tags, cuffs or the board"
            )
        return self._format()

    def _format(self) -> Format:
        paper = PAPERS[self.paper]
        if self.printer is None:
            return Format(paper)
        for value, edge in ((self.printer.short_edge, "short"), (self.printer.long_edge, "long")):
            if not 0.95 <= value <= 1.05:
                raise InputError(
                    f"A printer scale of {value:g} is more than 5 % off",
                    f"printer, {edge} edge",
                    "print with 'actual size' or 100 % and give measured / 150.0",
                )
        return Format(paper, self.printer.short_edge, self.printer.long_edge)


def _check_tags(group: TagGroup) -> None:
    _check_name(group.part, "part of the tags")
    _check_whole(group.count, 0, FAMILY_SIZE, f"number of tags for {group.part}")
    _check_length(group.side_mm, 10.0, 120.0, f"side of the tags for {group.part}")
    if group.where:
        _check_name(group.where, f"where to stick the tags for {group.part}", 80)


def _check_tube(tube: TubeRequest) -> None:
    _check_name(tube.name, "name of a tube")
    _check_name(tube.part, f"part of tube {tube.name}")
    low, high = OD_RANGE_MM
    if not low <= tube.od_mm <= high:
        raise InputError(
            f"No cuff can be made for an outside diameter of {tube.od_mm:g} mm",
            f"tube {tube.name}",
            f"give {low:g} to {high:g} mm, or use flat tags on this tube's plates",
        )
    _check_whole(tube.straights, 1, 20, f"straights of tube {tube.name}")
    _check_whole(tube.cuffs, 1, 10, f"cuffs per straight of tube {tube.name}")


def _check_pointer(pointer: PointerRequest) -> None:
    _check_name(pointer.name, "name of a pointer")
    _check_name(pointer.part, f"part of pointer {pointer.name}")
    _check_length(pointer.side_mm, 10.0, 60.0, f"side of pointer {pointer.name}")
    nearest = math.ceil(pointer.side_mm * (0.5 + SHOULDER_CELLS / CELLS) + NECK_MM + ARROW_MM)
    _check_length(pointer.reach_mm, float(nearest), 120.0, f"reach of pointer {pointer.name}")


def _check_rule(rule: RuleRequest, n: int) -> None:
    _check_length(rule.side_mm, 10.0, 80.0, f"side of rule {n}")
    if rule.length_mm is not None:
        _check_length(rule.length_mm, 100.0, 5000.0, f"length of rule {n}")
    _check_length(rule.u_mm, 0.01, 10.0, f"uncertainty of rule {n}")


def _check_name(name: str, what: str, longest: int = NAME_LENGTH) -> None:
    if not name.strip() or len(name) > longest:
        raise InputError(
            f"The {what} has {len(name)} characters", f"'{name[:40]}'", f"give 1 to {longest}"
        )
    for sign in name:
        known = sign.isalnum() or sign in " -_.,/()+&#:"
        if not known or not _prints(sign):
            raise InputError(
                f"The {what} has the character {sign!r}",
                f"'{name}'",
                "use letters, digits, spaces and - _ . , / ( ) + & # :",
            )


def _prints(sign: str) -> bool:
    """Whether the fonts that every PDF reader carries have this character."""
    try:
        sign.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


def _check_whole(value: int, low: int, high: int, what: str) -> None:
    if value != int(value) or not low <= value <= high:
        raise InputError(f"{value} is out of range", what, f"give a whole number {low} to {high}")


def _check_length(value: float, low: float, high: float, what: str) -> None:
    if not low <= value <= high:
        raise InputError(f"{value:g} mm is out of range", what, f"give {low:g} to {high:g} mm")


def _check_unique(names: list[str], what: str) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise InputError(f"Two of them are called '{name}'", what, "give each its own name")
        seen.add(name)
