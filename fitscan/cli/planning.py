"""Commands about photos that are not taken yet: before a shoot, and after a survey.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import check_free, give, progress, say_files, screen_for

Tube = Annotated[
    list[str] | None,
    typer.Option(help="TUBE or TUBE:STRAIGHT whose axis is wanted; may be repeated."),
]
Marker = Annotated[list[int] | None, typer.Option(help="Id of a marker; may be repeated.")]
Gap = Annotated[
    list[str] | None,
    typer.Option(help="TUBE of a gap, the bar or its stubs, against the part of --on."),
]
On = Annotated[
    str | None, typer.Option(help="Part against which it is told, for example shell or trim.")
]


@app.command(epilog=CAUTION)
def plan(
    kit: Annotated[Path | None, typer.Option(help="Kit file.")] = None,
    places: Annotated[
        Path | None, typer.Option(help="Rough list of where things are (the README shows one).")
    ] = None,
    survey: Annotated[
        Path | None, typer.Option(help="Or an earlier survey, to go by its markers' places.")
    ] = None,
    tube: Tube = None,
    marker: Marker = None,
    gap: Gap = None,
    on: On = None,
    wanted_mm: Annotated[
        float, typer.Option(min=0.001, max=1e3, help="U (k = 2) that is wanted.")
    ] = 0.5,
    camera: Annotated[Path | None, typer.Option(help="Camera file of the phone.")] = None,
    most: Annotated[int, typer.Option(min=8, max=100, help="Photos at most.")] = 40,
    out: Annotated[Path | None, typer.Option(help="Plan to write, with its sketch.")] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Before a shoot: say how many photos from where give the U that you want."""
    from fitscan.plan.greedy import plan_shoot
    from fitscan.plan.plan_file import plan_document
    from fitscan.plan.project import project_from_files
    from fitscan.plan.wish_text import wishes_from_text

    check_free(out, "fitscan.plan", replace=replace, pictures=True)
    project = project_from_files(kit, places, survey, camera)
    wishes = wishes_from_text(tube or (), marker or (), gap or (), on, wanted_mm, project.stage.kit)
    with progress(quiet=quiet) as tell:
        result = plan_shoot(project, wishes, most=most, tell=tell)
    give(plan_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    if out is not None:
        from fitscan.report.sketch import write_plan_sketch

        drawn = [write_plan_sketch(result, out.with_suffix(""), replace=replace)]
    if not quiet:
        from fitscan.report.tables_plan import plan_table

        screen = screen_for(hushed=json)
        screen.print(plan_table(result))
        say_files(screen, out, *drawn)


@app.command(epilog=CAUTION)
def advise(
    survey: Annotated[Path, typer.Argument(help="Survey file.")],
    tube: Annotated[
        str | None, typer.Option(help="TUBE or TUBE:STRAIGHT whose axis should be known better.")
    ] = None,
    marker: Annotated[int | None, typer.Option(help="Id of a marker.")] = None,
    gap: Annotated[
        str | None, typer.Option(help="TUBE of a gap, the bar or its stubs, with --on.")
    ] = None,
    on: On = None,
    wanted_mm: Annotated[
        float | None, typer.Option(min=0.001, max=1e3, help="U (k = 2) that is wanted.")
    ] = None,
    most: Annotated[int, typer.Option(min=1, max=12, help="Photos to propose.")] = 3,
    out: Annotated[Path | None, typer.Option(help="Advice to write, with its sketch.")] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """After a survey: say which photos would make it better, and by how much."""
    from fitscan.plan.advise import advise as run
    from fitscan.plan.plan_file import advice_document
    from fitscan.plan.wish_text import wish_from_text
    from fitscan.survey.survey_file import read_survey

    check_free(out, "fitscan.advice", replace=replace, pictures=True)
    found = read_survey(survey)
    wish = wish_from_text(tube, marker, gap, on, wanted_mm, found.kit)
    advice = run(found, wish, most=most)
    give(advice_document(found, advice), out, json=json, replace=replace)
    drawn: list[Path] = []
    if out is not None and any(a.spot is not None for a in advice):
        from fitscan.report.sketch import write_advice_sketch

        drawn = [write_advice_sketch(found, advice, out.with_suffix(""), replace=replace)]
    if not quiet:
        from fitscan.report.tables_plan import advice_table

        screen = screen_for(hushed=json)
        screen.print(advice_table(found, advice))
        say_files(screen, out, *drawn)
