"""Commands for the next piece: a bar for a recess, an opening, a foot plate, and the round trip.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Json, Quiet, Replace, app
from fitscan.cli.screen import check_free, give, say_files, screen_for, working

SurveyFile = Annotated[Path | None, typer.Option(help="Survey file; without it, points are typed.")]
Paper = Annotated[str, typer.Option(help="a4 or letter.")]
Rulers = Annotated[
    tuple[float, float] | None,
    typer.Option(
        help="What a steel rule says of an earlier sheet's 150 mm rulers, along the paper's short "
        "and long edge; the new sheets make up for it."
    ),
]
TypedU = Annotated[
    float | None,
    typer.Option(
        help="Standard uncertainty of typed coordinates: two thirds of your readings would lie "
        "within it."
    ),
]
FlatMm = Annotated[
    float, typer.Option(min=0.01, max=20.0, help="Largest bulge that still counts as flat.")
]


def _tell(sentences: tuple[str, ...], files: tuple[Path, ...], *, hushed: bool) -> None:
    screen = screen_for(hushed=hushed)
    for sentence in sentences:
        screen.print(sentence, markup=False)
    say_files(screen, *files)


@app.command(epilog=CAUTION)
def bar(
    clr_mm: Annotated[float, typer.Option(help="Centre-line radius of the bender's die.")],
    out: Annotated[Path, typer.Option(help="Folder for bar.pdf, bar.dxf, bar.json, bar.png.")],
    survey: SurveyFile = None,
    seat: Annotated[
        list[str] | None,
        typer.Option(help="With --survey: tube name of the stubs in the recess; may be repeated."),
    ] = None,
    contour: Annotated[
        list[str] | None,
        typer.Option(
            help="With --survey: pointer, by name or id, in order along the contour; or what the "
            "names of a lip's pointers begin with, once, or twice for midway between two lips."
        ),
    ] = None,
    point: Annotated[
        list[str] | None, typer.Option(help="X,Y,Z in mm where the bar's axis should pass.")
    ] = None,
    standoff_mm: Annotated[
        float,
        typer.Option(
            help="From a contour's tips to the bar's skin; from stubs or typed points, how far the "
            "axis moves away from them."
        ),
    ] = 0.0,
    away: Annotated[
        str | None,
        typer.Option(help="Typed, with a stand-off: X,Y,Z away from the surface."),
    ] = None,
    od_mm: Annotated[float | None, typer.Option(help="Outside diameter of the bar.")] = None,
    bends: Annotated[
        int | None, typer.Option(help="How many bends; else the fewest that stay within.")
    ] = None,
    within_mm: Annotated[float, typer.Option(help="How far the bar may stray.")] = 1.0,
    extend_mm: Annotated[
        tuple[float, float], typer.Option(help="How far it goes on beyond the target, each end.")
    ] = (0.0, 0.0),
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
    u_mm: TypedU = None,
    name: Annotated[str, typer.Option(help="Printed on the sheets.")] = "bar",
    paper: Paper = "a4",
    measured_150_mm: Rulers = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Find the bent bar that stays closest to a recess. Bend a trial piece first."""
    from fitscan.make.asked import asked_target
    from fitscan.make.bar_file import bar_document, write_bar
    from fitscan.make.bar_plan import CAUTIONS, BarRequest, plan_bar
    from fitscan.make.bends import Bender
    from fitscan.make.cope_file import cope_format
    from fitscan.report.plots_bar import bar_picture

    form = cope_format(paper, measured_150_mm)
    target, od = asked_target(
        survey, seat or [], contour or [], point or [],
        od_mm=od_mm, standoff_mm=standoff_mm, away=away, u_mm=u_mm,
    )  # fmt: skip
    bender = Bender(clr_mm, between_mm, ends_mm, springback_percent, springback_deg)
    with working("Looking for the bar", quiet=quiet):
        plan = plan_bar(BarRequest(name, od, target, bender, bends, within_mm, extend_mm))
        files = write_bar(plan, out, form, replace=replace, picture=bar_picture(plan))
    document = bar_document(plan)
    give(document, None, json=json, replace=replace)
    if not quiet:
        from fitscan.report.bend_table import bar_table

        screen = screen_for(hushed=json)
        screen.print(bar_table(document))
        _tell((*plan.sentences, *target.warnings, *CAUTIONS), files.paths, hushed=json)


