"""The command that turns a shoot into a survey.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, Workers, app
from fitscan.cli.screen import (
    check_free,
    drawing,
    give,
    progress,
    say_files,
    say_notes,
    screen_for,
)
from fitscan.errors import InputError


@app.command(epilog=CAUTION)
def survey(
    shoot: Annotated[Path, typer.Argument(help="Folder with the photos of one shoot.")],
    kit: Annotated[Path, typer.Option(help="Kit file.")],
    camera: Annotated[
        Path | None, typer.Option(help="Camera file; without it the photos' EXIF is used.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Survey file to write.")] = None,
    pictures: Annotated[bool, typer.Option(help="Write pictures beside the file.")] = True,
    workers: Workers = None,
    cache: Annotated[
        Path | None,
        typer.Option(
            help="Folder that keeps what was found in each photo, for the next survey; a job "
            "keeps it in a hidden folder of its own."
        ),
    ] = None,
    no_cache: Annotated[
        bool, typer.Option("--no-cache", help="Look at every photo anew, and keep nothing.")
    ] = False,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Work out one shoot: every marker's place and how well it is known."""
    from fitscan.survey.found_before import cache_of_job
    from fitscan.survey.workers import starting_workers

    check_free(out, "fitscan.survey", replace=replace, pictures=pictures)
    if no_cache and cache is not None:
        raise InputError("--cache and --no-cache contradict each other", cache, "leave one out")
    if cache is None and not no_cache:
        cache = cache_of_job(shoot)
    with starting_workers(_for_workers(shoot, cache) if kit.is_file() else 0, workers):
        from fitscan.lens.camera_file import read_camera
        from fitscan.markers.kit import read_kit
        from fitscan.survey.shoot import sources_of, survey_folder

        plan = read_kit(kit)
        lens = read_camera(camera) if camera is not None else None
    with progress(quiet=quiet) as tell:
        result = survey_folder(
            shoot,
            plan,
            lens,
            sources=sources_of(kit, camera),
            workers=workers,
            cache=cache,
            progress=tell,
            meanwhile=_load_what_follows,
        )
        from fitscan.plan.advise import advise_if_possible, with_advice

        advice = advise_if_possible(result)
    result = with_advice(result, advice)
    from fitscan.survey.survey_file import survey_document

    give(survey_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    notes: list[str] = []
    if out is not None and pictures:
        from fitscan.report.write import write_survey_pictures

        stem = out.with_suffix("")
        with drawing(quiet=quiet):
            drawn = write_survey_pictures(result, shoot, stem, replace=replace, say=notes.append)
            if any(a.spot is not None for a in advice):
                from fitscan.report.sketch import write_advice_sketch

                drawn.append(write_advice_sketch(result, advice, stem, replace=replace))
    if not quiet:
        from fitscan.report.tables import survey_table

        screen = screen_for(hushed=json)
        screen.print(survey_table(result))
        say_notes(screen, notes)
        say_files(screen, out, *drawn)


def _load_what_follows() -> None:
    import_module("fitscan.plan.advise")
    import_module("fitscan.survey.survey_file")


def _for_workers(shoot: Path, cache: Path | None) -> int:
    """How many photos workers must look at, few of which this process looks at itself."""
    from fitscan.survey.found_before import unseen
    from fitscan.survey.workers import FEW

    if not shoot.is_dir():
        return 0
    # Files of other kinds count as photos here, and at most cost the workers' start.
    files = list(shoot.iterdir())
    new = unseen(files, cache)
    return new if new == len(files) or new >= FEW else 0
