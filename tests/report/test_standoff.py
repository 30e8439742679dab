"""Stand-offs in tables, plots, pictures and reports: the result's own numbers at their places."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from cage_surveys import error_free
from matplotlib.figure import Figure
from rich.console import Console
from scanned_panels import panel_scan, panel_survey, picks, poses

from fitscan.fit.gap_contour import find_contour_gap
from fitscan.fit.gap_scan import find_scan_gap
from fitscan.fit.gap_standoff import Standoff
from fitscan.fit.gap_standoff_file import StandoffFile, standoff_document
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.report.drawing import Drawing
from fitscan.report.kinds import result_of_kind
from fitscan.report.overlay_standoff import (
    standoff_drawing,
    standoff_points,
    worst_standoff_points,
)
from fitscan.report.page import png_of
from fitscan.report.plots_standoff import standoff_plot
from fitscan.report.section import Measured
from fitscan.report.tables_standoff import standoff_table
from fitscan.report.view import CLOSE_UP, PhotoView
from fitscan.report.words import SHORT_CAUTION, amount
from fitscan.shape.centre_line import CentreLine
from fitscan.survey.survey import PhotoEntry, Survey

KINDS = ("lip", "fouled", "scan")


def pictured() -> Survey:
    """The panel's survey with one photo that looks at it square from 650 mm."""
    survey = error_free(panel_survey())
    panel_from_survey = poses()[0] @ survey.poses[survey.row(0)].inverse()
    # The camera looks down the panel's -z, its picture's right along x.
    cam_from_panel = Rigid(exp(np.array([np.pi, 0.0, 0.0])), np.array([0.0, 30.0, 650.0]))
    entry = PhotoEntry(
        "P1.jpg", "", None, (0, 1, 100, 112), 0.1, cam_from_panel @ panel_from_survey
    )
    return replace(survey, photos=(entry,))


@lru_cache(maxsize=8)
def result_of(kind: str) -> Standoff:
    survey = pictured()
    if kind == "lip":
        return find_contour_gap(survey, "door bar", survey, ["upper lip"], [], standoff_mm=50.0)
    scan = panel_scan()
    if kind == "fouled":
        deep = error_free(panel_survey(np.array([0.0, 0.0, -6.0])))
        survey = replace(deep, photos=survey.photos)
    return find_scan_gap(survey, "door bar", scan, picks(), survey, [])


def with_gid(figure: Figure, gid: str) -> list[Any]:
    return list(figure.findobj(lambda a: a.get_gid() == gid))


def shown(result: Standoff) -> str:
    stream = io.StringIO()
    Console(file=stream, width=80).print(standoff_table(result))
    return stream.getvalue()


@pytest.mark.parametrize("kind", KINDS)
def test_the_table_shows_every_station_with_u_and_fits_a_narrow_screen(kind: str) -> None:
    result = result_of(kind)
    text = shown(result)
    assert max(len(line) for line in text.splitlines()) <= 80
    for s in result.stations:
        assert s.clearance_mm is not None
        row = next(
            line for line in text.splitlines()
            if line.split() and line.split()[0] == f"{s.along_mm:.0f}"
        )  # fmt: skip
        assert f"{s.clearance_mm:+.2f}" in row
        assert f"{s.clearance_expanded_mm:.2f}" in row
        assert s.verdict.value in row
    assert "fitscan measures fit" in text


@pytest.mark.parametrize("kind", KINDS)
def test_the_plot_draws_each_station_and_where_it_fouls(kind: str) -> None:
    result = result_of(kind)
    figure = standoff_plot(result, "No photos.")
    (line,) = with_gid(figure, "judged")
    assert line.get_ydata() == pytest.approx([s.clearance_mm for s in result.stations])
    assert line.get_xdata() == pytest.approx([s.along_mm for s in result.stations])
    fouled, tolerance = with_gid(figure, "fouled"), with_gid(figure, "tolerance")
    assert len(fouled) == (kind == "fouled")
    assert len(tolerance) == (kind == "lip")
    assert len(figure.axes) == (2 if kind == "lip" else 1)
    words = " ".join(t.get_text() for t in figure.texts)
    assert SHORT_CAUTION[:40] in words
    assert "No photos." in words
    assert len(png_of(figure)) > 10_000


