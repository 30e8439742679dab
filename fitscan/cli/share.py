"""Commands that hand results on to people and programs: report, scene, export, schema.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import check_photos_folder, say_files, say_notes, screen_for, working

Files = Annotated[
    list[Path],
    typer.Argument(
        help="Files that fitscan wrote, in any order: surveys, records, and the results on them."
    ),
]


@app.command(epilog=CAUTION)
def report(
    files: Files,
    out: Annotated[Path, typer.Option(help="Name of the report; .html and .pdf are put after it.")],
    title: Annotated[str, typer.Option(help="Over the report; from the results if empty.")] = "",
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    photos: Annotated[
        Path | None,
        typer.Option(help="Folder that holds the shoots' folders, to say when photos were taken."),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Put results, pictures and how they were measured into one page to show and one to print."""
    from fitscan.report.publish import write_report

    check_photos_folder(photos)
    with working("Making the report", quiet=quiet):
        done = write_report(files, out, title=title, paper=paper, photos=photos, replace=replace)
    if json:
        import json as machine

        content = {
            "kind": "fitscan.report",
            "html": str(done.html),
            "pdf": str(done.pdf),
            "overall": {r.source.name: r.section.verdict_word for r in done.book.results},
            "notes": list(done.book.notes),
        }
        typer.echo(machine.dumps(content, ensure_ascii=False))
        return
    if not quiet:
        screen = screen_for(hushed=False)
        for r in done.book.results:
            screen.print(
                f"{r.section.word}, {r.section.title}: {r.section.headline}; "
                f"{r.section.verdict_word or 'nothing was judged'}",
                soft_wrap=True, markup=False,
            )  # fmt: skip
        say_notes(screen, list(done.book.notes))
        say_files(screen, done.html, done.pdf)


@app.command(epilog=CAUTION)
def scene(
    files: Files,
    out: Annotated[Path, typer.Option(help="HTML file to write.")],
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Draw one survey and the results on it in space, to turn about in any browser."""
    from fitscan.report.publish import write_scene

    with working("Making the scene", quiet=quiet):
        space = write_scene(files, out, replace=replace)
    if json:
        import json as machine

        content = {
            "kind": "fitscan.scene",
            "html": str(out),
            "frame": space.shapes.frame,
            "gaps_and_moves": [s.text for s in space.shapes.spans if s.role != "rule"],
            "notes": list(space.notes),
        }
        typer.echo(machine.dumps(content, ensure_ascii=False))
    elif not quiet:
        screen = screen_for(hushed=False)
        say_notes(screen, list(space.notes))
        say_files(screen, out)


@app.command(epilog=CAUTION)
def export(
    files: Files,
    out: Annotated[Path, typer.Option(help="Folder for the files; made if it is missing.")],
    formats: Annotated[
        list[str] | None,
        typer.Option(
            "--as",
            help="csv (points, axes, results), ply or glb (for a viewer), dxf (3-D lines and "
            "points for a drawing program); may be repeated, all if not given.",
        ),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Write one survey and the results on it for spreadsheets, viewers and drawing programs."""
    from fitscan.report.exchange import FORMATS, write_export
    from fitscan.store.json_file import render_json

    with working("Writing files", quiet=quiet):
        done = write_export(files, out, formats or FORMATS, replace=replace)
    if json:
        typer.echo(render_json(done.document), nl=False)
    elif not quiet:
        screen = screen_for(hushed=False)
        screen.print(f"frame: {done.document.frame}; units stand in export.json", markup=False)
        say_notes(screen, list(done.document.notes))
        say_files(screen, *done.files)


@app.command(epilog=CAUTION)
def schema(
    kind: Annotated[
        str | None,
        typer.Argument(help="Kind of file, for example gap; all are listed without it."),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Print the JSON Schema of one of fitscan's files, for programs that read them."""
    from fitscan.report.schema import kinds, schema_text

    if kind is not None:
        text = schema_text(kind)
    elif json:
        import json as machine

        text = machine.dumps(kinds())
    else:
        text = "\n".join(kinds())
    if not quiet:
        typer.echo(text)
