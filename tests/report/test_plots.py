"""Plots hold the data: artists are asked, not pixels."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from cabins import Cabin
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from fitscan.fit.verdict import Verdict
from fitscan.report.plots import gap_plot, png_of, recheck_plot, survey_plot
from fitscan.report.words import SHORT_CAUTION


def with_gid(place: Figure | Axes, gid: str) -> list[Any]:
    return list(place.findobj(lambda a: a.get_gid() == gid))


def words_of(figure: Figure) -> str:
    return " ".join(t.get_text() for t in figure.texts)


def columns(figure: Figure) -> list[Axes]:
    return [a for a in figure.axes if with_gid(a, "total")]


def test_the_gap_plot_draws_each_station_with_its_band(cabin: Cabin) -> None:
    figure = gap_plot(cabin.gap)
    uppers = columns(figure)
    assert len(uppers) == len(cabin.gap.straights) == 2
    for axes, straight in zip(uppers, cabin.gap.straights, strict=True):
        (line,) = with_gid(axes, "total")
        along = [s.along_mm for s in straight.stations]
        assert line.get_xdata() == pytest.approx(along)
        assert line.get_ydata() == pytest.approx([s.total_mm for s in straight.stations])
        (band,) = with_gid(axes, "total U")
        corners = band.get_paths()[0].vertices
        for s in straight.stations:
            here = corners[np.abs(corners[:, 0] - s.along_mm) < 1e-6][:, 1]
            assert here.max() == pytest.approx(s.total_mm + s.total_expanded_mm)
            assert here.min() == pytest.approx(max(s.total_mm - s.total_expanded_mm, 0.0))
        (tolerance,) = with_gid(axes, "tolerance")
        assert tolerance.get_bbox().ymax == pytest.approx(2.0)
        assert axes.get_ylim()[0] == 0.0
        assert axes.get_ylim()[1] > max(s.total_mm + s.total_expanded_mm for s in straight.stations)


def test_the_gap_plot_draws_both_parts_with_their_bands(cabin: Cabin) -> None:
    figure = gap_plot(cabin.gap)
    for name in ("across", "out"):
        lines = with_gid(figure, name)
        bands = with_gid(figure, f"{name} U")
        for line, band, straight in zip(lines, bands, cabin.gap.straights, strict=True):
            values = [getattr(s, f"{name}_mm") for s in straight.stations]
            u = [getattr(s, f"{name}_expanded_mm") for s in straight.stations]
            assert line.get_ydata() == pytest.approx(values)
            corners = band.get_paths()[0].vertices
            assert corners[:, 1].max() == pytest.approx(max(np.array(values) + u))
    across, out = with_gid(figure, "across")[0], with_gid(figure, "out")[0]
    assert across.get_linestyle() != out.get_linestyle()
    assert across.get_marker() != out.get_marker()


def test_a_verdict_has_a_shape_of_its_own(cabin: Cabin) -> None:
    first = cabin.gap.straights[0]
    changed = tuple(
        replace(s, verdict=v) for s, v in zip(first.stations, list(Verdict) * 3, strict=True)
    )
    gap = replace(cabin.gap, straights=(replace(first, stations=changed),))
    figure = gap_plot(gap)
    shapes = {}
    for word, verdict in (("in", Verdict.IN), ("open", Verdict.OPEN), ("OUT", Verdict.OUT)):
        (line,) = with_gid(figure, f"verdict {word}")
        shapes[word] = line.get_marker()
        assert len(line.get_xdata()) == sum(s.verdict is verdict for s in changed)
    assert len(set(shapes.values())) == 3


def test_plots_say_units_coverage_frame_warnings_and_caution(cabin: Cabin) -> None:
    gap, moved = gap_plot(cabin.gap), recheck_plot(cabin.recheck, cabin.record)
    labels = {a.get_xlabel() for a in gap.axes} | {a.get_ylabel() for a in gap.axes}
    assert all("mm" in text for text in labels if text)
    assert "k = 2" in words_of(gap)
    assert "Warning: No rule was measured" in words_of(gap)
    assert "X forward, Y left, Z up" in words_of(moved)
    for figure in (gap, moved, survey_plot(cabin.shut)):
        assert SHORT_CAUTION in words_of(figure)


def test_recheck_arrows_show_the_way_back_in_three_views(cabin: Cabin) -> None:
    figure = recheck_plot(cabin.recheck, cabin.record)
    text = words_of(figure)
    factor = float(text.split("are drawn ")[1].split(" times")[0])
    assert factor > 1.0
    arrows = with_gid(figure, "move")
    assert len(arrows) == 3
    shifts = np.array([s.shift_mm for s in cabin.recheck.shifts])
    places = np.array([s.place_mm for s in cabin.recheck.shifts])
    for arrow, (a, b) in zip(arrows, ((0, 2), (1, 2), (0, 1)), strict=True):
        assert np.allclose(arrow.U, -factor * shifts[:, a])
        assert np.allclose(arrow.V, -factor * shifts[:, b])
        assert np.allclose(arrow.XY, (places + shifts)[:, [a, b]])
        assert arrow.angles == "xy"
        assert arrow.scale == 1.0
        assert arrow.axes.get_aspect() == 1.0


def test_recheck_bars_are_as_long_as_u_times_the_factor(cabin: Cabin) -> None:
    figure = recheck_plot(cabin.recheck, cabin.record)
    factor = float(words_of(figure).split("are drawn ")[1].split(" times")[0])
    side = with_gid(figure, "move")[0].axes
    bars = with_gid(side, "U")
    assert len(bars) == 2
    u = factor * np.array([s.shift_expanded_mm for s in cabin.recheck.shifts])
    for bar, direction, axis in zip(bars, (0, 2), (0, 1), strict=True):
        lengths = [np.ptp(np.asarray(seg)[:, axis]) for seg in bar.get_segments()]
        assert lengths == pytest.approx(2.0 * u[:, direction])


def test_the_view_across_the_car_has_left_on_the_left(cabin: Cabin) -> None:
    figure = recheck_plot(cabin.recheck, cabin.record)
    across = with_gid(figure, "move")[1].axes
    assert across.get_xlabel() == "Y left, mm"
    low, high = across.get_xlim()
    assert low > high


def test_every_arrow_and_bar_lies_inside_its_view(cabin: Cabin) -> None:
    figure = recheck_plot(cabin.recheck, cabin.record)
    png_of(figure)  # equal aspect settles the limits when drawn
    for arrow in with_gid(figure, "move"):
        heads = arrow.XY + np.stack([arrow.U, arrow.V], axis=1)
        x, y = sorted(arrow.axes.get_xlim()), sorted(arrow.axes.get_ylim())
        assert np.all((heads[:, 0] > x[0]) & (heads[:, 0] < x[1]))
        assert np.all((heads[:, 1] > y[0]) & (heads[:, 1] < y[1]))


def test_bent_markers_have_arrows_of_their_own(cabin: Cabin) -> None:
    shifts = tuple(replace(s, bent=i == 0) for i, s in enumerate(cabin.recheck.shifts))
    figure = recheck_plot(replace(cabin.recheck, shifts=shifts), cabin.record)
    arrows = with_gid(figure, "move")
    assert sorted(len(a.U) for a in arrows) == [1, 1, 1, 5, 5, 5]


def test_without_a_datum_the_views_promise_no_directions(cabin: Cabin) -> None:
    unknown = replace(cabin.recheck, axes=replace(cabin.recheck.axes, known=False))
    figure = recheck_plot(unknown, cabin.record)
    titles = {a.get_title(loc="left") for a in figure.axes}
    assert {"X-Z", "Y-Z", "X-Y"} <= titles
    assert not any("left" in a.get_xlabel() for a in figure.axes)


def test_the_survey_plot_shows_each_photo_and_each_marker(cabin: Cabin) -> None:
    figure = survey_plot(cabin.shut)
    bars = with_gid(figure, "photo rms")
    used = [p for p in cabin.shut.photos if p.refused is None]
    assert [b.get_width() for b in bars] == pytest.approx([p.rms_px for p in used])
    sights = with_gid(figure, "sights")
    assert sorted(b.get_width() for b in sights) == sorted(cabin.shut.sights)
    assert [bool(b.get_hatch()) for b in sights].count(True) == 2
    assert "P1099.jpg: it was taken by another phone" in words_of(figure)


def test_a_note_stands_in_the_plot(cabin: Cabin) -> None:
    for figure in (
        gap_plot(cabin.gap, "No photos were at hand."),
        recheck_plot(cabin.recheck, cabin.record, "No photos were at hand."),
        survey_plot(cabin.shut, "No photos were at hand."),
    ):
        assert "No photos were at hand." in words_of(figure)


def test_the_picture_is_sharp_enough_and_says_nothing_of_the_computer(cabin: Cabin) -> None:
    data = png_of(gap_plot(cabin.gap))
    image = Image.open(io.BytesIO(data))
    assert image.width == 1800
    assert image.info.get("Software") == "fitscan"
    assert not {"Creation Time", "Author", "Title"} & set(image.info)
    assert png_of(gap_plot(cabin.gap)) == data


def test_no_text_runs_out_of_the_page(cabin: Cabin) -> None:
    long = replace(cabin.gap, warnings=("word " * 60,), bar="a very long name of a tube " * 3)
    for figure in (gap_plot(long), recheck_plot(cabin.recheck, cabin.record)):
        renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
        page = figure.bbox
        for text in figure.texts:
            box = text.get_window_extent(renderer)
            assert box.x0 >= 0
            assert box.x1 <= page.x1
            assert box.y0 >= 0
            assert box.y1 <= page.y1 + 1
