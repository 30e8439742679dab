"""The kit: what every printed thing is, its size, and which part it is stuck to.

Reading is strict, because a wrong size in the kit is a wrong cut later; where the ink lies on
each marker is left to `layout`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    field_validator,
    model_validator,
)

from fitscan.errors import InputError
from fitscan.markers.family import FAMILY_SIZE
from fitscan.store.toml_file import read_toml
from fitscan.store.validate import Mistake

__all__ = [
    "AnyDatum",
    "CuffSpec",
    "DatumSpec",
    "Kit",
    "PairsDatum",
    "PlaneDatum",
    "PlumbDatum",
    "PlumbSpec",
    "PointerSpec",
    "PrinterSpec",
    "RuleSpec",
    "TagSpec",
    "TubeSpec",
    "read_kit",
]

TagId = Annotated[int, Field(ge=0, lt=FAMILY_SIZE)]
Length = Annotated[float, Field(gt=0, lt=10_000, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80)]

PAPER_MM = 0.15
"""Distance from the tube's surface to the ink of a cuff, unless the kit says otherwise."""


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


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


class TubeSpec(_Entry):
    """What the cuffs cannot say of a tube: the radius to which its centre line is bent."""

    name: Name
    clr_mm: Length


class PlumbSpec(_Entry):
    """Hanging strings, each touched by a low and a high pointer: true upright."""

    strings: Annotated[tuple[tuple[TagId, TagId], ...], Field(min_length=1)]


class _Datum(_Entry):
    """Markers that fix the car's axes (ISO 8855: X forward, Y to the left, Z up)."""

    def named(self) -> Iterator[tuple[tuple[str | int, ...], int]]:
        """Every marker's id with the keys that lead to it."""
        for key in type(self).model_fields:
            yield from _ids_under(getattr(self, key), (key,))

    @property
    def markers(self) -> tuple[int, ...]:
        """Ids, each once, in the order of the keys."""
        return tuple(dict.fromkeys(i for _, i in self.named()))


class DatumSpec(_Datum):
    """Four markers: X from rear to front, Y to the left, Z up, origin between rear and front."""

    kind: Literal["cross"] = "cross"
    rear: TagId
    front: TagId
    right: TagId
    left: TagId


class PlaneDatum(_Datum):
    """Z square to a plane of markers, X along a line (rear, front), origin at a point.

    left is a marker well to the left of the line, which tells up from down.
    """

    kind: Literal["plane"] = "plane"
    plane: Annotated[tuple[TagId, ...], Field(min_length=3)]
    line: tuple[TagId, TagId]
    point: TagId
    left: TagId


class PairsDatum(_Datum):
    """Y square to the centre plane of pairs (right, left); X near the line from rear to front."""

    kind: Literal["pairs"] = "pairs"
    pairs: Annotated[tuple[tuple[TagId, TagId], ...], Field(min_length=1)]
    rear: TagId
    front: TagId


class PlumbDatum(_Datum):
    """Z along the strings of the kit's [plumb]; X near the line from rear to front, but level."""

    kind: Literal["plumb"] = "plumb"
    rear: TagId
    front: TagId


_DATUMS: dict[str, type[_Datum]] = {
    "cross": DatumSpec,
    "plane": PlaneDatum,
    "pairs": PairsDatum,
    "plumb": PlumbDatum,
}


def _kind_of_datum(value: object) -> str:
    kind = value.get("kind", "cross") if isinstance(value, dict) else getattr(value, "kind", None)
    return f"a datum of the kind {kind}"


# The labels must not be keys of a file: a fault's place is found by what is in the file.
AnyDatum = Annotated[
    Annotated[DatumSpec, Tag("a datum of the kind cross")]
    | Annotated[PlaneDatum, Tag("a datum of the kind plane")]
    | Annotated[PairsDatum, Tag("a datum of the kind pairs")]
    | Annotated[PlumbDatum, Tag("a datum of the kind plumb")],
    Discriminator(_kind_of_datum),
]


def _as_tuples(value: object) -> object:
    """Lists of a file as the strict checker wants them once it no longer sees the file's text."""
    if isinstance(value, dict):
        return {key: _as_tuples(item) for key, item in value.items()}
    return tuple(_as_tuples(item) for item in value) if isinstance(value, list) else value


