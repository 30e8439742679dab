"""Picture files of a bar's stand-off: on photos of the bar's survey, and the plot.

How files are written is left to `write`.
"""

from __future__ import annotations

from pathlib import Path

from fitscan.fit.gap_standoff import Standoff
from fitscan.report.overlay_standoff import (
    standoff_drawing,
    standoff_points,
    worst_standoff_points,
)
from fitscan.report.page import png_of
from fitscan.report.plots_standoff import standoff_plot
from fitscan.report.write import PictureJob, Say
from fitscan.shape.centre_line import CentreLine

__all__ = ["write_standoff_pictures"]


def write_standoff_pictures(
    result: Standoff,
    clr_mm: float | None,
    photo_folder: Path | None,
    out_stem: Path,
    *,
    replace: bool = False,
    say: Say | None = None,
) -> list[Path]:
    """Draw a stand-off on the best photos of the bar's survey, and plot it.

    Args:
        result: to draw.
        clr_mm: the bar's centre-line radius, as the result was found with.
        photo_folder: photos of the bar's survey; without it there is only the plot.
        out_stem: files are named after it: "<stem>-photo-1.jpg", "<stem>-plot.png".
        replace: whether older pictures may be written over.
        say: told what could not be drawn.

    Returns:
        the files, as `fitscan.report.write.write_gap_pictures` does.

    Raises:
        InputError: a file exists already, or would be written over a photo.
        EnvironmentProblem: the disk is full or may not be written.
    """
    survey = result.chain.bar
    line = CentreLine.of(survey, result.bar, clr_mm)
    job = PictureJob(survey, photo_folder, out_stem, replace, say)
    return job.run(
        standoff_points(result),
        line.cuffs,
        lambda view: standoff_drawing(result, line, survey, view),
        lambda note: png_of(standoff_plot(result, note)),
        close_up=worst_standoff_points(result),
    )
