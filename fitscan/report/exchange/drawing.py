"""Axes and points as a DXF drawing (R2010) in space, in millimetres, a layer for each thing.

Lines and points only: a drawing program puts its own tubes on the axes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.report.shapes import Shapes

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

__all__ = ["dxf_of"]

_TEXT_MM = 12.0
_COLOURS = {"AXES": 2, "SEATS": 5, "MARKERS": 4, "POINTERS": 6, "RULES": 8, "GAPS": 1, "MOVES": 30}
"""AutoCAD colour index by the layer's first word."""

_SPANS = {"gap": "GAPS", "move": "MOVES", "rule": "RULES"}


def dxf_of(shapes: Shapes, remarks: Sequence[str]) -> bytes:
    """Content of the file.

    Args:
        shapes: in the told frame, mm.
        remarks: sentences that stand beside the drawing, on the layer NOTES.
    """
    from ezdxf import units
    from ezdxf.filemanagement import new

    document = new("R2010", units=units.MM)
    for n, remark in enumerate(remarks):
        document.header.custom_vars.append(f"fitscan {n + 1}", _line(remark))
    space = document.modelspace()
    layers: set[str] = set()

    def layer(first: str, rest: str = "") -> dict[str, str]:
        name = f"{first} {_layer_words(rest)}".strip()
        if name not in layers:
            document.layers.add(name, color=_COLOURS.get(first, 7))
            layers.add(name)
        return {"layer": name}

    for tube in shapes.tubes:
        where = layer("SEATS" if tube.role == "seat" else "AXES", tube.part)
        _run(space, tube.path, where)
        _text(space, tube.path.mean(axis=0), f"{tube.name}, {tube.od_mm:g} mm", layer("NAMES"))
    for spot in shapes.spots:
        where = layer("POINTERS" if spot.kind == "tip" else "MARKERS", spot.part)
        space.add_point(spot.place.tolist(), dxfattribs=where)
        if spot.tail is not None:
            space.add_line(spot.tail.tolist(), spot.place.tolist(), dxfattribs=where)
        name = spot.name if spot.kind == "tip" else str(spot.marker_id)
        _text(space, spot.place, name, layer("NAMES"))
    for span in shapes.spans:
        where = layer(_SPANS[span.role])
        space.add_line(span.ends[0].tolist(), span.ends[1].tolist(), dxfattribs=where)
    _notes(space, shapes, remarks, layer("NOTES"))
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode("utf-8")


def _run(space: Modelspace, path: Array, where: dict[str, str]) -> None:
    if len(path) == 2:
        space.add_line(path[0].tolist(), path[1].tolist(), dxfattribs=where)
    else:
        space.add_polyline3d(path.tolist(), dxfattribs=where)


def _text(space: Modelspace, place: Array, words: str, where: dict[str, str]) -> None:
    text = space.add_text(_line(words), height=_TEXT_MM, dxfattribs=where)
    text.set_placement(place.tolist())


def _notes(
    space: Modelspace, shapes: Shapes, remarks: Sequence[str], where: dict[str, str]
) -> None:
    places = [s.place for s in shapes.spots] or [np.zeros(3)]
    low = np.min(places, axis=0)
    for n, remark in enumerate(remarks):
        _text(space, low - [0.0, 100.0 + 2.0 * _TEXT_MM * n, 0.0], remark, where)


def _line(words: str) -> str:
    """One line without what DXF reads as a code."""
    return " ".join(words.replace("^", " ").replace("%%", "% %").split())


def _layer_words(words: str) -> str:
    """A part's name without the signs that no layer may have."""
    return re.sub(r"[<>/\\\":;?*|=`'\x00-\x1f]", "_", words).strip()[:60]
