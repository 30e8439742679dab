"""The command line: parse, call, print. No computation happens here.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

from __future__ import annotations

import os
import re
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, cast

import typer

from fitscan import __version__
from fitscan.errors import FitscanError, InputError

if TYPE_CHECKING:
    from rich.console import Console

    from fitscan.store.json_file import JsonDocument
    from fitscan.survey.survey import Survey

__all__ = ["app", "main"]

CAUTION = (
    "fitscan measures fit. It does not approve a design, a weld or a material: the rules of your "
    "sanctioning body and local law decide, with a licensed or scrutineering person. Check by hand "
    "before you cut or weld, and keep paper and fuel away from hot work."
)

app = typer.Typer(
    name="fitscan",
    help="Measure how a welded tube cage fits its car, from phone photos of printed markers.",
    epilog=CAUTION,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON for machines.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print errors only.")]
Replace = Annotated[bool, typer.Option("--replace", help="Write over an existing result file.")]
Workers = Annotated[
    int | None, typer.Option(min=1, help="Processes that work on photos; all cores if not given.")
]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"fitscan {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Common options."""


def _screen(*, hushed: bool) -> Console:
    """Where people read: standard output, or standard error when machines read the output."""
    from rich.console import Console

    return Console(stderr=hushed, width=None if sys.stdout.isatty() else 80, highlight=False)


@contextmanager
def _progress(*, quiet: bool) -> Iterator[Callable[[str, int, int], None]]:
    """A progress bar per step on standard error."""
    if quiet:
        yield lambda sentence, done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("{task.description:<34}"), BarColumn(24), MofNCompleteColumn())
    bar = Progress(*columns, console=Console(stderr=True), transient=False)
    tasks: dict[str, Any] = {}

    def tell(sentence: str, done: int, total: int) -> None:
        # Not before there is something to tell: an early refusal stands alone.
        bar.start()
        if sentence not in tasks:
            for task in tasks.values():
                bar.update(task, completed=bar.tasks[task].total)
            tasks[sentence] = bar.add_task(sentence, total=max(total, 1))
        bar.update(tasks[sentence], completed=done, total=max(total, 1))

    try:
        yield tell
        for task in tasks.values():
            bar.update(task, completed=bar.tasks[task].total)
    finally:
        if tasks:
            bar.stop()


def _give(document: JsonDocument, out: Path | None, *, json: bool, replace: bool) -> None:
    from fitscan.store.json_file import render_json, write_json

    if out is not None:
        write_json(out, document, replace=replace)
    if json:
        sys.stdout.write(render_json(document))


_PICTURES = ("-photo-1.jpg", "-photo-2.jpg", "-close-up.jpg", "-plot.png")
"""What a result's pictures may be called after its own name."""


def _free(
    out: Path | None, kind: str, *, replace: bool, pictures: bool = True, kept: bool = False
) -> None:
    """Refuse before the work, not after it, a result that could not be written.

    Even when asked to replace, only an older result of the same kind is written over: never a
    record, a kit or a photo; and what is `kept` is never written over.
    """
    from fitscan.store.access import check_folder, write_refusal
    from fitscan.store.json_file import kind_of

    if out is None:
        return
    stem = out.with_suffix("")
    drawn = [stem.with_name(stem.name + ending) for ending in _PICTURES if pictures]
    try:
        if out.is_dir():
            raise InputError("This is a folder, not a file", out, "name a file inside it")
        check_folder(out.parent)
        there = [file for file in (out, *drawn) if file.exists()]
    except OSError as error:
        raise write_refusal(error, out.parent) from error
    if there and not replace:
        todo = "choose another name" + ("" if kept else " or give --replace")
        raise InputError("The file exists already", there[0], todo)
    if out in there and kind_of(out) != kind:
        what = "--replace writes only over an older result of the same command, not over this file"
        raise InputError(what, out, "choose another name")


def _there(folder: Path | None) -> None:
    """Refuse a folder of photos that is none."""
    if folder is not None and not folder.is_dir():
        raise InputError("There is no such folder", folder, "check the name")


