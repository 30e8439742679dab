"""Drawings as DXF in millimetres, side by side, a layer for each kind of line.

What is drawn is left to `flat` and `template`; paper to `flat_pdf`.
"""

from __future__ import annotations

import io

from fitscan.make.flat import Drawing, Kind, Label

__all__ = ["GAP_MM", "render_dxf"]

GAP_MM = 20.0
"""Between neighbouring drawings."""

COLOURS = {Kind.CUT: 1, Kind.TRIM: 7, Kind.MARK: 5, Kind.OUTLINE: 2, Kind.FOLD: 3, Kind.CENTRE: 6}
LINES = {Kind.FOLD: "DASHED", Kind.CENTRE: "CENTER"}
TEXT_LAYER = "TEXT"


def render_dxf(drawings: list[Drawing], remarks: tuple[str, ...]) -> bytes:
    """Write drawings into one DXF file (R2010, units mm), the first at the origin.

    Args:
        drawings: placed from left to right.
        remarks: sentences written under them, with the cautions.
    """
    from ezdxf import units
    from ezdxf.filemanagement import new

    document = new("R2010", setup=["linetypes"], units=units.MM)
    for kind in Kind:
        line = LINES.get(kind, "CONTINUOUS")
        document.layers.add(kind.value, color=COLOURS[kind], linetype=line)
    document.layers.add(TEXT_LAYER, color=8)
    space = document.modelspace()

    def write(label: Label, left: float) -> None:
        text = space.add_text(
            label.words,
            height=label.size * 0.7,
            rotation=90.0 if label.turned else 0.0,
            dxfattribs={"layer": TEXT_LAYER},
        )
        text.set_placement((left + label.x, label.y))

    left = 0.0
    for drawing in drawings:
        for stroke in drawing.strokes:
            points = [(left + x, y) for x, y in stroke.points.tolist()]
            space.add_lwpolyline(points, dxfattribs={"layer": stroke.kind.value})
        for label in drawing.labels:
            write(label, left)
        left += drawing.width + GAP_MM
    for n, line in enumerate(remarks, 1):
        write(Label(0.0, -6.0 * n, line, size=4.0), 0.0)
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode()