def _ids_under(
    value: object, path: tuple[str | int, ...]
) -> Iterator[tuple[tuple[str | int, ...], int]]:
    """Ids in a key's value, however deep; words are no ids."""
    if isinstance(value, int):
        yield path, value
    elif isinstance(value, tuple):
        for n, item in enumerate(value):
            yield from _ids_under(item, (*path, n))


class Kit(_Entry):
    """Everything that was printed for one job."""

    schema_version: Literal[1] = 1
    printer: PrinterSpec | None = None
    tag: tuple[TagSpec, ...] = ()
    pointer: tuple[PointerSpec, ...] = ()
    cuff: tuple[CuffSpec, ...] = ()
    rule: tuple[RuleSpec, ...] = ()
    tube: tuple[TubeSpec, ...] = ()
    plumb: PlumbSpec | None = None
    datum: AnyDatum | None = None

    @field_validator("datum", mode="before")
    @classmethod
    def _datum_has_the_keys_of_its_kind(cls, value: object) -> object:
        if not isinstance(value, dict):
            return value
        kind = value.get("kind", "cross")
        model = _DATUMS.get(kind) if isinstance(kind, str) else None
        if model is None:
            known = ", ".join(f'"{k}"' for k in _DATUMS)
            reason = f"there is no such kind of datum; write one of {known}"
            raise Mistake(reason, ("datum", "kind"))
        needed = [k for k in model.model_fields if k != "kind"]
        for key in value:
            if key not in model.model_fields:
                reason = f'a datum of the kind "{kind}" takes {", ".join(needed)} and nothing else'
                raise Mistake(reason, ("datum", key))
        missing = [k for k in needed if k not in value]
        if missing:
            reason = f'a datum of the kind "{kind}" also needs {" and ".join(missing)}'
            raise Mistake(reason, ("datum",))
        return _as_tuples(value)

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
        self._check_datum(flat)
        self._check_plumb()
        self._check_tubes()
        return self

    def _check_datum(self, flat: set[int]) -> None:
        if self.datum is None:
            return
        for keys, i in self.datum.named():
            if i not in flat:
                reason = f"datum: id {i} is not a tag or pointer of this kit"
                raise Mistake(reason, ("datum", *keys))
        if isinstance(self.datum, PlumbDatum) and self.plumb is None:
            reason = 'a datum of the kind "plumb" needs a [plumb] table with its strings'
            raise Mistake(reason, ("datum", "kind"))
        if isinstance(self.datum, PairsDatum):
            for n, (right, left) in enumerate(self.datum.pairs):
                if right == left:
                    reason = f"datum: the pair {[right, left]} has the same id on both sides"
                    raise Mistake(reason, ("datum", "pairs", n))
        if isinstance(self.datum, PlaneDatum) and len(set(self.datum.plane)) < 3:
            raise Mistake("datum: a plane needs three different markers", ("datum", "plane"))

    def _check_plumb(self) -> None:
        pointers = {p.id for p in self.pointer}
        for n, string in enumerate(self.plumb.strings if self.plumb else ()):
            for i in string:
                if i not in pointers:
                    reason = f"plumb: id {i} is not a pointer, and only a pointer's tip can touch"
                    raise Mistake(f"{reason} a string", ("plumb", "strings", n))
            if string[0] == string[1]:
                reason = f"plumb: the string {list(string)} has the same id at both places"
                raise Mistake(reason, ("plumb", "strings", n))

    def _check_tubes(self) -> None:
        tubes = {c.tube for c in self.cuff}
        for n, tube in enumerate(self.tube):
            if tube.name not in tubes:
                raise Mistake(f"no cuff is on a tube {tube.name!r}", ("tube", n, "name"))
            if tube.name in {t.name for t in self.tube[:n]}:
                raise Mistake(f"the tube {tube.name!r} is listed twice", ("tube", n, "name"))

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

    def clr_of(self, tube: str) -> float | None:
        """Centre-line radius of a tube's bends, mm, or None when the kit does not say it."""
        return next((t.clr_mm for t in self.tube if t.name == tube), None)

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