@app.command(epilog=CAUTION)
def sheets(
    out: Annotated[Path, typer.Option(help="Folder for sheets.pdf and kit.toml.")],
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    name: Annotated[str, typer.Option(help="Printed on every sheet.")] = "kit",
    tags: Annotated[
        list[str] | None, typer.Option(help="PART:COUNT[:SIDE_MM], for example shell:24:40.")
    ] = None,
    tube: Annotated[
        list[str] | None,
        typer.Option(
            help="NAME:OD_MM[:STRAIGHTS[:CUFFS[:PART]]], for example 'main hoop:45:3:2' or, for "
            "the stubs in a recess, 'recess:38:1:2:trim'."
        ),
    ] = None,
    pointer: Annotated[
        list[str] | None, typer.Option(help="PART:NAME, for example 'trim:upper lip 1'.")
    ] = None,
    rules: Annotated[int, typer.Option(min=0, max=20, help="Pairs of tags for the scale.")] = 2,
    rule_mm: Annotated[
        list[float] | None, typer.Option(help="Measured length of the first, second ... rule.")
    ] = None,
    board: Annotated[bool, typer.Option(help="Also print the board for the lens.")] = True,
    first_id: Annotated[int, typer.Option(min=0, help="Lowest id, to add to a kit.")] = 0,
    measured_150_mm: Annotated[
        tuple[float, float] | None,
        typer.Option(
            help="What a steel rule says of an earlier sheet's 150 mm rulers, along the paper's "
            "short and long edge; the new sheets make up for it."
        ),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Print markers at true size, and write the kit file that belongs to them."""
    from fitscan.markers.sheet_text import request_from_text
    from fitscan.markers.sheets import make_sheets

    request = request_from_text(
        name, paper, tags or [], tube or [], pointer or [], rules, rule_mm or [],
        board=board, first_id=first_id, measured_150_mm=measured_150_mm,
    )  # fmt: skip
    result = make_sheets(request, out, replace=replace)
    if json:
        import json as machine

        content = {
            "kind": "fitscan.sheets",
            "pdf": str(result.pdf),
            "kit": str(result.kit_file),
            "pages": result.pages,
            "board": result.board,
            "notes": list(result.notes),
        }
        typer.echo(machine.dumps(content))
        return
    if not quiet:
        typer.echo(f"{result.pages} pages: {result.pdf}")
        typer.echo(f"kit: {result.kit_file}")
        for note in result.notes:
            typer.echo(note)


@app.command(epilog=CAUTION)
def calibrate(
    photos: Annotated[list[Path], typer.Argument(help="Photos of the board, twelve or more.")],
    board: Annotated[str, typer.Option(help="As printed on its sheet: charuco:7x10:26:19:...")],
    out: Annotated[Path | None, typer.Option(help="Camera file to write.")] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Measure the phone's lens from photos of the printed board."""
    from fitscan.lens.board import parse_board
    from fitscan.lens.calibrate import calibrate as run

    _free(out, "fitscan.camera", replace=replace, pictures=False)
    plan = parse_board(board)
    files = [f for p in photos for f in _expanded(p)]
    with _progress(quiet=quiet) as tell:
        seen = 0

        def one(_: str) -> None:
            nonlocal seen
            seen += 1
            tell("Finding the board", min(seen, len(files)), len(files))

        result = run(files, plan, one)
    _give(result.camera_file(), out, json=json, replace=replace)
    if not quiet:
        from fitscan.report.tables import camera_table

        screen = _screen(hushed=json)
        screen.print(camera_table(result))
        _say_file(screen, out)


def _expanded(path: Path) -> list[Path]:
    """A folder stands for its photos."""
    if not path.is_dir():
        return [path]
    from fitscan.photos.shoot import list_photos

    return list_photos(path)


def _say_notes(screen: Console, notes: list[str]) -> None:
    for note in notes:
        screen.print(note, soft_wrap=True, markup=False)


def _say_file(screen: Console, *files: Path | None) -> None:
    for file in files:
        if file is not None:
            screen.print(f"written: {file}", soft_wrap=True, markup=False)


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
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Work out one shoot: every marker's place and how well it is known."""
    from fitscan.lens.camera_file import read_camera
    from fitscan.markers.kit import read_kit
    from fitscan.survey.shoot import survey_folder
    from fitscan.survey.survey_file import survey_document

    _free(out, "fitscan.survey", replace=replace, pictures=pictures)
    plan = read_kit(kit)
    lens = read_camera(camera) if camera is not None else None
    with _progress(quiet=quiet) as tell:
        result = survey_folder(shoot, plan, lens, workers=workers, progress=tell)
    _give(survey_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    notes: list[str] = []
    if out is not None and pictures:
        from fitscan.report.write import write_survey_pictures

        drawn = write_survey_pictures(
            result, shoot, out.with_suffix(""), replace=replace, say=notes.append
        )
    if not quiet:
        from fitscan.report.tables import survey_table

        screen = _screen(hushed=json)
        screen.print(survey_table(result))
        _say_notes(screen, notes)
        _say_file(screen, out, *drawn)


@app.command(epilog=CAUTION)
def record(
    survey: Annotated[Path, typer.Argument(help="Survey file.")],
    part: Annotated[str, typer.Option(help="Part whose place is recorded.")],
    on: Annotated[str, typer.Option(help="Part that stays in the car.")],
    out: Annotated[Path, typer.Option(help="Record to write; never over another one.")],
    note: Annotated[str, typer.Option(help="A sentence to keep with it.")] = "",
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Keep where a part sat, before it comes out."""
    from fitscan.fit.record_file import RecordFile, keep_record
    from fitscan.store.json_file import read_json, render_json
    from fitscan.survey.survey_file import read_survey

    keep_record(out, read_survey(survey), part, on, note)
    if json:
        sys.stdout.write(render_json(read_json(out, RecordFile)))
    elif not quiet:
        typer.echo(f"written: {out}")


@app.command(epilog=CAUTION)
def recheck(
    record: Annotated[Path, typer.Argument(help="Record, from `fitscan record`.")],
    survey: Annotated[Path, typer.Argument(help="Survey of the part back in the car.")],
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest shift of a marker that you accept.")
    ] = 1.0,
    photos: Annotated[
        Path | None, typer.Option(help="Photos of the survey, to draw the result on.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say how a part sits now against its record, and what to move."""
    from fitscan.fit.recheck import recheck as run
    from fitscan.fit.record_file import read_record
    from fitscan.fit.result_file import recheck_document
    from fitscan.survey.survey_file import read_survey

    _free(out, "fitscan.recheck", replace=replace)
    _there(photos)
    kept = read_record(record)
    now = read_survey(survey)
    result = run(kept.survey, now, kept.part, kept.on, tolerance_mm)
    _give(recheck_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    notes: list[str] = []
    if out is not None:
        from fitscan.report.write import write_recheck_pictures

        folder = photos if photos is not None else _photos_of(now, survey)
        drawn = write_recheck_pictures(
            result, kept.survey, now, folder, out.with_suffix(""), replace=replace, say=notes.append
        )
    if not quiet:
        from fitscan.report.tables import recheck_table

        screen = _screen(hushed=json)
        screen.print(recheck_table(result))
        _say_notes(screen, notes)
        _say_file(screen, out, *drawn)


def _photos_of(survey: Survey, file: Path) -> Path | None:
    """The folder of a survey's photos, when it lies beside the survey's file."""
    folder = file.resolve().parent / survey.name
    return folder if folder.is_dir() else None


def _pair(text: str, option: str) -> tuple[Path, str]:
    """Split SURVEY:TUBE at the last colon."""
    path, colon, tube = text.rpartition(":")
    if not colon or not path or not tube:
        raise InputError(
            f"{text!r} is not SURVEY:TUBE", option, "write it like 'shut.json:door bar'"
        )
    return Path(path), tube


@app.command(epilog=CAUTION)
def gap(
    bar: Annotated[str, typer.Option(help="SURVEY:TUBE of the bar, for example 'shut.json:bar'.")],
    target: Annotated[str, typer.Option(help="SURVEY:TUBE of the stubs in the recess.")],
    on: Annotated[str, typer.Option(help="Part that both surveys show, for example trim.")],
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest distance of the axes that you accept.")
    ] = 2.0,
    station_mm: Annotated[
        float, typer.Option(min=5.0, max=1e4, help="Distance between stations.")
    ] = 50.0,
    photos: Annotated[
        Path | None, typer.Option(help="Photos of the bar's survey, to draw the result on.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say how far a bar is from where it should sit, station by station."""
    from fitscan.fit.gap import find_gap
    from fitscan.fit.result_file import gap_document
    from fitscan.survey.survey_file import read_survey

    _free(out, "fitscan.gap", replace=replace)
    _there(photos)
    bar_file, bar_tube = _pair(bar, "--bar")
    target_file, target_tube = _pair(target, "--target")
    bar_survey = read_survey(bar_file)
    target_survey = bar_survey if target_file == bar_file else read_survey(target_file)
    result = find_gap(
        bar_survey, bar_tube, target_survey, target_tube, on,
        tolerance_mm=tolerance_mm, station_mm=station_mm,
    )  # fmt: skip
    _give(gap_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    notes: list[str] = []
    if out is not None:
        from fitscan.report.write import write_gap_pictures

        folder = photos if photos is not None else _photos_of(bar_survey, bar_file)
        stem = out.with_suffix("")
        drawn = write_gap_pictures(
            result, bar_survey, target_survey, folder, stem, replace=replace, say=notes.append
        )
    if not quiet:
        from fitscan.report.tables import gap_table

        screen = _screen(hushed=json)
        screen.print(gap_table(result))
        _say_notes(screen, notes)
        _say_file(screen, out, *drawn)


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
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say how tubes are bent, whether their axes meet, and how long it is between nodes."""
    from fitscan.fit.tube_file import tubes_document
    from fitscan.fit.tubes import report_tubes
    from fitscan.survey.survey_file import read_survey

    _free(out, "fitscan.tubes", replace=replace)
    result = report_tubes(
        read_survey(survey), name or (), node or (), clr_mm=clr_mm, tolerance_mm=tolerance_mm
    )
    _give(tubes_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    if out is not None:
        from fitscan.report.plots_angles import write_angles_plot

        drawn = [write_angles_plot(result, out.with_suffix(""), replace=replace)]
    if not quiet:
        from fitscan.report.tables_angles import angles_table

        screen = _screen(hushed=json)
        screen.print(angles_table(result))
        _say_file(screen, out, *drawn)


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
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say how tubes lean, how level they lie, their angles, and left against right."""
    from fitscan.fit.angle_file import angles_document
    from fitscan.fit.angles import AngleWishes, find_angles
    from fitscan.survey.survey_file import read_survey

    _free(out, "fitscan.angles", replace=replace)
    wishes = AngleWishes(
        tuple(lean or ()), tuple(level or ()), tuple(between or ()), tuple(mirror or ()),
        tuple(symmetry or ()), against, tolerance_deg, tolerance_mm,
    )  # fmt: skip
    result = find_angles(read_survey(survey), wishes)
    _give(angles_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    if out is not None:
        from fitscan.report.plots_angles import write_angles_plot

        drawn = [write_angles_plot(result, out.with_suffix(""), replace=replace)]
    if not quiet:
        from fitscan.report.tables_angles import angles_table

        screen = _screen(hushed=json)
        screen.print(angles_table(result))
        _say_file(screen, out, *drawn)


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
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Hold a survey against lengths that you read with a steel rule, and keep the sheet."""
    from fitscan.fit.verify import parse_length
    from fitscan.fit.verify import verify as run
    from fitscan.fit.verify_file import keep_sheet, verify_document
    from fitscan.store.json_file import render_json
    from fitscan.survey.survey_file import read_survey

    _free(out, "fitscan.verify", replace=False, kept=True)
    result = run(read_survey(survey), [parse_length(text) for text in length], limit_mm)
    document = verify_document(result, note)
    drawn: list[Path] = []
    if out is not None:
        from fitscan.report.write import write_verify_plot

        keep_sheet(out, document)
        drawn = [write_verify_plot(result, out.with_suffix(""))]
    if json:
        sys.stdout.write(render_json(document))
    if not quiet:
        from fitscan.report.tables_verify import verify_table

        screen = _screen(hushed=json)
        screen.print(verify_table(result))
        _say_file(screen, out, *drawn)


@app.command(epilog=CAUTION)
def cope(
    run: Annotated[
        list[str],
        typer.Option(
            help="Tube that the near end sits on; twice for two. OD:ANGLE[:OFFSET[:TURN[:ALONG]]] "
            "in mm and degrees, or with --survey a tube's name."
        ),
    ],
    wall_mm: Annotated[float, typer.Option(help="Wall thickness of the branch.")],
    out: Annotated[Path, typer.Option(help="Folder for cope.pdf, cope.dxf and cope.json.")],
    od_mm: Annotated[float | None, typer.Option(help="Outside diameter of the branch.")] = None,
    far_run: Annotated[
        list[str] | None, typer.Option(help="The same for the far end, if that is coped too.")
    ] = None,
    length_mm: Annotated[
        float | None,
        typer.Option(help="Along the branch's axis, between where it passes the two runs' axes."),
    ] = None,
    survey: Annotated[
        Path | None, typer.Option(help="Survey file: angles, offsets, turn and length come from it")
    ] = None,
    branch: Annotated[
        str | None, typer.Option(help="With --survey: name of the tube that is cut.")
    ] = None,
    name: Annotated[str | None, typer.Option(help="Printed on the template.")] = None,
    kerf_mm: Annotated[
        float, typer.Option(help="How far the cut eats past its line on the kept side.")
    ] = 0.0,
    fit: Annotated[
        str,
        typer.Option(
            help="square: cut square to the surface, nothing to grind. ground: the outside fits "
            "once the inside is ground back by hand."
        ),
    ] = "square",
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    paper_mm: Annotated[float, typer.Option(help="Thickness of the template.")] = 0.1,
    measured_150_mm: Annotated[
        tuple[float, float] | None,
        typer.Option(
            help="What a steel rule says of an earlier sheet's 150 mm rulers, along the paper's "
            "short and long edge; the template makes up for it."
        ),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Draw wrap-around templates for a tube's coped ends, at true size. Dry-fit before cutting."""
    from dataclasses import replace as changed

    from fitscan.make.cope_file import cope_document, cope_format, write_cope
    from fitscan.make.cope_plan import CAUTIONS, plan_cope
    from fitscan.make.cope_text import request_from_survey, request_from_text, with_cut

    form = cope_format(paper, measured_150_mm)
    far = far_run or []
    if survey is None:
        request = request_from_text(name or branch, od_mm, wall_mm, run, far, length_mm)
    else:
        request = request_from_survey(survey, branch, od_mm, wall_mm, run, far, length_mm)
        request = changed(request, name=name or request.name)
    plan = plan_cope(with_cut(request, kerf_mm, fit, paper_mm))
    files = write_cope(plan, out, form, replace=replace)
    _give(cope_document(plan), None, json=json, replace=replace)
    if not quiet:
        screen = _screen(hushed=json)
        for sentence in (*plan.sentences, *request.warnings, *CAUTIONS):
            screen.print(sentence, markup=False)
        _say_file(screen, files.pdf, files.dxf, files.json)


@app.command(epilog=CAUTION)
def bends(
    clr_mm: Annotated[float, typer.Option(help="Centre-line radius of the bender's die.")],
    point: Annotated[
        list[str] | None,
        typer.Option(help="X,Y,Z in mm: start, each apex, end; three times or more."),
    ] = None,
    bend: Annotated[
        list[str] | None,
        typer.Option(
            help="FEED:TURN:ANGLE in mm and degrees, a row for each bend; the turn is clockwise "
            "as one looks along the tube from its start."
        ),
    ] = None,
    last_mm: Annotated[
        float | None, typer.Option(help="With --bend: straight after the last bend.")
    ] = None,
    between_mm: Annotated[
        float, typer.Option(help="Shortest straight between bends that the bender can hold.")
    ] = 0.0,
    ends_mm: Annotated[float, typer.Option(help="Shortest straight at the tube's ends.")] = 0.0,
    springback_percent: Annotated[
        float, typer.Option(help="Your own allowance, as a share of the angle.")
    ] = 0.0,
    springback_deg: Annotated[
        float, typer.Option(help="Your own allowance, the same for every bend.")
    ] = 0.0,
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Turn a bent tube's points into feed, turn and angle for a bender, or back."""
    from fitscan.make.bends import Bender
    from fitscan.make.bends_file import bends_document, table_from_text

    _free(out, "fitscan.bends", replace=replace, pictures=False)
    bender = Bender(clr_mm, between_mm, ends_mm, springback_percent, springback_deg)
    document = bends_document(table_from_text(point or [], bend or [], last_mm, bender))
    _give(document, out, json=json, replace=replace)
    if not quiet:
        from fitscan.report.bend_table import bend_table

        screen = _screen(hushed=json)
        screen.print(bend_table(document))
        _say_file(screen, out)


@app.command(epilog=CAUTION)
def demo(
    out: Annotated[
        Path, typer.Option(help="Folder for the results; made anew, never written over.")
    ] = Path("demo_results"),
    samples: Annotated[
        Path | None, typer.Option(help="Folder that holds sample_images and calibration.")
    ] = None,
    workers: Workers = None,
    quiet: Quiet = False,
) -> None:
    """Do both jobs on the sample photos: the door bar's gap, and the cage's recheck."""
    from fitscan.demo import run_demo
    from fitscan.report.tables import gap_table, recheck_table

    with _progress(quiet=quiet) as tell:
        result = run_demo(out, samples, workers=workers, progress=tell)
    if not quiet:
        screen = _screen(hushed=False)
        screen.print(gap_table(result.gap))
        screen.print(recheck_table(result.recheck))
        screen.print(f"Done in {result.seconds:.0f} s. Look at these:")
        _say_file(screen, *result.files)


_USAGE = cast("type[Exception]", typer.BadParameter.__bases__[0])
"""What is raised for a wrong option. Some versions of typer bring their own copy of click, so
that this class has no name that all of them share."""

_STOPPED = 130


def main() -> None:
    """Run the program; every error reaches the user as one sentence and an exit code."""
    try:
        code = app(sys.argv[1:] or ["--help"], prog_name="fitscan", standalone_mode=False)
    except FitscanError as error:
        _leave(str(error), error.exit_code)
    except _USAGE as error:
        _leave(str(_usage_refusal(error)), InputError.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        code = _STOPPED
    except MemoryError:
        _leave("The computer has too little memory for this: close other programs.", 3)
    except OSError as error:
        _leave(f"The computer refused: {error}.", 3)
    except Exception as error:
        if os.environ.get("FITSCAN_TRACEBACK"):
            raise
        _leave(_own_fault(error), 1)
    if code == _STOPPED:
        _leave("stopped; every file that was written is whole.", _STOPPED)
    raise SystemExit(code)


def _leave(sentence: str, code: int) -> NoReturn:
    typer.echo(f"fitscan: {sentence}", err=True)
    raise SystemExit(code) from None


def _own_fault(error: Exception) -> str:
    """What is not caught above is nobody's wrong input: a sentence that a report can quote."""
    place = traceback.extract_tb(error.__traceback__)[-1]
    said = " ".join(f"{type(error).__name__}: {error}".split())[:200]
    return (
        f"This is a fault of fitscan's, not yours ({said}, in {Path(place.filename).name}, line "
        f"{place.lineno}): please report it with the command you gave and what "
        "FITSCAN_TRACEBACK=1 before it shows."
    )


def _usage_refusal(error: Exception) -> InputError:
    """A wrong option or argument in one sentence."""
    said = getattr(error, "format_message", lambda: str(error))().rstrip(".")
    command = getattr(getattr(error, "ctx", None), "command_path", "fitscan")
    todo = f"`{command} --help` shows how it is written"
    if "unexpected extra argument" in said:
        todo = f"put names with spaces in quotes; {todo}"
    said = re.sub(r"^Invalid value for (.*): Input should be ", r"\1 must be ", said)
    said = re.sub(r"a valid (number|integer), .*", r"a \1", said).replace("integer", "whole number")
    said = re.sub(r"[.] Did you mean (.*)[?]$", r" (did you mean \1?)", said)
    return InputError(said, "", todo)
