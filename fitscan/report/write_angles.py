"""Picture files of angles, tubes and nodes: on photos of their survey, and the plot.

How files are written is left to `write`.
"""

from __future__ import annotations

from pathlib import Path

from fitscan.fit.reading import Told
from fitscan.report.overlay_angles import angles_drawing, angles_points
from fitscan.report.page import png_of
from fitscan.report.plots_angles import angles_plot
from fitscan.report.write import PictureJob, Say
from fitscan.survey.survey import Survey

__all__ = ["write_angles_pictures"]


def write_angles_pictures(
    told: Told,
    survey: Survey,
    photo_folder: Path | None,
    out_stem: Path,
    *,
    replace: bool = False,
    say: Say | None = None,
) -> list[Path]:
    """Draw numbers on the best photos of their survey, and plot them.

    Args:
        told: the result.
        survey: that it was found in.
        photo_folder: its photos; without it there is only the plot, which says so.
        out_stem: files are named after it: "<stem>-photo-1.jpg", "<stem>-plot.png".
        replace: whether older pictures may be written over.
        say: told what could not be drawn.

    Raises:
        InputError: a file exists already, or would be written over a photo.
        EnvironmentProblem: the disk is full or may not be written.
    """
    job = PictureJob(survey, photo_folder, out_stem, replace, say)
    return job.run(
        angles_points(told),
        [c for rule in told.rules for c in rule.cuffs],
        lambda view: angles_drawing(told, survey, view),
        lambda note: png_of(angles_plot(told, note)),
    )