@app.command(epilog=CAUTION)
def opening(
    clearance_mm: Annotated[float, typer.Option(help="Gap all round the tube, square to it.")],
    out: Annotated[
        Path, typer.Option(help="Folder for opening.pdf, opening.dxf, opening.json, opening.png.")
    ],
    survey: SurveyFile = None,
    mark: Annotated[
        list[str] | None,
        typer.Option(
            help="Pointer on the panel, by name or id, three or more; typed: NAME:X,Y,Z, the first "
            "three anticlockwise as you look at the face."
        ),
    ] = None,
    on: Annotated[
        str | None, typer.Option(help="With --survey: part whose flat markers are the panel.")
    ] = None,
    tube: Annotated[
        str | None, typer.Option(help="With --survey: TUBE or TUBE:STRAIGHT that passes.")
    ] = None,
    through: Annotated[
        list[str] | None, typer.Option(help="Typed: X,Y,Z of two points of the tube's axis.")
    ] = None,
    od_mm: Annotated[float | None, typer.Option(help="Typed: outside diameter.")] = None,
    scan: Annotated[
        Path | None,
        typer.Option(help="With --survey: PLY, STL or OBJ of the panel; then two marks will do."),
    ] = None,
    scan_points: Annotated[
        Path | None,
        typer.Option(help="Points picked in the scan (TOML or CSV), to place it in the survey."),
    ] = None,
    scan_unit: Annotated[
        str | None, typer.Option(help="Unit of the scan: mm, cm, m or in.")
    ] = None,
    thickness_mm: Annotated[float, typer.Option(help="Of the panel, behind the marks.")] = 0.0,
    edge: Annotated[
        tuple[str, str] | None, typer.Option(help="Two of the marks that lie on the panel's edge.")
    ] = None,
    slot: Annotated[
        bool, typer.Option("--slot", help="Open to the edge, so that the panel slides over.")
    ] = False,
    slide_deg: Annotated[
        float, typer.Option(help="Direction of the slot, from square to the edge, anticlockwise.")
    ] = 0.0,
    flat_mm: FlatMm = 1.0,
    u_mm: TypedU = None,
    name: Annotated[str, typer.Option(help="Printed on the template.")] = "opening",
    paper: Paper = "a4",
    measured_150_mm: Rulers = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Draw the hole for a tube in a flat panel, laid by pointers' tips. Dry-fit before cutting."""
    from fitscan.make.asked import asked_panel
    from fitscan.make.cope_file import cope_format
    from fitscan.make.opening_file import opening_document, write_opening
    from fitscan.make.opening_plan import CAUTIONS, OpeningRequest, plan_opening
    from fitscan.make.opening_sheet import opening_drawing
    from fitscan.report.plots_flat import flat_picture

    form = cope_format(paper, measured_150_mm)
    source = asked_panel(
        survey, mark or [], on, tube, through or [], od_mm=od_mm, u_mm=u_mm, scan=scan,
        scan_points=scan_points, scan_unit=scan_unit, clearance_mm=clearance_mm,
    )  # fmt: skip
    request = OpeningRequest(
        name, source, clearance_mm, thickness_mm, edge, slot, slide_deg, flat_mm
    )  # fmt: skip
    plan = plan_opening(request)
    with working("Drawing the template", quiet=quiet):
        drawing = opening_drawing(plan)
        picture = flat_picture(drawing, drawing.title, plan.sentences, source.warnings)
        files = write_opening(plan, out, form, replace=replace, picture=picture)
    give(opening_document(plan), None, json=json, replace=replace)
    if not quiet:
        _tell((*plan.sentences, *source.warnings, *CAUTIONS), files.paths, hushed=json)


@app.command(epilog=CAUTION)
def plate(
    thickness_mm: Annotated[float, typer.Option(help="Of the sheet that you will use.")],
    out: Annotated[
        Path, typer.Option(help="Folder for plate.pdf, plate.dxf, plate.json, plate.png.")
    ],
    survey: SurveyFile = None,
    face: Annotated[
        list[str] | None,
        typer.Option(
            help="With --survey: pointers at the plate's corners on one face, by name or id, with "
            "commas; again for the next face: --face 'floor 1,floor 2,floor 3'."
        ),
    ] = None,
    corner: Annotated[
        list[str] | None, typer.Option(help="Typed: FACE:X,Y,Z, faces counted from 1.")
    ] = None,
    scan: Annotated[
        Path | None,
        typer.Option(help="PLY, STL or OBJ of the patch that the plate shall cover, cut out."),
    ] = None,
    scan_unit: Annotated[str, typer.Option(help="Unit of the scan: mm, cm, m or in.")] = "mm",
    seen_from: Annotated[
        str | None,
        typer.Option(help="Typed or scanned: X,Y,Z in mm on the side where the plate will be."),
    ] = None,
    radius_mm: Annotated[
        float | None, typer.Option(help="Inside radius of your folder; needed with two faces.")
    ] = None,
    k_factor: Annotated[
        float | None,
        typer.Option(help="Where your metal does not stretch, as a share of its thickness."),
    ] = None,
    settings: Annotated[
        Path | None, typer.Option(help="Settings file with the [[plate_rule]] that you wrote down.")
    ] = None,
    rule: Annotated[str | None, typer.Option(help="Name of the rule in it.")] = None,
    flat_mm: FlatMm = 1.0,
    u_mm: TypedU = None,
    name: Annotated[str, typer.Option(help="Printed on the pattern.")] = "foot plate",
    paper: Paper = "a4",
    measured_150_mm: Rulers = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Unfold a foot plate that lies on floor and sill. Dry-fit it in card before cutting."""
    from fitscan.make.asked import asked_faces
    from fitscan.make.cope_file import cope_format
    from fitscan.make.plate_file import plate_document, write_plate
    from fitscan.make.plate_plan import CAUTIONS, PlateRequest, plan_plate
    from fitscan.make.plate_rule import asked_rule
    from fitscan.make.plate_sheet import plate_drawing
    from fitscan.make.plate_source import asked_sheet
    from fitscan.report.plots_flat import flat_picture

    form = cope_format(paper, measured_150_mm)
    source = asked_faces(
        survey, face or [], corner or [], seen_from, u_mm=u_mm, scan=scan, scan_unit=scan_unit,
        clear_mm=thickness_mm + (radius_mm or 0.0), flat_mm=flat_mm,
    )  # fmt: skip
    sheet = asked_sheet(source, thickness_mm, radius_mm, k_factor)
    plan = plan_plate(PlateRequest(name, source, sheet, asked_rule(settings, rule), flat_mm))
    with working("Drawing the template", quiet=quiet):
        drawing = plate_drawing(plan)
        picture = flat_picture(drawing, drawing.title, plan.sentences, source.warnings)
        files = write_plate(plan, out, form, replace=replace, picture=picture)
    give(plate_document(plan), None, json=json, replace=replace)
    if not quiet:
        _tell((*plan.sentences, *source.warnings, *CAUTIONS), files.paths, hushed=json)


@app.command("as-built", epilog=CAUTION)
def as_built(
    plan: Annotated[Path, typer.Argument(help="cope.json, bar.json, or a file of `bends --out`.")],
    survey: Annotated[Path, typer.Argument(help="Survey of the tube as it is fitted now.")],
    tube: Annotated[
        str | None, typer.Option(help="Name of the tube in the kit; else the plan's.")
    ] = None,
    run: Annotated[
        list[str] | None,
        typer.Option(help="Cope: tube at the near end, in the plan's order; else the plan's."),
    ] = None,
    far_run: Annotated[
        list[str] | None, typer.Option(help="Cope: the same for the far end.")
    ] = None,
    tolerance_deg: Annotated[
        float, typer.Option(min=0.0, max=90.0, help="Largest error of an angle that you accept.")
    ] = 0.5,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.0, max=1e4, help="Largest error of a length that you accept.")
    ] = 1.0,
    out: Annotated[Path | None, typer.Option(help="Result file to write.")] = None,
    json: Json = False,
    quiet: Quiet = False,
    replace: Replace = False,
) -> None:
    """Hold a tube that was cut or bent, fitted and surveyed again against its plan."""
    from fitscan.make.as_built_file import as_built_document, compare_with_plan
    from fitscan.survey.survey_file import read_survey

    check_free(out, "fitscan.as_built", replace=replace)
    result = compare_with_plan(
        plan, read_survey(survey), tube, run or [], far_run or [],
        tolerance_deg=tolerance_deg, tolerance_mm=tolerance_mm,
    )  # fmt: skip
    give(as_built_document(result), out, json=json, replace=replace)
    drawn: list[Path] = []
    if out is not None:
        from fitscan.report.plots_angles import write_angles_plot

        drawn = [write_angles_plot(result, out.with_suffix(""), replace=replace)]
    if not quiet:
        from fitscan.report.tables_angles import angles_table

        screen = screen_for(hushed=json)
        screen.print(angles_table(result))
        say_files(screen, out, *drawn)
