"""Commands about what moves by itself: the door past a bar.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import check_free, give, say_files, screen_for, working
from fitscan.errors import InputError


@app.command(epilog=CAUTION)
def sweep(
    surveys: Annotated[
        list[Path],
        typer.Argument(help="Surveys of the door in two positions or more, the shut one first."),
    ],
    bar: Annotated[str, typer.Option(help="Tube that the door must clear, for example 'door bar'")],
    door: Annotated[str, typer.Option(help="Part that turns, with its tags and pointers.")] = (
        "trim"
    ),
    on: Annotated[
        list[str] | None,
        typer.Option(help="Part that stays; may be repeated. The shell if not given."),
    ] = None,
    clearance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e3, help="Smallest clearance that you accept.")
    ] = 3.0,
    step_deg: Annotated[
        float, typer.Option(min=0.1, max=45.0, help="Between the door angles that are told.")
    ] = 1.0,
    clr_mm: Annotated[
        float | None,
        typer.Option(min=1.0, max=1e4, help="Centre-line radius of the bar; else [[tube]]."),
    ] = None,
    solid: Annotated[
        list[str] | None,
        typer.Option(help="Tube on the door that counts as solid, like a stub left in place."),
    ] = None,
    lips: Annotated[
        bool,
        typer.Option(
            "--lips",
            help="Join pointers of one name and a number by straight lines; not where a lip bends.",
        ),
    ] = False,
    mesh: Annotated[
        Path | None, typer.Option(help="Scan of the door, a mesh or a cloud (PLY, STL, OBJ).")
    ] = None,
    mesh_points: Annotated[
        Path | None,
        typer.Option(help="With --mesh: tags and pointers picked in the scan (TOML or CSV)."),
    ] = None,
    mesh_unit: Annotated[
        str | None, typer.Option(help="With --mesh: mm, cm, m or in; scans do not say it.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Say whether a bar clears the door while it shuts, how near, where and at which angle."""
    from fitscan.fit.sweep import find_sweep
    from fitscan.fit.sweep_file import sweep_document
    from fitscan.survey.survey_file import read_survey

    check_free(out, "fitscan.sweep", replace=replace)
    read = [read_survey(path) for path in surveys]
    shown = [k for k, s in enumerate(read) if any(
        c.tube == bar and s.has(c.first_id) for c in s.kit.cuff)]  # fmt: skip
    if (mesh is None) != (mesh_points is None):
        raise InputError(
            "A scan and its picked points belong together", "sweep",
            "give both --mesh and --mesh-points, or neither",
        )  # fmt: skip
    surface = None
    if mesh is not None and mesh_points is not None:
        from fitscan.shape.scan import read_scan
        from fitscan.shape.scan_points import read_scan_points

        picked = read_scan_points(mesh_points, mesh_unit)
        surface = (read_scan(mesh, picked.unit), picked)
    with working("Swinging the door", quiet=quiet):
        result = find_sweep(
            read, door, on or ["shell"], bar, shown[0] if shown else 0, wanted_mm=clearance_mm,
            step_deg=step_deg, stubs=solid or (), joined=lips, clr_mm=clr_mm, scan=surface,
        )  # fmt: skip
    give(sweep_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    if out is not None:
        from fitscan.report.plots_sweep import write_sweep_plot

        with working("Drawing the plot", quiet=quiet):
            drawn = [write_sweep_plot(result, out.with_suffix(""), replace=replace)]
    if not quiet:
        from fitscan.report.tables_sweep import sweep_table

        screen = screen_for(hushed=json)
        screen.print(sweep_table(result))
        say_files(screen, out, *drawn)
