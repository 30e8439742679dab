"""Foot plates from a scanned patch, and openings in a scanned panel: known meshes, with noise."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from known_surveys import cuff, known_survey, on_axis

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.make.asked import asked_faces, asked_panel
from fitscan.make.opening_plan import OpeningPlan, OpeningRequest, place_u, plan_opening
from fitscan.make.plate import Sheet
from fitscan.make.plate_plan import PlateRequest, plan_plate
from fitscan.make.plate_scan import faces_of_scan
from fitscan.markers.kit import Kit, PointerSpec
from fitscan.shape.scan import read_scan
from fitscan.store.json_file import write_json
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import survey_document

Array = npt.NDArray[np.float64]

SCAN = Rigid(exp(np.array([0.5, -0.3, 0.8])), np.array([40.0, -70.0, 200.0]))
"""Scanners have frames of their own: scan from car."""


def obj(file: Path, grid: Array, seed: int = 1, noise_mm: float = 0.0) -> Path:
    """A grid of points (rows, columns, 3) as a mesh of triangles in an OBJ file."""
    rows, columns, _ = grid.shape
    points = grid.reshape(-1, 3) + noise_mm * np.random.default_rng(seed).normal(
        size=(rows * columns, 3)
    )
    lines = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in SCAN.apply(points).tolist()]
    for i in range(rows - 1):
        for j in range(columns - 1):
            a, b = i * columns + j + 1, (i + 1) * columns + j + 1
            lines += [f"f {a} {a + 1} {b + 1}", f"f {a} {b + 1} {b}"]
    file.write_text("\n".join(lines) + "\n")
    return file


def folded(deg: float, floor_mm: float = 100.0, sill_mm: float = 70.0) -> Array:
    """A floor 120 mm wide and a sill that rises from its far edge, every 4 mm or so."""
    a = math.radians(deg)
    floor = [(d, 0.0) for d in np.linspace(0.0, floor_mm, 26)]
    sill = [
        (floor_mm + d * math.cos(a), d * math.sin(a)) for d in np.linspace(0.0, sill_mm, 19)[1:]
    ]
    x = np.linspace(0.0, 120.0, 31)
    return np.array([[(u, y, z) for u in x] for y, z in [*floor, *sill]])


ABOVE = SCAN.apply(np.array([60.0, -300.0, 300.0]))
SIDE = ",".join(f"{v:.3f}" for v in ABOVE)


@pytest.mark.parametrize("noise_mm", [0.0, 0.08])
def test_a_scanned_patch_gives_the_plate_of_its_two_faces(tmp_path: Path, noise_mm: float) -> None:
    file = obj(tmp_path / "patch.obj", folded(75.0), noise_mm=noise_mm)
    sheet = Sheet(3.0, 3.0, 0.4)
    source = asked_faces(None, [], [], SIDE, u_mm=0.2, scan=file, clear_mm=6.0)
    plan = plan_plate(PlateRequest("foot", source, sheet))
    (fold,) = plan.plate.folds
    assert math.degrees(fold.angle_rad) == pytest.approx(75.0, abs=0.2 if noise_mm else 1e-3)
    assert fold.inner_corner
    flat = 170.0 - 2.0 * 6.0 * math.tan(math.radians(37.5)) + math.radians(75.0) * (3.0 + 1.2)
    assert plan.area_cm2 == pytest.approx(flat * 1.2, abs=0.8 if noise_mm else 0.01)
    # Four corners on each face, not the hundred vertices of a scanned edge.
    assert [len(f.corners) for f in source.faces] == [4, 4]
    assert {q.name for q in plan.numbers} == {"area", "fold 1"}


def test_a_curved_patch_is_refused(tmp_path: Path) -> None:
    a = np.linspace(0.0, 2.0, 40)
    x = np.linspace(0.0, 120.0, 31)
    tunnel = np.array([[(u, 60.0 * math.sin(t), -60.0 * math.cos(t)) for u in x] for t in a])
    file = obj(tmp_path / "tunnel.obj", tunnel)
    with pytest.raises(DataError, match="lie on no flat face"):
        faces_of_scan(read_scan(file), ABOVE, clear_mm=3.0, flat_mm=0.3)


def test_a_patch_needs_a_side_and_no_survey(tmp_path: Path) -> None:
    file = obj(tmp_path / "patch.obj", folded(75.0))
    with pytest.raises(InputError, match="--seen-from"):
        asked_faces(None, [], [], None, u_mm=None, scan=file)
    with pytest.raises(InputError, match="do not go together"):
        asked_faces(file, [], [], SIDE, u_mm=None, scan=file)


# --- openings -------------------------------------------------------------------------------

CENTRE = np.array([70.0, 50.0, 0.0])
TIPS = np.array([[0.0, 0, 0], [160.0, 0, 0], [150.0, 95.0, 0], [-10.0, 100.0, 0]])


def dash(folder: Path) -> Survey:
    """Four pointers on a flat dash and a hoop that passes it at 25 deg; the survey is stored."""
    poses, pointers = {}, []
    for n, tip in enumerate(TIPS):
        pointers.append(
            PointerSpec(id=n, side_mm=20.0, reach_mm=25.0, part="dash", name=f"dash {n + 1}")
        )
        poses[n] = Rigid(np.eye(3), np.add(tip, [0.0, 25.0, 0.0]))
    s, h = math.radians(25.0), math.radians(40.0)
    lean = np.array([math.sin(s) * math.cos(h), math.sin(s) * math.sin(h), math.cos(s)])
    cuffs = (cuff(100, "hoop"), cuff(120, "hoop"))
    for c, far in zip(cuffs, (60.0, 220.0), strict=True):
        poses[c.first_id] = on_axis(CENTRE, lean, far)
    survey = known_survey(Kit(pointer=tuple(pointers), cuff=cuffs), poses, sigma_mm=0.1)
    write_json(folder / "survey.json", survey_document(survey))
    picks = ["u_mm = 0.3", "surface_u_mm = 0.1"]
    for n, tip in enumerate(SCAN.apply(TIPS).tolist()):
        picks += ["[[point]]", f"marker = {n}", f"at = [{tip[0]:.4f}, {tip[1]:.4f}, {tip[2]:.4f}]"]
    (folder / "picks.toml").write_text("\n".join(picks) + "\n")
    return survey


def panel(bend_mm: float = 0.0) -> Array:
    """A dash 260 x 200 mm; bent, its middle stands out by so much."""
    rows = np.linspace(-50.0, 150.0, 51)
    columns = np.linspace(-50.0, 210.0, 66)
    return np.array([
        [(x, y, bend_mm * (1.0 - ((x - 70.0) / 60.0) ** 2)) for x in columns] for y in rows
    ])  # fmt: skip


def opened(folder: Path, grid: Array, names: list[str]) -> OpeningPlan:
    file = obj(folder / "dash.obj", grid, noise_mm=0.05)
    source = asked_panel(
        folder / "survey.json", names, None, "hoop", [], od_mm=None, u_mm=None, scan=file,
        scan_points=folder / "picks.toml", clearance_mm=3.0,
    )  # fmt: skip
    return plan_opening(OpeningRequest("dash", source, 3.0))


def test_a_scanned_panel_with_two_marks_gives_the_hole_of_four_marks(tmp_path: Path) -> None:
    dash(tmp_path)
    plan = opened(tmp_path, panel(), ["dash 1", "dash 2"])
    at = plan.request.source.at
    u = place_u(plan.request.source)
    assert u is not None
    assert np.linalg.norm(at.centre - CENTRE[:2]) < u
    assert 0.05 < u < 2.0
    assert math.degrees(at.slant_rad) == pytest.approx(25.0, abs=plan.numbers[2].expanded)
    assert any("the scan lies within" in s for s in plan.sentences)
    marks = asked_panel(
        tmp_path / "survey.json", [f"dash {n}" for n in (1, 2, 3, 4)], None, "hoop", [],
        od_mm=None, u_mm=None,
    )  # fmt: skip
    assert at.centre == pytest.approx(marks.at.centre, abs=0.3)


def test_a_bent_scanned_panel_is_refused_and_a_scan_without_picks_too(tmp_path: Path) -> None:
    dash(tmp_path)
    with pytest.raises(DataError, match="cannot be drawn flat"):
        opened(tmp_path, panel(12.0), ["dash 1", "dash 2"])
    with pytest.raises(InputError, match="--scan-points"):
        asked_panel(
            tmp_path / "survey.json", ["dash 1"], None, "hoop", [], od_mm=None, u_mm=None,
            scan=tmp_path / "dash.obj",
        )  # fmt: skip
    with pytest.raises(InputError, match="two marks to lay it by"):
        opened(tmp_path, panel(), ["dash 1"])
