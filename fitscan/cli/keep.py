"""Commands that keep a job's folder: its list, its audit, its archive.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, app
from fitscan.cli.screen import give, give_facts, progress, say_files, screen_for


@app.command(epilog=CAUTION)
def job(
    folder: Annotated[Path, typer.Argument(help="The job's folder; made if it is missing.")],
    name: Annotated[str | None, typer.Option(help="Of the job; else the folder's name.")] = None,
    removed: Annotated[
        list[str] | None,
        typer.Option(help="File below the folder that you deleted on purpose, as audit names it."),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Begin a job's folder, or put files that you brought on its list."""
    from fitscan.job.layout import keep_job

    result = keep_job(folder, name, tuple(removed or ()))
    if json:
        give_facts("fitscan.job", **{**vars(result), "folder": str(result.folder)})
    elif not quiet:
        from fitscan.report.tables_job import job_lines

        screen_for(hushed=False).print(job_lines(result), soft_wrap=True)


@app.command(epilog=CAUTION)
def audit(
    place: Annotated[Path, typer.Argument(help="A job's folder, or its archive.")],
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Prove that a job's folder is whole, or name what was changed or is missing."""
    from fitscan.job.audit import audit as run
    from fitscan.job.audit_file import audit_document

    with progress(quiet=quiet) as tell:
        result = run(place, tell)
    give(audit_document(result), None, json=json, replace=False)
    if not quiet:
        from fitscan.report.tables_job import audit_lines

        screen_for(hushed=json).print(audit_lines(result), soft_wrap=True)
    result.check()


@app.command(epilog=CAUTION)
def pack(
    folder: Annotated[Path, typer.Argument(help="The job's folder.")],
    out: Annotated[Path, typer.Option(help="Archive (zip) to write; never over another file.")],
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Pack all that is needed to repeat a job's results, without the photos' private data."""
    from fitscan.job.pack import pack as run

    with progress(quiet=quiet) as tell:
        result = run(folder, out, tell)
    if json:
        left_out = [str(path) for path in result.left_out]
        give_facts(
            "fitscan.pack", file=str(result.file), files=result.files, stripped=result.stripped,
            left_out=left_out,
        )  # fmt: skip
    elif not quiet:
        screen = screen_for(hushed=False)
        screen.print(f"{result.files} files, private data taken from {result.stripped} photos")
        for path in result.left_out:
            screen.print(f"left out, no photo: {path}", soft_wrap=True, markup=False)
        say_files(screen, result.file)
