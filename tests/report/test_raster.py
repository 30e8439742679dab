"""From shapes to pixels: lines lie where the shapes say, and the photo stays as it was."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from cabins import Cabin
from numpy.typing import NDArray

from fitscan.report.drawing import Arrow, Cross, Drawing, Key, Label, Stroke, Symbol
from fitscan.report.overlay import gap_drawing, gap_points
from fitscan.report.palette import COLOURS, STYLES
from fitscan.report.raster import rasterise
from fitscan.report.view import PhotoView

Pixels = NDArray[np.uint8]


def grey(width: int, height: int, level: int = 120) -> Pixels:
    return np.full((height, width, 3), level, dtype=np.uint8)


def rgb(colour: str) -> NDArray[np.float64]:
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)], dtype=np.float64)


def places_of(picture: Pixels, colour: str, tolerance: float = 40.0) -> NDArray[np.float64]:
    """Pixels (n, 2) x, y that have nearly a colour."""
    near = np.linalg.norm(picture.astype(np.float64) - rgb(colour), axis=2) < tolerance
    y, x = np.nonzero(near)
    return np.stack([x, y], axis=1).astype(np.float64)


@pytest.mark.parametrize("y", [100.0, 100.5, 101.0])
def test_a_line_is_centred_on_its_places(y: float) -> None:
    line = np.array([[40.0, y], [260.0, y]])
    drawing = Drawing(300, 200, (Stroke("tube outline", line),))
    picture = rasterise(drawing, grey(300, 200))
    column = picture[80:121, 150].astype(np.float64)
    # Where the line covers a pixel, the grey changes: the change is as far above as below it.
    change = np.abs(column - 120.0).sum(axis=1)
    rows = np.arange(80, 121)
    assert (rows * change).sum() / change.sum() == pytest.approx(y, abs=0.03)
    style = STYLES["tube outline"]
    assert np.count_nonzero(change > 30.0) <= style.width_px + 2 * style.edge_px + 2


def test_pixel_zero_zero_is_the_centre_of_the_first_pixel() -> None:
    line = np.array([[50.0, 20.0], [50.0, 180.0]])
    drawing = Drawing(101, 200, (Stroke("tube outline", line),))
    picture = rasterise(drawing, grey(101, 200))
    row = np.abs(picture[100].astype(np.float64) - 120.0).sum(axis=1)
    assert (np.arange(101) * row).sum() / row.sum() == pytest.approx(50.0, abs=0.05)


def test_the_photo_keeps_its_pixels_where_nothing_is_drawn() -> None:
    rng = np.random.default_rng(1)
    photo = rng.integers(0, 256, (240, 320, 3), dtype=np.uint8)
    line = np.array([[10.0, 20.0], [300.0, 20.0]])
    picture = rasterise(Drawing(320, 240, (Stroke("seat axis", line),), heading="x"), photo)
    assert np.array_equal(picture[40:240], photo[40:])
    assert not np.array_equal(picture[15:26], photo[15:26])


def test_a_dashed_line_has_gaps_in_its_colour_and_none_in_its_edge() -> None:
    line = np.array([[20.0, 50.0], [380.0, 50.0]])
    picture = rasterise(Drawing(400, 100, (Stroke("seat outline", line),)), grey(400, 100))
    middle = picture[50, 30:370].astype(np.float64)
    blue = np.linalg.norm(middle - rgb(COLOURS["blue"]), axis=1) < 60
    assert 0.4 < blue.mean() < 0.8
    assert np.count_nonzero(np.diff(blue.astype(int)) == 1) > 8
    white = np.linalg.norm(middle - 255.0, axis=1) < 60
    assert (blue | white).mean() > 0.9


def test_every_shape_leaves_its_colour() -> None:
    drawing = Drawing(
        600,
        400,
        (Stroke("whisker", np.array([[50.0, 50.0], [90.0, 60.0]])),),
        (Arrow(np.array([100.0, 300.0]), np.array([250.0, 250.0])),),
        (Cross(np.array([[[400.0, 100], [460, 160]], [[460, 100], [400, 160]]])),),
        (Symbol(np.array([300.0, 100.0]), "^", COLOURS["orange"]),),
        (Label("3.4 ± 0.3 mm", np.array([450.0, 300.0]), 240.0, 50.0, 34.0, "", "s", "#009E73"),),
    )
    picture = rasterise(drawing, grey(600, 400))
    arrow = places_of(picture[220:320, 90:260], COLOURS["vermilion"])
    assert len(arrow) > 300
    # The head is wider than the shaft and ends at the tip.
    tip = np.abs(arrow + np.array([90.0 - 250.0, 220.0 - 250.0])).sum(axis=1).min()
    assert tip < 8.0
    assert len(places_of(picture[80:180, 380:480], COLOURS["purple"])) > 150
    assert len(places_of(picture[85:115, 285:315], COLOURS["orange"])) > 60
    box = picture[276:325, 331:570]
    assert (box > 240).all(axis=2).mean() > 0.5
    assert (box < 60).all(axis=2).mean() > 0.03
    assert len(places_of(box, COLOURS["green"])) > 100


def test_later_shapes_cover_earlier_ones() -> None:
    line = np.array([[20.0, 100.0], [380.0, 100.0]])
    label = Label("0.25", np.array([200.0, 100.0]), 120.0, 50.0, 34.0)
    picture = rasterise(
        Drawing(400, 200, (Stroke("tube outline", line),), labels=(label,)), grey(400, 200)
    )
    assert len(places_of(picture[76:125, 141:260], COLOURS["yellow"])) == 0
    assert len(places_of(picture[:, 20:130], COLOURS["yellow"])) > 100


def test_the_words_stand_below_the_photo_and_never_on_it() -> None:
    legend = (Key("tube outline", "tube"), Key("symbol", "in", "o", "#009E73"), Key("arrow", "go"))
    drawing = Drawing(
        900, 300, (), heading="door bar: 3.4 ± 0.3 mm", lines=("one " * 60,), warnings=("No rule",),
        caution="Check by hand.", legend=legend,
    )  # fmt: skip
    picture = rasterise(drawing, grey(900, 300))
    assert picture.shape[1] == 900
    assert np.array_equal(picture[:300], grey(900, 300))
    strip = picture[300:]
    assert len(strip) > 300
    assert (strip == 255).all(axis=2).mean() > 0.7
    assert (strip < 80).all(axis=2).mean() > 0.01
    assert len(places_of(strip, COLOURS["yellow"])) > 50
    # Nothing runs over the right edge.
    assert (strip[:, -8:] == 255).all()


def test_a_real_gaps_outline_and_seat_appear_in_their_colours(cabin: Cabin) -> None:
    view = PhotoView.of(cabin.shut, cabin.shut.photos[0], gap_points(cabin.gap))
    drawing = gap_drawing(cabin.gap, cabin.shut, cabin.opened, view)
    picture = rasterise(drawing, grey(drawing.width, drawing.height))
    yellow = places_of(picture[: drawing.height], COLOURS["yellow"], 60.0)
    strokes = [s.places for s in drawing.strokes if s.role.startswith("tube")]
    dense = np.concatenate([np.linspace(a, b, 12) for line in strokes for a, b in pairwise(line)])
    away = np.array(
        [np.linalg.norm(dense - p, axis=1).min() for p in yellow[:: len(yellow) // 300]]
    )
    assert len(yellow) > 2000
    assert away.max() < 3.0


def test_the_users_own_plot_settings_change_nothing() -> None:
    line = np.array([[10.0, 20.0], [90.0, 70.0]])
    drawing = Drawing(100, 100, (Stroke("seat axis", line),), heading="U")
    plain = rasterise(drawing, grey(100, 100))
    with mpl.rc_context({"lines.linewidth": 9, "font.size": 30, "path.sketch": (9, 9, 9)}):
        assert np.array_equal(rasterise(drawing, grey(100, 100)), plain)
        assert mpl.rcParams["font.size"] == 30


def test_a_photo_of_another_size_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="photo"):
        rasterise(Drawing(100, 100, ()), grey(100, 99))


def test_without_a_place_for_its_font_cache_the_plotting_library_stays_silent(
    tmp_path: Path,
) -> None:
    script = (
        "import numpy as np; from fitscan.report.drawing import Drawing; "
        "from fitscan.report.raster import rasterise; "
        "rasterise(Drawing(90, 60, (), heading='U'), np.zeros((60, 90, 3), np.uint8)); "
        "import logging; assert logging.getLogger('matplotlib').level == logging.ERROR"
    )
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    result = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "MPLCONFIGDIR": str(tmp_path / "file" / "inside")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    assert result.stderr == ""
