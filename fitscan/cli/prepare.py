"""Commands before the shoot: print the markers, calibrate the lens.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import (
    check_free,
    give,
    progress,
    say_files,
    screen_for,
    working,
)


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
    with working("Drawing the sheets", quiet=quiet):
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

    check_free(out, "fitscan.camera", replace=replace, pictures=False)
    plan = parse_board(board)
    files = [f for p in photos for f in _expanded(p)]
    with progress(quiet=quiet) as tell:
        seen = 0

        def one(_: str) -> None:
            nonlocal seen
            seen += 1
            tell("Finding the board", min(seen, len(files)), len(files))

        result = run(files, plan, one)
    give(result.camera_file(), out, json=json, replace=replace)
    if not quiet:
        from fitscan.report.tables import camera_table

        screen = screen_for(hushed=json)
        screen.print(camera_table(result))
        say_files(screen, out)


def _expanded(path: Path) -> list[Path]:
    """A folder stands for its photos."""
    if not path.is_dir():
        return [path]
    from fitscan.photos.shoot import list_photos

    return list_photos(path)
