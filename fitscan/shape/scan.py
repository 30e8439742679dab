"""A scan of a surface from a file: triangles or a cloud of points, in millimetres.

Where it lies in a survey is left to `scan_place`, what is near a bar to `scan_surface`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array
from fitscan.shape.open3d_door import load_open3d
from fitscan.store.digest import sha256_of_file

__all__ = ["UNITS_MM", "Scan", "read_scan"]

UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
"""Length units that scans come in, by name, in mm."""

_ENDINGS = (".ply", ".stl", ".obj")
_FEWEST = 10


@dataclass(frozen=True)
class Scan:
    """A scanned surface in its own frame.

    Attributes:
        name: of its file; sha256: of its content.
        vertices: (n, 3) mm.
        triangles: (m, 3) rows of vertices; none for a cloud of points.
        normals: (n, 3) unit vectors as the file or the triangles give them, or none (0, 3).
    """

    name: str
    sha256: str
    vertices: Array
    triangles: npt.NDArray[np.int64]
    normals: Array

    @property
    def is_cloud(self) -> bool:
        """Whether it is points without triangles."""
        return len(self.triangles) == 0


def read_scan(path: str | os.PathLike[str], unit: str = "mm") -> Scan:
    """Read a scan.

    Args:
        path: a PLY, STL or OBJ file.
        unit: of its coordinates, a key of `UNITS_MM`; files do not say it themselves.

    Raises:
        InputError: no such file, another kind of file, an unknown unit, or nothing in it.
        EnvironmentProblem: Open3D or one of its system packages is missing.
    """
    file = Path(path)
    if unit not in UNITS_MM:
        raise InputError(f"{unit!r} is no unit", "scan", f"use one of: {', '.join(UNITS_MM)}")
    digest = sha256_of_file(file)
    if file.suffix.casefold() not in _ENDINGS:
        raise InputError(
            "This is not a kind of scan that can be read",
            file,
            "save the scan as PLY, STL or OBJ",
        )
    vertices, triangles = _content(file)
    if len(vertices) < _FEWEST:
        raise InputError(
            "No surface could be read from this file", file, "save the scan anew as PLY, STL or OBJ"
        )
    bad = ~np.all(np.isfinite(vertices), axis=1)
    if bad.any():
        raise InputError(
            f"{int(bad.sum())} of the scan's {len(vertices)} points are not numbers",
            file,
            "clean the scan and save it anew",
        )
    vertices = vertices * UNITS_MM[unit]
    return Scan(file.name, digest, vertices, triangles, _vertex_normals(vertices, triangles))


def _content(file: Path) -> tuple[Array, npt.NDArray[np.int64]]:
    """Vertices (n, 3) in the file's unit, corners that coincide merged, and triangles (m, 3)."""
    open3d = load_open3d()
    try:
        mesh = open3d.io.read_triangle_mesh(str(file))
        mesh.remove_duplicated_vertices()
        vertices = np.asarray(mesh.vertices, dtype=np.float64)
        triangles = np.asarray(mesh.triangles, dtype=np.int64)
        if len(triangles) == 0 and file.suffix.casefold() == ".ply":
            cloud = open3d.io.read_point_cloud(str(file))
            vertices = np.asarray(cloud.points, dtype=np.float64)
    except RuntimeError as error:
        raise InputError(
            "The scan's file is damaged or of another kind than its name says", file, "save it anew"
        ) from error
    return vertices.reshape(-1, 3), triangles.reshape(-1, 3)


def _vertex_normals(vertices: Array, triangles: npt.NDArray[np.int64]) -> Array:
    """Mean of the triangles' normals at each vertex, weighted by area; none for a cloud."""
    if len(triangles) == 0:
        return np.zeros((0, 3))
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    face = np.cross(b - a, c - a)
    out = np.zeros_like(vertices)
    for i in range(3):
        np.add.at(out, triangles[:, i], face)
    size = np.linalg.norm(out, axis=1)
    return np.asarray(out / np.maximum(size, 1e-12)[:, None])
