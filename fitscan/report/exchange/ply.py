"""One coloured mesh of everything as PLY (binary, little-endian), in millimetres.

The form is that of the Stanford 3D Scanning Repository: a text header, then the numbers. Names do
not fit into it; `glb` keeps them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fitscan.report.exchange.solids import Solid, rgb
from fitscan.report.mesh import joined

__all__ = ["ply_of"]

_VERTEX = np.dtype([("xyz", "<f4", 3), ("rgb", "u1", 3)])
_FACE = np.dtype([("count", "u1"), ("corners", "<i4", 3)])


def ply_of(solids: list[Solid], remarks: Sequence[str]) -> bytes:
    """Content of the file.

    Args:
        solids: at least one.
        remarks: sentences for the header; each becomes a line of its own.
    """
    mesh = joined([s.mesh for s in solids])
    vertices = np.zeros(len(mesh.vertices), _VERTEX)
    vertices["xyz"] = mesh.vertices
    vertices["rgb"] = np.concatenate(
        [np.tile(rgb(s.colour), (len(s.mesh.vertices), 1)) for s in solids]
    )
    faces = np.zeros(len(mesh.faces), _FACE)
    faces["count"] = 3
    faces["corners"] = mesh.faces
    head = [
        "ply",
        "format binary_little_endian 1.0",
        *(f"comment {_plain(r)}" for r in remarks),
        f"element vertex {len(vertices)}",
        "property float x",
        "property float y",
        "property float z",
        "property uchar red",
        "property uchar green",
        "property uchar blue",
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    return ("\n".join(head) + "\n").encode("ascii") + vertices.tobytes() + faces.tobytes()


def _plain(text: str) -> str:
    """A header is ASCII, and a line is a line."""
    return " ".join(text.encode("ascii", "replace").decode("ascii").split())
