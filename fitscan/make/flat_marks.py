"""Pointers and tags as a person names them, for templates that lie on them.

What they mark is left to `fitscan.shape.marks`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fitscan.errors import InputError
from fitscan.markers.kit import Kit
from fitscan.survey.survey import Survey

__all__ = ["FlatMark", "flat_marks", "marks_named", "marks_of_part"]


@dataclass(frozen=True)
class FlatMark:
    """A pointer or a tag of a kit; `name` is its name, or says its id."""

    id: int
    name: str
    part: str


def flat_marks(kit: Kit) -> list[FlatMark]:
    """All pointers, then all tags."""
    pointers = [FlatMark(p.id, p.name, p.part) for p in kit.pointer]
    return pointers + [FlatMark(t.id, t.name or f"tag {t.id}", t.part) for t in kit.tag]


def marks_named(survey: Survey, names: Sequence[str], option: str) -> list[FlatMark]:
    """Pointers or tags by name or id, in the order given.

    Raises:
        InputError: none is called so, several are, or one is named twice.
    """
    out: list[FlatMark] = []
    for name in names:
        every = flat_marks(survey.kit)
        found = [m for m in every if m.name == name]
        if not found and name.strip().isdigit():
            found = [m for m in every if m.id == int(name)]
        if len(found) != 1:
            known = ", ".join(f"{p.name} ({p.id})" for p in survey.kit.pointer) or "none"
            many = "Several pointers are" if found else "No pointer or tag is"
            raise InputError(
                f"{many} called {name!r}", option, f"give a name or an id; the kit has: {known}"
            )
        if found[0] in out:
            raise InputError(f"{name!r} is named twice", option, "name each pointer once")
        out += found
    return out


def marks_of_part(survey: Survey, part: str, option: str) -> list[FlatMark]:
    """Pointers and tags of a part that the photos show.

    Raises:
        InputError: the kit has no such part, or none of its flat markers was found.
    """
    own = [m for m in flat_marks(survey.kit) if m.part == part]
    if not own:
        known = ", ".join(dict.fromkeys(m.part for m in flat_marks(survey.kit))) or "none"
        raise InputError(f"No flat marker is on a part {part!r}", option, f"use one of: {known}")
    seen = [m for m in own if survey.has(m.id)]
    if not seen:
        raise InputError(
            f"No flat marker of the part {part!r} was found in the photos", option,
            "add photos that show them",
        )  # fmt: skip
    return seen
