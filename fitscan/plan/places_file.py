"""A rough list of where things are, written by hand: enough to plan a shoot by.

What is printed on them is in the kit; a hand's width is good enough, because a plan asks from
where a marker is seen and not where it is.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from fitscan.errors import InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import CuffSpec, Kit
from fitscan.plan.stage import Bar, Box, Stage, discs_of
from fitscan.store.toml_file import read_toml
from fitscan.store.validate import Mistake

__all__ = ["PlacesFile", "read_places", "stage_of"]

Number = Annotated[float, Field(ge=-1e5, le=1e5, allow_inf_nan=False)]
Point = tuple[Number, Number, Number]
Word = Literal["forward", "back", "left", "right", "up", "down"]

_WAYS: dict[str, tuple[float, float, float]] = {
    "forward": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "up": (0.0, 0.0, 1.0),
    "down": (0.0, 0.0, -1.0),
}


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class TagsPlace(_Entry):
    """Flat markers at one place, or in a row from start to end; `faces` is where the print looks.

    faces is a word (forward, back, left, right, up, down) or three numbers.
    """

    ids: Annotated[tuple[int, ...], Field(min_length=1)]
    start: Point
    end: Point | None = None
    faces: Word | Point

    @model_validator(mode="after")
    def _a_row_has_an_end(self) -> TagsPlace:
        if len(self.ids) > 1 and self.end is None:
            raise Mistake("several ids in one entry need an end as well", ("end",))
        if not isinstance(self.faces, str) and np.linalg.norm(self.faces) < 1e-6:
            raise Mistake("faces is no direction", ("faces",))
        return self


class TubePlace(_Entry):
    """A straight of a tube, whose cuffs are taken to sit evenly along it."""

    name: str
    straight: Annotated[int, Field(ge=1)] = 1
    start: Point
    end: Point

    @model_validator(mode="after")
    def _has_a_length(self) -> TubePlace:
        if np.linalg.norm(np.subtract(self.end, self.start)) < 50.0:
            raise Mistake("start and end are less than 50 mm apart", ("end",))
        return self


class BlockPlace(_Entry):
    """A box that one can neither see through nor stand in; a wall may have no thickness."""

    start: Point
    end: Point


class PlacesFile(_Entry):
    """Where things are, mm: X forward, Y left, Z up, from any point; the ground is at ground_mm."""

    schema_version: Literal[1] = 1
    ground_mm: Number = 0.0
    tag: tuple[TagsPlace, ...] = ()
    tube: tuple[TubePlace, ...] = ()
    block: tuple[BlockPlace, ...] = ()


def read_places(path: Path) -> PlacesFile:
    """Read the list.

    Raises:
        InputError: missing, not TOML, or a wrong table, key or value, each named.
    """
    return read_toml(path, PlacesFile)


def stage_of(places: PlacesFile, kit: Kit, where: str) -> Stage:
    """What stands where, in the list's own axes.

    Args:
        places: the list.
        kit: what is printed.
        where: the list's file, for messages.

    Raises:
        InputError: an id or a tube is not in the kit, or is placed twice.
    """
    flat = {t.id for t in kit.tag} | {p.id for p in kit.pointer}
    poses: dict[int, Rigid] = {}
    for entry in places.tag:
        spread = _along(entry.start, entry.end or entry.start, len(entry.ids), ends=True)
        for marker, at in zip(entry.ids, spread, strict=True):
            if marker not in flat:
                raise InputError(
                    f"Id {marker} is not a tag or pointer of this kit", where, "correct the id"
                )
            _once(poses, marker, where)
            poses[marker] = _facing(_way(entry.faces), at)
    bars: list[Bar] = []
    for tube in places.tube:
        cuffs = _cuffs_on(tube, kit, where)
        start, end = np.array(tube.start), np.array(tube.end)
        for cuff, at in zip(cuffs, _along(tube.start, tube.end, len(cuffs)), strict=True):
            _once(poses, cuff.first_id, where)
            poses[cuff.first_id] = _facing(end - start, at)
        several = len({c.straight for c in kit.cuff if c.tube == tube.name}) > 1
        name = f"{tube.name}, straight {tube.straight}" if several else tube.name
        bars.append(Bar(name, start, end, cuffs[0].od_mm / 2.0))
    boxes = tuple(
        Box(np.minimum(b.start, b.end) - 1.0, np.maximum(b.start, b.end) + 1.0)
        for b in places.block
    )
    if not poses:
        raise InputError("The list places no marker", where, "add [[tag]] and [[tube]] tables")
    return Stage(kit, poses, tuple(bars), discs_of(kit, poses), boxes)


def _once(poses: dict[int, Rigid], marker: int, where: str) -> None:
    if marker in poses:
        raise InputError(f"Marker {marker} is placed twice", where, "keep one of the two places")


def _cuffs_on(tube: TubePlace, kit: Kit, where: str) -> list[CuffSpec]:
    cuffs = [c for c in kit.cuff if c.tube == tube.name and c.straight == tube.straight]
    if not cuffs:
        known = ", ".join(dict.fromkeys(f"{c.tube!r} {c.straight}" for c in kit.cuff)) or "none"
        raise InputError(
            f"The kit has no cuff on straight {tube.straight} of a tube {tube.name!r}",
            where,
            f"use one of: {known}",
        )
    return cuffs


def _along(start: Point, end: Point, count: int, *, ends: bool = False) -> Array:
    """Points (n, 3) spread evenly; tags from end to end, cuffs a sixth of the straight inside."""
    a, b = np.array(start), np.array(end)
    if count == 1:
        return (0.5 * (a + b))[None] if not ends or np.any(a != b) else a[None]
    margin = 0.0 if ends else 1.0 / 6.0
    return np.asarray(a + np.linspace(margin, 1.0 - margin, count)[:, None] * (b - a))


def _way(faces: str | Point) -> Array:
    return np.array(_WAYS[faces] if isinstance(faces, str) else faces, dtype=np.float64)


def _facing(way: Array, centre: Array) -> Rigid:
    """frame_from_marker whose z runs along `way`, its y as far up as it can be."""
    z = way / np.linalg.norm(way)
    up = np.array([0.0, 0.0, 1.0]) if abs(z[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    x = np.cross(up, z)
    x /= np.linalg.norm(x)
    return Rigid(np.stack([x, np.cross(z, x), z], axis=1), centre)
