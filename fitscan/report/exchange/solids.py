"""What meshes are made of: each tube, each part's markers, gaps and moves, with name and colour.

Files of them are left to `ply` and `glb`; moves are at their true size here, never longer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from fitscan.report.mesh import Mesh, fan, joined, round_bar
from fitscan.report.palette import COLOURS
from fitscan.report.shapes import Shapes

__all__ = ["Solid", "rgb", "solids_of"]

_WIRE_MM = 3.0
_PART_COLOURS = ("sky", "green", "purple", "orange")
_SHORTEST_MM = 1e-6


@dataclass(frozen=True)
class Solid:
    """A named mesh; colour in hexadecimal RGB; `text` says what it is, with U."""

    name: str
    mesh: Mesh
    colour: str
    text: str


def solids_of(shapes: Shapes) -> list[Solid]:
    """Everything that has a surface, in the shapes' frame, mm."""
    return [*_tubes(shapes), *_markers(shapes), *_wires(shapes)]


def _tubes(shapes: Shapes) -> Iterable[Solid]:
    for t in shapes.tubes:
        seat = t.role == "seat"
        name = f"{t.name}, where it should be" if seat else t.name
        colour = COLOURS["blue"] if seat else COLOURS["yellow"]
        yield Solid(name, round_bar(t.path, t.od_mm), colour, t.text)


def _markers(shapes: Shapes) -> Iterable[Solid]:
    for number, part in enumerate(dict.fromkeys(s.part for s in shapes.squares)):
        mesh = joined([fan(s.border) for s in shapes.squares if s.part == part])
        colour = COLOURS[_PART_COLOURS[number % len(_PART_COLOURS)]]
        yield Solid(f"markers on the {part}", mesh, colour, f"printed squares on the {part}")


def _wires(shapes: Shapes) -> Iterable[Solid]:
    for s in shapes.spots:
        if s.tail is not None:
            ends = np.stack([s.tail, s.place])
            yield Solid(f"pointer {s.name}", round_bar(ends, _WIRE_MM), COLOURS["black"], s.text)
    for span in shapes.spans:
        if np.linalg.norm(span.ends[1] - span.ends[0]) > _SHORTEST_MM:
            colour = COLOURS["black"] if span.role == "rule" else COLOURS["vermilion"]
            bar = round_bar(span.ends, _WIRE_MM)
            yield Solid(f"{span.role} {span.name}", bar, colour, span.text)


def rgb(colour: str) -> tuple[int, int, int]:
    """Red, green, blue, 0 to 255, of a hexadecimal colour."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
