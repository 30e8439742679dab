"""The kit: what every printed thing is, its size, and which part it is stuck to.

Reading is strict, because a wrong size in the kit is a wrong cut later; where the ink lies on
each marker is left to `layout`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from fitscan.errors import InputError
from fitscan.markers.family import FAMILY_SIZE
from fitscan.store.toml_file import read_toml
from fitscan.store.validate import Mistake

__all__ = [
    "CuffSpec",
    "DatumSpec",
    "Kit",
    "PointerSpec",
    "PrinterSpec",
    "RuleSpec",
    "TagSpec",
    "read_kit",
]

TagId = Annotated[int, Field(ge=0, lt=FAMILY_SIZE)]
Length = Annotated[float, Field(gt=0, lt=10_000, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80)]

PAPER_MM = 0.15
"""Distance from the tube's surface to the ink of a cuff, unless the kit says otherwise."""


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PrinterSpec(_Entry):
    """What a steel rule says of the sheet's printed scale: measured / nominal."""

    across: Annotated[float, Field(gt=0.9, lt=1.1)] = 1.0
    along: Annotated[float, Field(gt=0.9, lt=1.1)] = 1.0


class TagSpec(_Entry):
    """A flat square marker on a part; side_mm is the nominal black square."""

    id: TagId
    side_mm: Length
    part: Name
    name: str = ""


class PointerSpec(_Entry):
    """A flat tag with a printed arrow whose tip lies reach_mm below the tag's centre."""

    id: TagId
    side_mm: Length
    reach_mm: Length
    part: Name
    name: Name


class CuffSpec(_Entry):
    """A strip of tags wrapped once round a tube."""

    first_id: TagId
    od_mm: Length
    columns: Annotated[int, Field(ge=3, le=24)]
    rows: Annotated[int, Field(ge=1, le=6)]
    side_mm: Length
    row_pitch_mm: Length
    part: Name
    tube: Name
    straight: Annotated[int, Field(ge=1)] = 1
    paper_mm: Annotated[float, Field(ge=0, lt=3)] = PAPER_MM

    @property
    def ids(self) -> range:
        """Ids on the strip: along the top row first, then the next row down."""
        return range(self.first_id, self.first_id + self.columns * self.rows)

    @model_validator(mode="after")
    def _fits_round_the_tube(self) -> CuffSpec:
        room = 3.141592653589793 * (self.od_mm + 2 * self.paper_mm)
        if self.columns * self.side_mm > room:
            raise ValueError(
                f"{self.columns} tags of {self.side_mm:g} mm do not fit round a tube of "
                f"{self.od_mm:g} mm ({room:.1f} mm round)"
            )
        if self.rows > 1 and self.row_pitch_mm < self.side_mm:
            raise ValueError("row_pitch_mm is smaller than side_mm, so the rows overlap")
        if self.first_id + self.columns * self.rows > FAMILY_SIZE:
            raise ValueError(f"its last id is over {FAMILY_SIZE - 1}")
        return self


class RuleSpec(_Entry):
    """Two tags whose centre distance was measured: the scale."""

    ids: tuple[TagId, TagId]
    length_mm: Length
    u_mm: Annotated[float, Field(gt=0, lt=100)]


class DatumSpec(_Entry):
    """Four markers that fix the car's axes: X from rear to front, Y to the left, Z up."""

    rear: TagId
    front: TagId
    right: TagId
    left: TagId


class Kit(_Entry):
    """Everything that was printed for one job."""

    schema_version: Literal[1] = 1
    printer: PrinterSpec | None = None
    tag: tuple[TagSpec, ...] = ()
    pointer: tuple[PointerSpec, ...] = ()
    cuff: tuple[CuffSpec, ...] = ()
    rule: tuple[RuleSpec, ...] = ()
    datum: DatumSpec | None = None

    @model_validator(mode="after")
    def _ids_are_unique_and_known(self) -> Kit:
        owners: dict[int, str] = {}
        for i, owner, path in self._owners():
            if i in owners:
                raise Mistake(
                    f"id {i} is given to more than one marker: {owners[i]} and {owner}", path
                )
            owners[i] = owner
        flat = {t.id for t in self.tag} | {p.id for p in self.pointer}
        for n, rule in enumerate(self.rule):
            for i in rule.ids:
                if i not in flat:
                    reason = f"rule {list(rule.ids)}: id {i} has no [[tag]] entry"
                    raise Mistake(reason, ("rule", n, "ids"))
            if rule.ids[0] == rule.ids[1]:
                reason = f"rule {list(rule.ids)} has the same id at both ends"
                raise Mistake(reason, ("rule", n, "ids"))
        if self.datum is not None:
            for end in DatumSpec.model_fields:
                i = getattr(self.datum, end)
                if i not in flat:
                    reason = f"datum: id {i} is not a tag or pointer of this kit"
                    raise Mistake(reason, ("datum", end))
        return self

    def _owners(self) -> Iterator[tuple[int, str, tuple[str | int, ...]]]:
        """Every printed id with the words that name its table in the file, and the key's path."""
        for n, tag in enumerate(self.tag):
            yield tag.id, f"[[tag]] number {n + 1}", ("tag", n, "id")
        for n, pointer in enumerate(self.pointer):
            yield pointer.id, f"[[pointer]] number {n + 1}", ("pointer", n, "id")
        for n, cuff in enumerate(self.cuff):
            words = f"[[cuff]] number {n + 1} ({cuff.ids[0]} to {cuff.ids[-1]})"
            for i in cuff.ids:
                yield i, words, ("cuff", n, "first_id")

    @property
    def tag_ids(self) -> list[int]:
        """Every printed id, cuffs' ids included, in the order of the file."""
        return [i for i, _, _ in self._owners()]

    @property
    def parts(self) -> list[str]:
        """Names of the parts, in the order of the file."""
        named = [m.part for group in (self.tag, self.pointer, self.cuff) for m in group]
        return list(dict.fromkeys(named))

    def part_of(self, marker_id: int) -> str:
        """Part of a marker, by its id (a cuff by its first id)."""
        for group in (self.tag, self.pointer):
            for m in group:
                if m.id == marker_id:
                    return m.part
        for c in self.cuff:
            if c.first_id == marker_id:
                return c.part
        raise InputError(f"Marker {marker_id} is not in the kit", "kit", "add it to the kit file")


def read_kit(path: Path) -> Kit:
    """Read a kit file.

    Raises:
        InputError: missing, not TOML, a wrong table, key or value, each named, or no marker.
    """
    kit = read_toml(path, Kit)
    if not kit.tag_ids:
        raise InputError(
            "The kit lists no tag, pointer or cuff",
            path,
            "name the kit file that belongs to your sheets",
        )
    return kit
