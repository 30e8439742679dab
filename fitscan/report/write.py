"""Picture files beside a result: photos with the result drawn on them, and plots.

What is drawn is left to `overlay` and `plots`. Files are written whole or not at all, never over
a photo, and nothing of a photo's EXIF (place, time, owner) goes into them.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fitscan.errors import FitscanError, InputError
from fitscan.fit.gap import Gap
from fitscan.fit.recheck import Recheck
from fitscan.geometry.rotation import Array
from fitscan.photos.orientation import turned_upright
from fitscan.photos.read import read_rgb
from fitscan.report.choose import choose_photos
from fitscan.report.drawing import Drawing
from fitscan.report.overlay import (
    gap_drawing,
    gap_points,
    recheck_drawing,
    recheck_points,
    survey_drawing,
    worst_gap_points,
)
from fitscan.report.plots import gap_plot, png_of, recheck_plot, survey_plot
from fitscan.report.plots_residuals import residual_plot
from fitscan.report.raster import rasterise
from fitscan.report.view import CLOSE_UP, Crop, PhotoView
from fitscan.shape.straight import straights_of
from fitscan.store.atomic import write_new
from fitscan.store.digest import sha256_of_file
from fitscan.survey.survey import PhotoEntry, Survey

__all__ = [
    "PictureJob",
    "write_gap_pictures",
    "write_recheck_pictures",
    "write_survey_pictures",
]

Say = Callable[[str], None]
"""Told in a sentence what could not be drawn, and why."""

_QUALITY = 90
_WANTED = 2


def write_gap_pictures(
    gap: Gap,
    bar_survey: Survey,
    target_survey: Survey,
    photo_folder: Path | None,
    out_stem: Path,
    *,
    replace: bool = False,
    say: Say | None = None,
) -> list[Path]:
    """Draw a gap on the best photos of the bar's survey, and plot it.

    Args:
        gap: the result.
        bar_survey: the bar's.
        target_survey: the seat's.
        photo_folder: photos of the bar's survey; without it there are only plots, and they say so.
        out_stem: files are named after it: "<stem>-photo-1.jpg", "<stem>-plot.png".
        replace: whether older pictures may be written over.
        say: told what could not be drawn.

    Returns:
        the files: pictures on photos first, then a close-up of the worst station
        ("<stem>-close-up.jpg"), then the plot.

    Raises:
        InputError: a file exists already, or would be written over a photo.
        EnvironmentProblem: the disk is full or may not be written.
    """
    cuffs = [c for s in straights_of(bar_survey, gap.bar) for c in s.cuffs]
    job = PictureJob(bar_survey, photo_folder, out_stem, replace, say)
    return job.run(
        gap_points(gap),
        cuffs,
        lambda view: gap_drawing(gap, bar_survey, target_survey, view),
        lambda note: png_of(gap_plot(gap, note)),
        close_up=worst_gap_points(gap),
    )


def write_recheck_pictures(
    result: Recheck,
    record: Survey,
    now: Survey,
    photo_folder: Path | None,
    out_stem: Path,
    *,
    replace: bool = False,
    say: Say | None = None,
) -> list[Path]:
    """Draw a recheck on the best photos of the later survey, and plot it.

    Arguments, result and errors are those of `write_gap_pictures`; photo_folder holds the photos
    of `now`.
    """
    job = PictureJob(now, photo_folder, out_stem, replace, say)
    return job.run(
        recheck_points(result),
        [s.marker_id for s in result.shifts],
        lambda view: recheck_drawing(result, record, now, view),
        lambda note: png_of(recheck_plot(result, record, note)),
    )


def write_survey_pictures(
    survey: Survey,
    photo_folder: Path | None,
    out_stem: Path,
    *,
    replace: bool = False,
    say: Say | None = None,
) -> list[Path]:
    """Draw what was measured on the two photos that show most of it, and plot the quality.

    Arguments, result and errors are those of `write_gap_pictures`; what is left over by place in
    the photo is a second plot, "<stem>-plot-2.png", where the survey knows it.
    """
    job = PictureJob(survey, photo_folder, out_stem, replace, say)
    files = job.run(
        np.array([p.translation for p in survey.poses]),
        survey.markers,
        lambda view: survey_drawing(survey, view),
        lambda note: png_of(survey_plot(survey, note)),
        cropped=False,
    )
    if survey.quality.rings:
        files.append(job.write("-plot-2.png", png_of(residual_plot(survey))))
    return files


class PictureJob:
    """One result's pictures."""

    def __init__(
        self,
        survey: Survey,
        folder: Path | None,
        stem: Path,
        replace: bool,
        say: Say | None,
    ) -> None:
        self.survey, self.folder, self.stem = survey, folder, stem
        self.replace = replace
        self.say = say or (lambda sentence: None)

    def run(
        self,
        points: Array,
        markers: Iterable[int],
        draw: Callable[[PhotoView], Drawing],
        plot: Callable[[str], bytes],
        *,
        cropped: bool = True,
        close_up: Array | None = None,
    ) -> list[Path]:
        """Write the pictures on photos, a close-up if places for it are given, and the plot."""
        files: list[Path] = []
        notes: list[str] = []
        near = list(markers)
        if self.folder is None:
            notes.append("No photos were at hand, so there is no picture on a photo.")
        else:
            # A photo that cannot be read is made up for by the next best one.
            for entry in choose_photos(self.survey, points, 3 * _WANTED, near):
                if len(files) == _WANTED:
                    break
                view = PhotoView.of(self.survey, entry, points if cropped else None)
                ending = f"-photo-{len(files) + 1}.jpg"
                files += self._picture(self.folder, view, draw, ending, notes)
            if close_up is not None:
                # The gap shows only to a camera that looks across it.
                for entry in choose_photos(self.survey, close_up[:2], 1, near):
                    view = PhotoView.of(self.survey, entry, close_up, CLOSE_UP)
                    files += self._picture(self.folder, view, draw, "-close-up.jpg", notes)
            if not files and not notes:
                notes.append("No used photo shows it, so there is no picture on a photo.")
        told = list(dict.fromkeys(notes))
        files.append(self.write("-plot.png", plot(" ".join(told))))
        for note in told:
            self.say(note)
        return files

    def _picture(
        self,
        folder: Path,
        view: PhotoView,
        draw: Callable[[PhotoView], Drawing],
        ending: str,
        notes: list[str],
    ) -> list[Path]:
        """One picture on a photo, or none and a note why."""
        photo = self._photo(folder / view.entry.name, view.entry, notes)
        if photo is None:
            return []
        shown = shown_part(photo, view.entry.orientation, view.crop)
        return [self.write(ending, jpeg_of(rasterise(draw(view), shown)))]

    def _photo(
        self, path: Path, entry: PhotoEntry, notes: list[str]
    ) -> npt.NDArray[np.uint8] | None:
        """Pixels in the sensor's orientation, or None and a note why not."""
        try:
            if entry.sha256 and sha256_of_file(path) != entry.sha256:
                notes.append(f"{entry.name} is not the photo that was measured; not drawn on.")
                return None
            pixels = read_rgb(path, upright=False)
        except FitscanError as error:
            notes.append(f"{entry.name} could not be drawn on: {error.what}.")
            return None
        lens = self.survey.lens
        if pixels.shape[:2] != (lens.height_px, lens.width_px):
            notes.append(f"{entry.name} has another size than was measured; not drawn on.")
            return None
        return pixels

    def write(self, ending: str, data: bytes) -> Path:
        """Write one picture, never over a photo."""
        path = self.stem.with_name(self.stem.name + ending)
        if self.folder is not None and path.parent.resolve() == self.folder.resolve():
            names = {p.name.casefold() for p in self.survey.photos}
            if path.name.casefold() in names:
                raise InputError(
                    "A picture would be written over a photo", path, "name the result differently"
                )
        write_new(path, data, replace=self.replace)
        return path


def shown_part(
    sensor: npt.NDArray[np.uint8], orientation: int, crop: Crop
) -> npt.NDArray[np.uint8]:
    """The part (height, width, 3) of a photo that a view shows, turned upright and scaled."""
    import cv2

    upright = turned_upright(sensor, orientation)
    part = upright[crop.top : crop.top + crop.height, crop.left : crop.left + crop.width]
    smaller = crop.shown_width < crop.width
    # OpenCV's resize maps pixel areas, so centres go where `Crop.apply` says.
    out = cv2.resize(
        part, (crop.shown_width, crop.shown_height),
        interpolation=cv2.INTER_AREA if smaller else cv2.INTER_CUBIC,
    )  # fmt: skip
    return np.asarray(out, dtype=np.uint8)


def jpeg_of(picture: npt.NDArray[np.uint8]) -> bytes:
    """JPEG bytes without metadata; full colour resolution keeps thin lines crisp."""
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "JPEG", quality=_QUALITY, subsampling=0, optimize=True)
    return stream.getvalue()
