"""A folder of photos to a survey: which photos belong, which lens they had, a look, then `build`.

The one function that the command line and others call for a survey.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from pathlib import Path

from fitscan.errors import FitscanError
from fitscan.lens.camera_file import CameraFile, now_utc
from fitscan.lens.match import lens_for
from fitscan.markers.kit import Kit
from fitscan.markers.layout import Layout
from fitscan.photos.altered import altered_among
from fitscan.photos.read import PhotoHeader, read_header
from fitscan.photos.shoot import copies_among, list_photos
from fitscan.store.access import make_folder
from fitscan.store.digest import sha256_of_file
from fitscan.survey.look import look_at, no_photo_left
from fitscan.survey.priors import Priors
from fitscan.survey.shelf import photo_shelf
from fitscan.survey.start import Sighted
from fitscan.survey.survey import Sources, Survey
from fitscan.survey.workers import Progress

__all__ = ["sources_of", "survey_folder"]


def sources_of(kit: Path, camera: Path | None) -> Sources:
    """Hashes of the kit's and the camera's file.

    Raises:
        InputError: no such file, or it may not be read.
    """
    return Sources(sha256_of_file(kit), sha256_of_file(camera) if camera is not None else None)


def survey_folder(
    folder: Path,
    kit: Kit,
    camera: CameraFile | None = None,
    *,
    sources: Sources | None = None,
    priors: Priors | None = None,
    workers: int | None = None,
    cache: Path | None = None,
    progress: Progress | None = None,
    meanwhile: Callable[[], object] | None = None,
) -> Survey:
    """Survey a shoot.

    Args:
        folder: with the photos of one shoot.
        kit: what is printed.
        camera: from `fitscan calibrate`, or None to start from the photos' EXIF.
        sources: the files that kit and camera were read from, kept with the survey.
        priors: of the nuisances.
        workers: processes for the photos; all cores if None.
        cache: folder in which is kept what was found in each photo; made if it is not there.
        progress: told what happens.
        meanwhile: called while photos are looked at, such as to load what the caller needs next.

    Raises:
        InputError: no photos, or none by the calibrated camera.
        DataError: the photos cannot give a survey; the message says what would help.
    """
    refused: dict[Path, str] = {}
    headers: list[PhotoHeader] = []
    paths = list_photos(folder)
    copies = copies_among(paths)
    for path in paths:
        if path in copies:
            refused[path] = f"it is the same file as {copies[path].name}"
            continue
        try:
            headers.append(read_header(path))
        except FitscanError as error:
            refused[path] = error.what[:1].lower() + error.what[1:]
    refused.update(altered_among(headers))
    headers = [h for h in headers if h.path not in refused]
    if not headers:
        raise no_photo_left(folder, refused)
    match = lens_for([h.identity for h in headers], camera)
    for i, reason in match.refused.items():
        refused[headers[i].path] = reason
    photos = [headers[i].path for i in match.used]
    tell = progress or (lambda sentence, done, total: None)
    kept = make_folder(cache) if cache is not None else None
    sighted = Sighted(match.prior.lens, Layout.of(kit))

    def begun() -> None:
        _load_the_rest()
        if meanwhile is not None:
            meanwhile()

    with photo_shelf(len(photos)) as shelf:
        looked = look_at(photos, set(kit.tag_ids), workers, tell, shelf, kept, sighted.of, begun)
        from fitscan.survey.build import build_survey

        survey = build_survey(
            folder.resolve().name, looked, refused, kit, match.prior, priors=priors,
            workers=workers, cache=kept, progress=progress, sighted=sighted,
        )  # fmt: skip
    return replace(survey, sources=sources or Sources(), made_at=now_utc())


def _load_the_rest() -> None:
    """Load what solves a survey, which takes a while: workers look meanwhile."""
    import_module("fitscan.survey.build")
    import_module("numpy.ma")  # `numpy.unique` asks for it.
