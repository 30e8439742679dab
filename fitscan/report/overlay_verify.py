"""Lengths that were read with a steel rule, on a photo: from mark to mark, with their errors.

Which photos are taken is left to `choose`, the shapes they share with other results to `overlay`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fitscan.fit.verify import CheckedLength, Verification
from fitscan.geometry.rotation import Array
from fitscan.report.drawing import Drawing, Key, Stroke
from fitscan.report.labels import Wish
from fitscan.report.overlay import Sheet, draw_markers, inside, photo_words, renamed
from fitscan.report.page import png_of
from fitscan.report.palette import VERDICT_LOOKS
from fitscan.report.plots_verify import verify_plot
from fitscan.report.view import PhotoView
from fitscan.report.words import amount
from fitscan.report.write import PictureJob, Say
from fitscan.shape.marks import Marks
from fitscan.survey.survey import Survey

__all__ = ["verify_drawing", "verify_points", "write_verify_pictures"]


def verify_points(result: Verification, survey: Survey) -> Array:
    """Ends (n, 3) of all lengths, in the survey's frame."""
    return np.concatenate([_ends(c, survey) for c in result.lengths])


def _ends(c: CheckedLength, survey: Survey) -> Array:
    marks = Marks.of(survey, c.read.ids, "the lengths")
    poses = {m: survey.poses[survey.row(m)] for m in c.read.ids}
    return np.array([marks.point(poses, m) for m in c.read.ids])


def verify_drawing(result: Verification, survey: Survey, view: PhotoView) -> Drawing:
    """Each length of which both ends are in the photo, with its error, U and verdict."""
    sheet = Sheet(view)
    draw_markers(sheet, survey)
    wishes = []
    drawn = []
    for c in result.lengths:
        ends, seen = view.shown(_ends(c, survey))
        if not seen.all() or not all(inside(p, view) for p in ends):
            continue
        drawn.append(c)
        of = f"{c.read.ids[0]}-{c.read.ids[1]}"
        sheet.strokes.append(Stroke("whisker", ends, of))
        look = VERDICT_LOOKS[c.verdict]
        text = f"{c.read.length_mm:.1f}: {amount(c.error_mm, c.expanded_mm, 'mm')}"
        up = np.array([0.0, -1.0])
        wishes.append(Wish(text, ends.mean(axis=0), up, of, look.shape, look.colour))
    for verdict in dict.fromkeys(c.verdict for c in drawn):
        look = VERDICT_LOOKS[verdict]
        sheet.legend.append(Key("symbol", verdict.value, look.shape, look.colour))
    lost = sheet.label(wishes)
    untold = len(result.lengths) - len(drawn) + lost
    sheet.lines = [
        *result.sentences[:2],
        "Labels: what the rule read, and the error (measured less read) ± U (k = 2) of both.",
        f"{photo_words(view)}, survey {survey.name}.",
    ]
    if untold:
        lengths = "1 length does" if untold == 1 else f"{untold} lengths do"
        sheet.lines.append(f"{lengths} not fit into this photo: see the table.")
    worst = max(result.lengths, key=lambda c: abs(c.error_mm))
    heading = f"Steel rule: error {amount(worst.error_mm, worst.expanded_mm, 'mm')} at worst"
    drawing = sheet.finish(heading, result.warnings)
    return renamed(drawing, {"whisker": "length read with the rule"})


def write_verify_pictures(
    result: Verification,
    survey: Survey,
    photo_folder: Path | None,
    out_stem: Path,
    *,
    say: Say | None = None,
) -> list[Path]:
    """Draw lengths on the best photos of their survey, and plot them; never over other files.

    Arguments, result and errors are those of `fitscan.report.write.write_gap_pictures`.
    """
    job = PictureJob(survey, photo_folder, out_stem, False, say)
    return job.run(
        verify_points(result, survey),
        list(dict.fromkeys(m for c in result.lengths for m in c.read.ids)),
        lambda view: verify_drawing(result, survey, view),
        lambda note: png_of(verify_plot(result, note)),
    )
