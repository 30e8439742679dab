"""The table and the picture of angles show every number with its unit, U and verdict."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from leaning_cage import cage_survey
from matplotlib.figure import Figure
from PIL import Image
from rich.console import Console

from fitscan.errors import InputError
from fitscan.fit.angles import Angles, AngleWishes, find_angles
from fitscan.fit.verdict import Verdict
from fitscan.report.pieces import WIDTH
from fitscan.report.plots_angles import angles_plot, write_angles_plot
from fitscan.report.tables_angles import angles_table, shown
from fitscan.report.words import CAUTION, SHORT_CAUTION, amount


@pytest.fixture(scope="module")
def angles() -> Angles:
    wishes = AngleWishes(
        lean=("main hoop:1@-3",), level=("harness left", "harness right"),
        between=("main hoop:1=stay left",), symmetry=("cage",), against="car",
    )  # fmt: skip
    return find_angles(cage_survey(warnings=("No rule was measured",)), wishes)


def printed(angles: Angles) -> str:
    console = Console(width=WIDTH, color_system=None, highlight=False)
    with console.capture() as capture:
        console.print(angles_table(angles))
    return capture.get()


def with_gid(figure: Figure, gid: str) -> list[Any]:
    return list(figure.findobj(lambda a: a.get_gid() == gid))


def words_of(figure: Figure) -> str:
    return " ".join(t.get_text() for t in figure.texts)


def test_the_table_has_every_number_with_unit_u_and_verdict(angles: Angles) -> None:
    lines = [" ".join(line.split()) for line in printed(angles).splitlines()]
    for r in angles.readings:
        value, expanded = shown(r)
        wanted = "-" if r.wanted is None else f"{r.wanted:g} ± {r.tolerance:g}"
        verdict = "-" if r.verdict is None else r.verdict.value
        assert f"{r.name} {value} {expanded} {r.unit} {wanted} {verdict}" in lines
    text = " ".join(lines)
    assert "U with k = 2" in text
    assert "Warning: No rule was measured" in text
    assert CAUTION in text
    assert "ISO 8855" in text


def test_the_table_fits_a_narrow_screen(angles: Angles) -> None:
    text = printed(angles)
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    assert "…" not in text


def test_the_picture_draws_each_judged_number_with_u_and_writes_the_others_out(
    angles: Angles,
) -> None:
    figure = angles_plot(angles)
    judged = [r for r in angles.readings if r.verdict is not None]
    drawn: list[float] = []
    for word in ("in", "OUT", "open"):
        for line in with_gid(figure, f"verdict {word}"):
            drawn += [float(x) for x in line.get_xdata()]
    assert sorted(drawn) == pytest.approx(sorted(r.value - (r.wanted or 0.0) for r in judged))
    widths = [
        0.5 * abs(float(s[1][0] - s[0][0]))
        for bar in with_gid(figure, "U")
        for s in bar.get_segments()
    ]
    assert sorted(widths) == pytest.approx(sorted(r.expanded for r in judged), abs=1e-6)
    text = " ".join(t.get_text() for t in with_gid(figure, "unjudged"))
    for r in angles.readings:
        if r.verdict is None:
            assert amount(r.value, r.expanded, r.unit) in text
    limits = {0.1, 2.0}
    assert {round(float(b.get_width()) / 2.0, 6) for b in with_gid(figure, "tolerance")} == limits


def test_the_picture_shows_the_straights_in_the_cars_axes(angles: Angles) -> None:
    figure = angles_plot(angles)
    tubes = with_gid(figure, "tube")
    assert len(tubes) == 2 * len(angles.rules)
    side, across = figure.axes[:2]
    assert side.get_xlabel() == "X forward, mm"
    assert across.get_xlabel() == "Y left, mm"
    assert across.xaxis_inverted()  # from behind, the left is on the left
    hoop = next(i for i, r in enumerate(angles.rules) if r.name == "main hoop, straight 1")
    x, z = tubes[hoop].get_xdata(), tubes[hoop].get_ydata()
    lean = np.degrees(np.arctan2(x[-1] - x[0], z[-1] - z[0]))
    assert (lean if lean < 90 else lean - 180) == pytest.approx(-3.0, abs=1e-6)


def test_the_picture_carries_warnings_and_the_caution(angles: Angles) -> None:
    text = " ".join(words_of(angles_plot(angles)).split())
    assert "Warning: No rule was measured" in text
    assert SHORT_CAUTION in text


def test_only_what_was_asked_is_drawn() -> None:
    wishes = AngleWishes(between=("main hoop:1=stay left",))
    alone = find_angles(cage_survey(), wishes)
    figure = angles_plot(alone)
    assert with_gid(figure, "tolerance") == []
    assert len(with_gid(figure, "unjudged")) == 1
    assert all(r.verdict is None for r in alone.readings)
    judged = find_angles(cage_survey(), AngleWishes(between=("main hoop:1=stay left@47.64",)))
    assert [r.verdict for r in judged.readings] == [Verdict.IN]
    assert with_gid(angles_plot(judged), "unjudged") == []


def test_the_picture_is_written_once_and_never_over_another(angles: Angles, tmp_path: Path) -> None:
    path = write_angles_plot(angles, tmp_path / "angles")
    assert path == tmp_path / "angles-plot.png"
    with Image.open(path) as picture:
        assert picture.width == 1800
    with pytest.raises(InputError, match="exists"):
        write_angles_plot(angles, tmp_path / "angles")
    assert write_angles_plot(angles, tmp_path / "angles", replace=True) == path
