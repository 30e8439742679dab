"""Picked points from TOML and CSV, by id and by name, and every slip of the pen."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scanned_panels import KIT

from fitscan.errors import InputError
from fitscan.shape.scan_points import read_scan_points

TOML = """
unit = "cm"
u_mm = 0.4
paper_mm = 0.15
[[point]]
marker = 3
at = [1.0, -2.5, 30]
[[point]]
name = "Upper Lip 1"
at = [0.0, 0.0, 0.0]
"""


def test_ids_and_names_mean_the_kits_markers_and_units_become_millimetres(tmp_path: Path) -> None:
    (tmp_path / "points.toml").write_text(TOML)
    points = read_scan_points(tmp_path / "points.toml")
    assert points.unit == "cm"
    assert points.points[0] == pytest.approx([10.0, -25.0, 300.0])
    assert (points.u_mm, points.surface_u_mm, points.paper_mm) == (0.4, 0.1, 0.15)
    assert points.markers(KIT) == (3, 300)


def test_a_table_says_the_same(tmp_path: Path) -> None:
    (tmp_path / "points.csv").write_text("marker,x,y,z\n3, 10.0, -25.0, 300\n\nupper lip 1,0,0,0\n")
    points = read_scan_points(tmp_path / "points.csv")
    assert points.points == pytest.approx(np.array([[10.0, -25.0, 300.0], [0.0, 0.0, 0.0]]))
    assert points.markers(KIT) == (3, 300)
    assert read_scan_points(tmp_path / "points.csv", "m").points[0, 0] == 10000.0


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [
        ("a.toml", TOML.replace("marker = 3", "tag = 3"), 'key "tag" is unknown|"tag"'),
        ("a.toml", TOML.replace("marker = 3\n", ""), "give either marker = ID or name"),
        ("a.toml", TOML.replace("30]", "30, 4]"), "at"),
        ("a.toml", TOML.replace('"cm"', '"feet"'), "unit"),
        ("a.toml", "u_mm = 0.4\n", '"point" is missing'),
        ("a.csv", "3,1,2\n4,5,6\n", "line 1.*50,12.5,-3,0"),
        ("a.csv", "marker,x,y,z\n3,1,2,here\n", "line 2"),
        ("a.csv", "marker,x,y,z\n", "no point in this file"),
    ],
)  # fmt: skip
def test_a_slip_is_named_by_its_place(tmp_path: Path, name: str, text: str, sentence: str) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(InputError, match=sentence) as caught:
        read_scan_points(tmp_path / name)
    assert name in str(caught.value)


def test_points_that_the_kit_does_not_have_are_refused(tmp_path: Path) -> None:
    for what, sentence in (
        ("17", "no tag or pointer 17"),
        ("100", "no tag or pointer 100"),
        ("lower lip", "no tag or pointer 'lower lip'"),
    ):
        (tmp_path / "a.csv").write_text(f"{what},1,2,3\n")
        with pytest.raises(InputError, match=sentence):
            read_scan_points(tmp_path / "a.csv").markers(KIT)
    (tmp_path / "a.csv").write_text("300,1,2,3\nupper lip 1,1,2,3\n")
    with pytest.raises(InputError, match="'upper lip 1' stands twice"):
        read_scan_points(tmp_path / "a.csv").markers(KIT)


def test_two_units_are_one_too_many(tmp_path: Path) -> None:
    (tmp_path / "points.toml").write_text(TOML)
    with pytest.raises(InputError, match="says cm and the command says m"):
        read_scan_points(tmp_path / "points.toml", "m")
    assert read_scan_points(tmp_path / "points.toml", "cm").unit == "cm"
