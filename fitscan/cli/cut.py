"""Commands for the next cut: templates for copes, tables for the bender.

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
    say_files,
    screen_for,
    working,
)
from fitscan.errors import InputError


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
    out: Annotated[Path, typer.Option(help="Folder for cope.pdf, cope.dxf, cope.json, cope.png.")],
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
    u_deg: Annotated[
        float | None,
        typer.Option(help="Standard uncertainty of typed angles: two thirds of yours lie within."),
    ] = None,
    u_mm: Annotated[
        float | None, typer.Option(help="The same for typed offsets and lengths.")
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
    from fitscan.make.flat import beside
    from fitscan.report.plots_flat import flat_picture

    form = cope_format(paper, measured_150_mm)
    far = far_run or []
    if survey is None:
        u = None if u_deg is None and u_mm is None else (u_deg or 0.0, u_mm or 0.0)
        request = request_from_text(name or branch, od_mm, wall_mm, run, far, length_mm, u)
    else:
        if u_deg is not None or u_mm is not None:
            option = "--u-mm" if u_deg is None else "--u-deg"
            raise InputError("The survey says this itself", option, "leave it out with --survey")
        request = request_from_survey(survey, branch, od_mm, wall_mm, run, far, length_mm)
        request = changed(request, name=name or request.name)
    plan = plan_cope(with_cut(request, kerf_mm, fit, paper_mm))
    with working("Drawing the template", quiet=quiet):
        drawing = beside([e.template.drawing for e in plan.ends], f"Cope: {plan.request.name}")
        picture = flat_picture(drawing, drawing.title, plan.sentences, request.warnings)
        files = write_cope(plan, out, form, replace=replace, picture=picture)
    give(cope_document(plan), None, json=json, replace=replace)
    if not quiet:
        screen = screen_for(hushed=json)
        for sentence in (*plan.sentences, *request.warnings, *CAUTIONS):
            screen.print(sentence, markup=False)
        say_files(screen, files.pdf, files.dxf, files.json, files.picture)


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

    check_free(out, "fitscan.bends", replace=replace, pictures=False)
    bender = Bender(clr_mm, between_mm, ends_mm, springback_percent, springback_deg)
    document = bends_document(table_from_text(point or [], bend or [], last_mm, bender))
    give(document, out, json=json, replace=replace)
    if not quiet:
        from fitscan.report.bend_table import bend_table

        screen = screen_for(hushed=json)
        screen.print(bend_table(document))
        say_files(screen, out)
