"""Commands that hold a survey against a record: record, recheck.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import (
    check_free,
    check_photos_folder,
    drawing,
    give,
    photos_of,
    say_files,
    say_notes,
    screen_for,
    working,
)


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
    rewrapped: Annotated[
        list[str] | None,
        typer.Option(
            help="Cuffs that were wrapped anew since the record: all, a cuff's first id, TUBE or "
            "TUBE:STRAIGHT; may be repeated. Only their tubes' lines are compared."
        ),
    ] = None,
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

    check_free(out, "fitscan.recheck", replace=replace)
    check_photos_folder(photos)
    kept = read_record(record)
    now = read_survey(survey)
    result = run(
        kept.survey, now, kept.part, kept.on, tolerance_mm, rewrapped=rewrapped or ()
    )  # fmt: skip
    give(recheck_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    notes: list[str] = []
    if out is not None:
        from fitscan.report.write import write_recheck_pictures

        folder = photos if photos is not None else photos_of(now, survey)
        with drawing(quiet=quiet):
            drawn = write_recheck_pictures(
                result,
                kept.survey,
                now,
                folder,
                out.with_suffix(""),
                replace=replace,
                say=notes.append,
            )
    if not quiet:
        from fitscan.report.tables import recheck_table

        screen = screen_for(hushed=json)
        screen.print(recheck_table(result))
        say_notes(screen, notes)
        say_files(screen, out, *drawn)


@app.command(epilog=CAUTION)
def bench(
    record: Annotated[
        Path, typer.Argument(help="Record, or with --part a survey, from before welding.")
    ],
    survey: Annotated[Path, typer.Argument(help="Survey of the part on the bench.")],
    part: Annotated[
        str | None, typer.Option(help="Part to hold against itself; a record names it.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest pull of a marker that you accept.")
    ] = 1.0,
    rewrapped: Annotated[
        list[str] | None,
        typer.Option(
            help="Cuffs that were wrapped anew since the record: all, a cuff's first id, TUBE or "
            "TUBE:STRAIGHT; may be repeated. Only their tubes' lines are compared."
        ),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say what welding has pulled: a part on the bench against its own record."""
    from fitscan.fit.bench import check_bench
    from fitscan.fit.bench_file import bench_document
    from fitscan.fit.record_file import read_record
    from fitscan.store.json_file import kind_of
    from fitscan.survey.survey_file import read_survey

    check_free(out, "fitscan.bench", replace=replace)
    if part is not None and record.is_file() and kind_of(record) == "fitscan.survey":
        before = read_survey(record)
    else:
        kept = read_record(record)
        before, part = kept.survey, part or kept.part
    result = check_bench(
        before, read_survey(survey), part, tolerance_mm, rewrapped=rewrapped or ()
    )  # fmt: skip
    give(bench_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    if out is not None:
        from fitscan.report.plots_bench import write_bench_plot

        with working("Drawing the plot", quiet=quiet):
            drawn = [write_bench_plot(result, before, out.with_suffix(""), replace=replace)]
    if not quiet:
        from fitscan.report.tables_bench import bench_table

        screen = screen_for(hushed=json)
        screen.print(bench_table(result))
        say_files(screen, out, *drawn)
