"""A verification on the screen and on paper: every number, within a narrow screen."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cabins import survey_of, truth_poses
from matplotlib.figure import Figure
from PIL import Image
from rich.console import Console

from fitscan.errors import InputError
from fitscan.fit.verify import ReadLength, Verification, verify
from fitscan.geometry.rigid import Rigid
from fitscan.report.overlay_verify import verify_drawing, write_verify_pictures
from fitscan.report.page import png_of
from fitscan.report.palette import VERDICT_LOOKS
from fitscan.report.pieces import WIDTH
from fitscan.report.plots_verify import verify_plot
from fitscan.report.tables_verify import verify_table
from fitscan.report.view import PhotoView
from fitscan.report.words import CAUTION, SHORT_CAUTION, amount
from fitscan.survey.survey import Survey

ERRORS = {(0, 1): 0.1, (2, 3): -1.2, (4, 13): 2.0, (8, 15): 0.0, (33, 1): -0.15}


@pytest.fixture(scope="module")
def survey() -> Survey:
    return survey_of("cabin", truth_poses(), Rigid.identity())


@pytest.fixture(scope="module")
def result(survey: Survey) -> Verification:
    poses = truth_poses()
    read = [
        ReadLength(
            ids, float(np.linalg.norm(poses[ids[0]].translation - poses[ids[1]].translation)) - e
        )
        for ids, e in ERRORS.items()
    ]
    return verify(survey, read, 1.0)


def printed(result: Verification) -> str:
    console = Console(width=WIDTH, color_system=None, highlight=False)
    with console.capture() as capture:
        console.print(verify_table(result))
    return capture.get()


def with_gid(figure: Figure, gid: str) -> list[Any]:
    return list(figure.findobj(lambda a: a.get_gid() == gid))


def test_the_table_has_a_row_for_each_length_and_fits_a_narrow_screen(result: Verification) -> None:
    text = printed(result)
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    assert "…" not in text
    lines = [" ".join(line.split()) for line in text.splitlines()]
    assert "from, to read measured error U error/U verdict" in lines
    for c in result.lengths:
        row = (
            f"{c.read.ids[0]}, {c.read.ids[1]} {c.read.length_mm:.1f} {c.measured_mm:.2f} "
            f"{c.error_mm:+.2f} {c.expanded_mm:.2f} {c.ratio:.2f} {c.verdict.value}"
        ).replace("-0.00", "+0.00")
        assert row in lines
    whole = " ".join(lines)
    assert "U (k = 2) of both sides" in whole
    assert "Against 1 mm: 3 in tolerance, 1 out of tolerance, 1 cannot be decided." in whole
    assert whole.endswith(" ".join(CAUTION.split()))
    for s in result.sentences:
        assert s in whole


def test_the_plot_holds_each_error_with_its_u_and_the_limit(result: Verification) -> None:
    figure = verify_plot(result)
    bars = with_gid(figure, "error")
    assert sorted(b.get_height() for b in bars) == pytest.approx(sorted(ERRORS.values()))
    places = [b.get_x() + 0.5 * b.get_width() for b in bars]
    assert places == pytest.approx([c.read.length_mm for c in result.lengths])
    (limit,) = with_gid(figure, "limit")
    assert (limit.get_bbox().ymin, limit.get_bbox().ymax) == pytest.approx((-1.0, 1.0))
    axes = figure.axes[0]
    low, high = axes.get_ylim()
    assert high > max(abs(c.error_mm) + c.expanded_mm for c in result.lengths)
    assert low == -high
    words = [w for name in ("in", "OUT", "open") for w in with_gid(figure, f"verdict {name}")]
    assert [len(w.get_xdata()) for w in words] == [3, 1, 1]
    assert axes.get_ylabel() == "error, mm"
    said = " ".join(t.get_text() for t in figure.texts)
    assert SHORT_CAUTION.split(":")[0] in said
    assert "Whiskers: U (k = 2)" in said


def test_the_plots_whiskers_reach_u_to_either_side(result: Verification) -> None:
    from matplotlib.collections import LineCollection

    figure = verify_plot(result)
    (bars,) = [c for c in figure.axes[0].collections if isinstance(c, LineCollection)]
    for segment, c in zip(bars.get_segments(), result.lengths, strict=True):
        ends = np.asarray(segment)[:, 1]
        assert ends == pytest.approx([c.error_mm - c.expanded_mm, c.error_mm + c.expanded_mm])


def test_the_plot_is_written_beside_the_sheet_and_never_over_another(
    result: Verification, survey: Survey, tmp_path: Path
) -> None:
    said: list[str] = []
    (path,) = write_verify_pictures(result, survey, None, tmp_path / "sheet", say=said.append)
    assert path == tmp_path / "sheet-plot.png"
    assert Image.open(io.BytesIO(path.read_bytes())).size[0] == 1800
    assert png_of(verify_plot(result, said[0])) == path.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        write_verify_pictures(result, survey, None, tmp_path / "sheet")


def test_lengths_lie_from_mark_to_mark_on_the_photo_with_error_and_u(
    result: Verification, survey: Survey
) -> None:
    poses = truth_poses()
    told = 0
    for entry in survey.photos:
        if entry.cam_from_survey is None:
            continue
        view = PhotoView.of(survey, entry)
        drawing = verify_drawing(result, survey, view)
        texts = {label.of: label for label in drawing.labels}
        for stroke in drawing.of_role("whisker"):
            ids = tuple(int(i) for i in stroke.of.split("-"))
            c = next(c for c in result.lengths if c.read.ids == ids)
            ends, _ = view.shown(np.array([poses[i].translation for i in ids]))
            assert stroke.places == pytest.approx(ends, abs=1e-6)
            if stroke.of in texts:
                told += 1
                assert amount(c.error_mm, c.expanded_mm, "mm") in texts[stroke.of].text
                assert texts[stroke.of].shape == VERDICT_LOOKS[c.verdict].shape
        drawn = len(drawing.of_role("whisker"))
        if drawn < len(result.lengths):
            assert any("not fit into this photo" in line for line in drawing.lines)
        assert drawing.caution == SHORT_CAUTION
    assert told >= 3
