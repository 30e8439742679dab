"""Commands that ask one survey: bends, angles, lengths read with a steel rule.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import (
    check_free,
    check_photos_folder,
    give,
    photos_of,
    say_files,
    say_notes,
    screen_for,
    working,
)

if TYPE_CHECKING:
    from fitscan.fit.reading import Told
    from fitscan.survey.survey import Survey


@app.command(epilog=CAUTION)
def tube(
    survey: Annotated[Path, typer.Argument(help="Survey file.")],
    name: Annotated[
        list[str] | None,
        typer.Option("--tube", help="Tube whose straights and bends are told; may be repeated."),
    ] = None,
    node: Annotated[
        list[str] | None,
        typer.Option(
            help="A=B, two tubes (TUBE or TUBE:STRAIGHT) whose axes should meet; lengths are told "
            "between all nodes that are given."
        ),
    ] = None,
    clr_mm: Annotated[
        float | None,
        typer.Option(min=1.0, max=1e4, help="Centre-line radius; else the kit's [[tube]]."),
    ] = None,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest offset of a node that you accept.")
    ] = 1.0,
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    photos: Annotated[
        Path | None, typer.Option(help="Photos of the survey, to draw the result on.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say how tubes are bent, whether their axes meet, and how long it is between nodes."""
    from fitscan.fit.tube_file import tubes_document
    from fitscan.fit.tubes import report_tubes
    from fitscan.survey.survey_file import read_survey

    check_free(out, "fitscan.tubes", replace=replace)
    check_photos_folder(photos)
    found = read_survey(survey)
    result = report_tubes(found, name or (), node or (), clr_mm=clr_mm, tolerance_mm=tolerance_mm)
    give(tubes_document(result), out, json=json, replace=replace)
    _show(
        result, found, photos if photos is not None else photos_of(found, survey), out,
        json=json, quiet=quiet, replace=replace,
    )  # fmt: skip


@app.command(epilog=CAUTION)
def angles(
    survey: Annotated[Path, typer.Argument(help="Survey file.")],
    lean: Annotated[
        list[str] | None,
        typer.Option(
            help="TUBE or TUBE:STRAIGHT[@DEG]: how it leans; @DEG is the lean forward that is "
            "wanted, for example 'main hoop:1@-3'."
        ),
    ] = None,
    level: Annotated[
        list[str] | None,
        typer.Option(
            help="TUBE[:STRAIGHT][@DEG]: how level it lies; give it twice to compare two bars."
        ),
    ] = None,
    between: Annotated[
        list[str] | None,
        typer.Option(help="A=B[@DEG]: angle between two tubes, 'main hoop:1=stay left@45'."),
    ] = None,
    mirror: Annotated[
        list[str] | None,
        typer.Option(help="LEFT=RIGHT: hold two tubes against each other in the centre plane."),
    ] = None,
    symmetry: Annotated[
        list[str] | None,
        typer.Option(help="PART: pair its tubes left and right by themselves, for example cage."),
    ] = None,
    against: Annotated[
        str, typer.Option(help="car, plumb or both: what leans and levels are held against.")
    ] = "both",
    tolerance_deg: Annotated[
        float,
        typer.Option(
            min=0.0,
            max=90.0,
            help="Largest error of an angle that you accept; 0.1 is what a digital gauge shows.",
        ),
    ] = 0.1,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest offset of left from right.")
    ] = 2.0,
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    photos: Annotated[
        Path | None, typer.Option(help="Photos of the survey, to draw the result on.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say how tubes lean, how level they lie, their angles, and left against right."""
    from fitscan.fit.angle_file import angles_document
    from fitscan.fit.angles import AngleWishes, find_angles
    from fitscan.survey.survey_file import read_survey

    check_free(out, "fitscan.angles", replace=replace)
    check_photos_folder(photos)
    wishes = AngleWishes(
        tuple(lean or ()), tuple(level or ()), tuple(between or ()), tuple(mirror or ()),
        tuple(symmetry or ()), against, tolerance_deg, tolerance_mm,
    )  # fmt: skip
    found = read_survey(survey)
    result = find_angles(found, wishes)
    give(angles_document(result), out, json=json, replace=replace)
    _show(
        result, found, photos if photos is not None else photos_of(found, survey), out,
        json=json, quiet=quiet, replace=replace,
    )  # fmt: skip


def _show(
    result: Told,
    found: Survey,
    folder: Path | None,
    out: Path | None,
    *,
    json: bool,
    quiet: bool,
    replace: bool,
) -> None:
    """Draw and print readings of one survey."""
    drawn: list[Path] = []
    notes: list[str] = []
    if out is not None:
        from fitscan.report.write_angles import write_angles_pictures

        with working("Drawing pictures", quiet=quiet):
            drawn = write_angles_pictures(
                result, found, folder, out.with_suffix(""), replace=replace, say=notes.append
            )
    if not quiet:
        from fitscan.report.tables_angles import angles_table

        screen = screen_for(hushed=json)
        screen.print(angles_table(result))
        say_notes(screen, notes)
        say_files(screen, out, *drawn)


@app.command(epilog=CAUTION)
def verify(
    survey: Annotated[Path, typer.Argument(help="Survey file.")],
    length: Annotated[
        list[str],
        typer.Option(
            help="ID:ID:MM[:U_MM], a length read with your own steel rule between two tags' "
            "centres or pointers' tips, for example 4:17:1203.5:0.3; give it once for each length."
        ),
    ],
    limit_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest error that you accept.")
    ] = 1.0,
    out: Annotated[
        Path | None, typer.Option(help="Sheet to write; never over another file.")
    ] = None,
    note: Annotated[str, typer.Option(help="A sentence to keep with it: which rule, who.")] = "",
    photos: Annotated[
        Path | None, typer.Option(help="Photos of the survey, to draw the lengths on.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Hold a survey against lengths that you read with a steel rule, and keep the sheet."""
    from fitscan.fit.verify import parse_length
    from fitscan.fit.verify import verify as run
    from fitscan.fit.verify_file import keep_sheet, verify_document
    from fitscan.store.json_file import render_json
    from fitscan.survey.survey_file import read_survey

    check_free(out, "fitscan.verify", replace=False, kept=True)
    check_photos_folder(photos)
    found = read_survey(survey)
    result = run(found, [parse_length(text) for text in length], limit_mm)
    document = verify_document(result, note)
    drawn: list[Path] = []
    notes: list[str] = []
    if out is not None:
        from fitscan.report.overlay_verify import write_verify_pictures

        keep_sheet(out, document)
        folder = photos if photos is not None else photos_of(found, survey)
        stem = out.with_suffix("")
        drawn = write_verify_pictures(result, found, folder, stem, say=notes.append)
    if json:
        sys.stdout.write(render_json(document))
    if not quiet:
        from fitscan.report.tables_verify import verify_table

        screen = screen_for(hushed=json)
        screen.print(verify_table(result))
        say_notes(screen, notes)
        say_files(screen, out, *drawn)
