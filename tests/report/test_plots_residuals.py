"""The plot of what is left over by place in the photo, by the numbers that its artists hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cabins import Cabin
from matplotlib.figure import Figure

from fitscan.report.plots_residuals import residual_plot
from fitscan.report.write import write_survey_pictures
from fitscan.survey.lens_check import check_lens
from fitscan.survey.survey import Survey

CENTRE, SIZE = np.array([1000.0, 750.0]), (2000, 1500)


@pytest.fixture(scope="module")
def survey(cabin: Cabin) -> Survey:
    """Squares all over the photo, whose corners are 0.3 px too far out near the edge."""
    rng = np.random.default_rng(3)
    middles = rng.uniform([0, 0], SIZE, (900, 2))
    corners = middles[:, None] + np.array([[-9.0, -9], [9, -9], [9, 9], [-9, 9]])
    away = corners - CENTRE
    radius = np.linalg.norm(away, axis=-1, keepdims=True)
    pushed = np.where(radius > 0.75 * 1250.0, 0.3, 0.0) * away / radius
    left = pushed + rng.normal(0.0, 0.05, corners.shape)
    check = check_lens(corners, left, np.arange(900) % 12, CENTRE, SIZE)
    quality = replace(cabin.shut.quality, rings=check.rings, sectors=check.sectors)
    return replace(cabin.shut, quality=quality)


def values(figure: Figure, gid: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    (line,) = [a for axes in figure.axes for a in axes.lines if a.get_gid() == gid]
    return np.asarray(line.get_ydata(), dtype=np.float64)


def test_every_bin_stands_at_its_mean_with_two_standard_errors(survey: Survey) -> None:
    figure = residual_plot(survey)
    rings = [b for b in survey.quality.rings if b.squares]
    assert values(figure, "radius radial") == pytest.approx([b.radial for b in rings])
    assert values(figure, "radius tangential") == pytest.approx([b.tangential for b in rings])
    sectors = survey.quality.sectors
    assert values(figure, "angle radial") == pytest.approx([b.radial for b in sectors])
    bars = [
        c for axes in figure.axes for c in axes.collections if c.get_gid() == "radius radial bar"
    ]
    (bar,) = bars
    segments = bar.get_segments()  # type: ignore[attr-defined]
    spans = [abs(float(s[1][1] - s[0][1])) for s in segments]
    assert spans == pytest.approx([4 * b.radial_u for b in rings])
    counted = {t.get_text() for axes in figure.axes for t in axes.texts}
    assert {str(b.squares) for b in (*rings, *sectors)} <= counted


def test_what_is_proven_is_said_and_nothing_is_said_of_chance(survey: Survey) -> None:
    said = " ".join(t.get_text() for t in residual_plot(survey).texts)
    assert "px are proven to be left" in said
    assert "Measures fit only" in said
    good = replace(
        survey,
        quality=replace(
            survey.quality, rings=survey.quality.rings[:4], sectors=survey.quality.sectors[:0]
        ),
    )
    assert "Nothing is proven to be left" in " ".join(
        t.get_text() for t in residual_plot(good).texts
    )


def test_a_survey_that_knows_it_gets_a_second_plot_and_another_does_not(
    survey: Survey, cabin: Cabin, tmp_path: Path
) -> None:
    files = write_survey_pictures(survey, None, tmp_path / "new")
    assert [f.name for f in files] == ["new-plot.png", "new-plot-2.png"]
    files = write_survey_pictures(cabin.shut, None, tmp_path / "old")
    assert [f.name for f in files] == ["old-plot.png"]