def drawing_of(result: Standoff) -> tuple[Drawing, PhotoView]:
    survey = result.chain.bar
    view = PhotoView.of(survey, survey.photos[0], standoff_points(result))
    line = CentreLine.of(survey, result.bar)
    return standoff_drawing(result, line, survey, view), view


@pytest.mark.parametrize("kind", KINDS)
def test_whiskers_lead_from_the_bars_outside_to_the_target(kind: str) -> None:
    result = result_of(kind)
    drawing, view = drawing_of(result)
    whiskers = drawing.of_role("whisker")
    assert len(whiskers) == len(result.stations)
    for stroke, s in zip(whiskers, result.stations, strict=True):
        away = s.target_mm - s.bar_mm
        outside = s.bar_mm + 19.0 * away / np.linalg.norm(away)
        expected = pinhole(view, np.array([s.target_mm, outside]))
        assert stroke.places == pytest.approx(expected, abs=0.01)
    texts = {label.text for label in drawing.labels}
    worst = result.worst
    assert amount(worst.clearance_mm or 0.0, worst.clearance_expanded_mm or 0.0, "mm") in texts
    assert drawing.caution == SHORT_CAUTION
    assert drawing.of_role("tube outline")
    assert drawing.of_role("seat outline")


def pinhole(view: PhotoView, x: Array) -> Array:
    """Places in the picture by the pinhole's formula: the panel's lens has no distortion."""
    in_cam = view.cam_from_survey.apply(x)
    fx, cx, cy = 3020.0, 2015.5, 1511.5
    pixels = fx * in_cam[:, :2] / in_cam[:, 2:] + [cx, cy]
    return np.asarray(view.crop.apply(pixels))


def test_the_close_up_shows_the_worst_station_large() -> None:
    result = result_of("fouled")
    survey = result.chain.bar
    points = worst_standoff_points(result)
    whole = PhotoView.of(survey, survey.photos[0], standoff_points(result))
    close = PhotoView.of(survey, survey.photos[0], points, CLOSE_UP)
    assert close.crop.width < whole.crop.width
    place, seen = close.shown(result.worst.target_mm[None])
    assert seen[0]
    assert np.all(place[0] >= 0)
    assert np.all(place[0] <= [close.crop.shown_width, close.crop.shown_height])
    assert float(np.linalg.norm(points[0] - points[1])) == pytest.approx(3.0 * result.bar_od_mm)


@pytest.mark.parametrize("kind", KINDS)
def test_reports_tell_the_files_numbers(kind: str) -> None:
    result = result_of(kind)
    document = standoff_document(result)
    found = result_of_kind(StandoffFile.KIND)
    assert found is not None
    section = found.section(document)
    (table,) = section.tables
    for row, s in zip(table.rows, result.stations, strict=True):
        assert len(row) == len(table.columns)
        assert row[2] == Measured(s.clearance_mm or 0.0, s.clearance_expanded_mm or 0.0)
        assert row[3] is s.verdict
    assert section.sentences == result.sentences
    if kind != "lip":
        assert ("SHA-256 of panel.ply", "0" * 64) in section.facts
    shapes = found.shapes(document, result.chain.target)
    assert shapes is not None
    assert len(shapes.spans) == len(result.stations)
    for span, s in zip(shapes.spans, result.stations, strict=True):
        length = float(np.linalg.norm(span.ends[0] - span.ends[1]))
        assert length == pytest.approx(abs(s.clearance_mm or 0.0), abs=1e-3)
    other = replace(result.chain.target, name="elsewhere")
    assert found.shapes(document, other) is None
