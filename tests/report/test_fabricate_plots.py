"""Pictures of bars and flat templates: that they show what was planned."""

from __future__ import annotations

import numpy as np
import pytest

from fitscan.make.bar_plan import BarRequest, plan_bar
from fitscan.make.bar_target import typed_target
from fitscan.make.bends import Bender
from fitscan.make.flat import Drawing, Kind, Label, Stroke
from fitscan.report.plots_bar import bar_picture, bar_plot
from fitscan.report.plots_flat import flat_picture, flat_plot


def test_the_picture_of_a_bar_shows_every_station_with_its_deviation_and_u() -> None:
    a = np.linspace(-0.5, 0.5, 11)
    arc = np.column_stack([700.0 * np.sin(a), 700.0 * (1.0 - np.cos(a)), 0.0 * a])
    plan = plan_bar(BarRequest("bar", 38.0, typed_target(arc, u_mm=0.3), Bender(114.0), bends=2))
    figure = bar_plot(plan)
    (dots,) = [line for axes in figure.axes for line in axes.lines if line.get_gid() == "deviation"]
    shown = np.asarray(dots.get_xydata(), dtype=np.float64)
    np.testing.assert_allclose(shown[:, 1], [s.deviation_mm for s in plan.stations])
    targets = [line for axes in figure.axes for line in axes.lines if line.get_gid() == "target"]
    assert [len(np.asarray(t.get_xdata())) for t in targets] == [11, 11]
    words = " ".join(t.get_text() for t in figure.texts)
    assert f"within {plan.worst.deviation_mm:.2f} mm (U 0.60 mm) of its target" in words
    assert "approves no design" in words
    assert bar_picture(plan).startswith(b"\x89PNG")


@pytest.mark.parametrize("height", [20.0, 400.0])
def test_the_picture_of_a_template_keeps_its_shape_and_its_lines(height: float) -> None:
    cut = Stroke.of(Kind.CUT, (10.0, 5.0), (90.0, height - 5.0))
    drawing = Drawing("plate", (cut,), (Label(20.0, 10.0, "face 1"),), 100.0, height)
    figure = flat_plot(drawing, "Foot plate: plate", ["A sentence."], ["A warning."])
    (axes,) = figure.axes
    (line,) = [x for x in axes.lines if x.get_gid() == "CUT"]
    np.testing.assert_allclose(np.asarray(line.get_xydata()), cut.points)
    assert axes.get_aspect() == 1.0
    assert "A warning." in " ".join(t.get_text() for t in figure.texts)
    picture = flat_picture(drawing, "Foot plate: plate", [], [])
    assert picture.startswith(b"\x89PNG")
