"""A bar's sheets measured in millimetres, its DXF and JSON read back."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from printed import Printed, PrintedPage
from scipy.optimize import least_squares
from walked import walked

from fitscan.make.bar_file import BarFile, BarFiles, write_bar
from fitscan.make.bar_plan import BarPlan, BarRequest, plan_bar
from fitscan.make.bar_target import typed_target
from fitscan.make.bends import Bender
from fitscan.make.bends_file import BendsFile
from fitscan.make.cope_file import cope_format
from fitscan.store.json_file import read_json

Array = npt.NDArray[np.float64]
CLR, OD = 114.0, 38.0


def made(folder: Path, rows: list[tuple[float, float, float]], last: float,
         paper: str = "a4") -> tuple[BarPlan, BarFiles]:  # fmt: skip
    path, _ = walked(rows, last, CLR)
    target = typed_target(path[np.linspace(0, len(path) - 1, 40).astype(int)], u_mm=0.2)
    bender = Bender(CLR, springback_percent=4.0)
    plan = plan_bar(BarRequest("door bar", OD, target, bender, within_mm=0.1))
    return plan, write_bar(plan, folder, cope_format(paper), picture=b"a picture")


def dark_lines(page: PrintedPage, x_mm: float) -> Array:
    """Places in mm, from above, of the level lines that an upright line at x crosses."""
    profile = page.black(x_mm - 0.05, x_mm + 0.05, 18.0, page.height_mm - 30.0).mean(axis=1)
    dark = np.flatnonzero(profile > 0.3)
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    centres = np.array([np.average(r, weights=profile[r]) for r in runs])
    return np.asarray(18.0 + (centres + 0.5) / float(page.px_per_mm[1]))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_side_view_has_the_tubes_true_width(tmp_path: Path, paper: str) -> None:
    """A straight's two skins are the diameter apart, square to them, wherever they are crossed."""
    _, files = made(tmp_path, [(70.0, 0.0, 24.0)], 70.0, paper)
    page = Printed(files.paths[0], dpi=600.0).pages[0]
    for axis in (0, 1):
        assert page.ruler_mm(axis) == pytest.approx(150.0, abs=0.03)
    # The bar lies as its chord does: each straight leans by half the bend, symmetric here.
    lean = math.cos(math.radians(12.0))
    found = 0
    for x in np.arange(45.0, 110.0, 4.0):
        y = dark_lines(page, x)
        gaps = np.abs(y[:, None] - y[None])
        found += bool(np.any(np.abs(gaps * lean - OD) < 0.06))
    assert found >= 4


def test_a_view_larger_than_a_page_is_tiled_and_every_sheet_says_what_it_is(tmp_path: Path) -> None:
    plan, files = made(tmp_path, [(300.0, 0.0, 40.0)], 500.0)
    pages = Printed(files.paths[0], dpi=50.0).pages
    assert len(pages) == files.pages > 3
    for page in pages[:-1]:
        words = " ".join(page.text.split())
        for said in (
            "lay cross on cross",
            "Dry-fit before cutting",
            "does not approve",
            "150.0 mm",
        ):
            assert said in words, said
    table = " ".join(pages[-1].text.split())
    assert f"developed length {plan.table.developed_mm:.2f} mm (U" in table
    assert "set the bender to 41.6 deg" in table


def test_the_dxf_has_the_axis_at_its_length_and_skins_at_their_radii(tmp_path: Path) -> None:
    from ezdxf.entities.lwpolyline import LWPolyline
    from ezdxf.filemanagement import read

    plan, files = made(tmp_path, [(200.0, 0.0, 50.0)], 180.0)
    document = read(io.StringIO(files.paths[1].read_text(encoding="utf-8")))
    assert document.units == 4
    lines = [e for e in document.modelspace() if isinstance(e, LWPolyline)]
    (axis,) = [np.array(e.get_points("xy")) for e in lines if e.dxf.layer == "CENTRE"]
    length = np.linalg.norm(np.diff(axis, axis=0), axis=1).sum()
    assert length == pytest.approx(plan.table.developed_mm, abs=0.01)
    skins = [np.array(e.get_points("xy")) for e in lines if e.dxf.layer == "OUTLINE"]
    radii = sorted(radius_of(s[8:-8]) for s in skins if len(s) > 20)
    np.testing.assert_allclose(radii, [CLR - OD / 2.0, CLR + OD / 2.0], atol=0.02)
    assert not document.audit().errors


def radius_of(points: Array) -> float:
    """Radius of the circle through points, by least squares."""

    def off(p: Array) -> Array:
        return np.asarray(np.linalg.norm(points - p[:2], axis=1) - p[2])

    return float(least_squares(off, np.append(points.mean(axis=0) + 1.0, 100.0)).x[2])


def test_a_bar_that_leaves_its_plane_has_a_view_for_each_bend(tmp_path: Path) -> None:
    _, files = made(tmp_path, [(150.0, 0.0, 30.0), (150.0, 80.0, 30.0)], 150.0)
    words = [" ".join(p.text.split()) for p in Printed(files.paths[0], dpi=50.0).pages]
    assert "side view of bend 1" in words[0]
    assert any("side view of bend 2" in w for w in words)
    assert read_json(files.paths[2], BarFile).flat is False


def test_the_json_reads_back_with_table_stations_and_caution(tmp_path: Path) -> None:
    plan, files = made(tmp_path, [(200.0, 0.0, 50.0)], 180.0)
    stored = read_json(files.paths[2], BarFile)
    assert stored.bends[0].bend_deg == pytest.approx(50.0, abs=0.02)
    assert stored.bends[0].set_deg == pytest.approx(52.0, abs=0.03)
    assert stored.worst.deviation_mm == plan.worst.deviation_mm
    assert len(stored.stations) == 40
    assert "Dry-fit before cutting" in stored.caution
    assert {q.name for q in stored.measured} >= {"bend 1 angle", "developed length"}
    assert files.paths[3].read_bytes() == b"a picture"
    assert set(BendsFile.model_fields) - set(BarFile.model_fields) == set()
