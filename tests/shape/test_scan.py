"""Scans read from files that Open3D wrote; what is refused, and how a missing library is named."""

from __future__ import annotations

import builtins
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import open3d
import pytest

from fitscan.errors import EnvironmentProblem, InputError
from fitscan.shape.open3d_door import load_open3d
from fitscan.shape.scan import read_scan


def sphere() -> Any:
    return open3d.geometry.TriangleMesh.create_sphere(radius=50.0, resolution=20)


@pytest.mark.parametrize("ending", ["ply", "stl", "obj"])
def test_every_kind_of_mesh_keeps_its_triangles_and_merges_its_corners(
    tmp_path: Path, ending: str
) -> None:
    mesh = sphere()
    mesh.compute_vertex_normals()
    file = tmp_path / f"ball.{ending}"
    assert open3d.io.write_triangle_mesh(file, mesh)
    scan = read_scan(file)
    assert not scan.is_cloud
    assert len(scan.triangles) == len(mesh.triangles)
    # An STL file repeats every corner for each triangle.
    assert len(scan.vertices) == len(mesh.vertices)
    radius = np.linalg.norm(scan.vertices, axis=1)
    assert radius == pytest.approx(np.full(len(radius), 50.0), abs=1e-4)
    # Outwards, as the triangles are wound.
    cosine = (scan.normals * scan.vertices).sum(axis=1) / radius
    assert cosine.min() > 0.99


def test_a_cloud_is_a_cloud(tmp_path: Path) -> None:
    points = np.random.default_rng(1).normal(0.0, 10.0, (50, 3))
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    assert open3d.io.write_point_cloud(tmp_path / "dots.ply", cloud)
    scan = read_scan(tmp_path / "dots.ply")
    assert scan.is_cloud
    assert scan.vertices == pytest.approx(points)


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4)])
def test_units_become_millimetres(tmp_path: Path, unit: str, mm: float) -> None:
    open3d.io.write_triangle_mesh(tmp_path / "ball.ply", sphere())
    scan = read_scan(tmp_path / "ball.ply", unit)
    assert np.ptp(scan.vertices[:, 2]) == pytest.approx(100.0 * mm)


def test_what_is_no_scan_is_refused_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_scan(tmp_path / "none.ply")
    for name, content, sentence in (
        ("notes.txt", b"hello", "not a kind of scan"),
        ("empty.ply", b"", "No surface could be read"),
        ("words.ply", b"these are words, not a scan\n" * 9, "No surface could be read"),
        ("words.stl", b"these are words, not a scan\n" * 9, "No surface could be read"),
        ("words.obj", b"these are words, not a scan\n" * 9, "No surface could be read"),
        ("photo.stl", b"\xff\xd8\xff\xe0" * 60, "No surface could be read"),
    ):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputError, match=sentence):
            read_scan(tmp_path / name)
    with pytest.raises(InputError, match="'feet' is no unit"):
        read_scan(tmp_path / "empty.ply", "feet")


def test_points_that_are_not_numbers_are_counted(tmp_path: Path) -> None:
    points = np.random.default_rng(1).normal(0.0, 10.0, (50, 3))
    points[7, 1] = np.nan
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    open3d.io.write_point_cloud(tmp_path / "holes.ply", cloud)
    with pytest.raises(InputError, match="1 of the scan's 50 points are not numbers"):
        read_scan(tmp_path / "holes.ply")


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (OSError("libGL.so.1: cannot open shared object file"), "apt-get install libgl1;"),
        (ImportError("libusb-1.0.so.0: cannot open shared"), "apt-get install libusb-1.0-0;"),
        (OSError("something else"), "libegl1 libgl1 libgomp1 libudev1 libusb-1.0-0 libx11-6"),
        (ModuleNotFoundError("No module named 'open3d'", name="open3d"), "pip install open3d-cpu"),
    ],
)
def test_a_missing_library_is_named_with_what_installs_it(
    error: Exception, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def refuse(name: str, *rest: Any, **named: Any) -> Any:
        if name == "open3d":
            raise error
        return real(name, *rest, **named)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(EnvironmentProblem) as caught:
        load_open3d()
    assert expected in str(caught.value)
    assert "everything but scans works without it" in str(caught.value)
    assert caught.value.exit_code == 3


def test_nothing_but_scans_loads_open3d() -> None:
    script = (
        "import sys; import fitscan.fit.gap, fitscan.fit.gap_contour, fitscan.fit.gap_scan, "
        "fitscan.report.write_standoff; print('open3d' in sys.modules)"
    )
    found = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True,
        env={"PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )  # fmt: skip
    assert found.stdout.strip() == "False"
