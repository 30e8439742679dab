"""What a person asks of a bar, an opening or a foot plate on the command line, as requests.

Reading single points is left to `typed`; checking values to the plans.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array
from fitscan.make.bar_target import (
    BarTarget,
    contour_target,
    lips_target,
    stub_target,
    typed_target,
)
from fitscan.make.flat_marks import flat_marks, marks_named, marks_of_part
from fitscan.make.opening_scan import scanned_panel
from fitscan.make.opening_source import PanelTube, surveyed_panel, typed_panel
from fitscan.make.plate_scan import faces_of_scan
from fitscan.make.plate_source import PlateFaces, surveyed_faces, typed_faces
from fitscan.make.typed import (
    check_u,
    face_corners,
    named_point,
    points_from_text,
    vector_from_text,
)
from fitscan.shape.axis_rule import axis_named
from fitscan.shape.contour import Contour
from fitscan.shape.scan import read_scan
from fitscan.shape.scan_place import place_scan
from fitscan.shape.scan_points import read_scan_points
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import read_survey

__all__ = ["asked_faces", "asked_panel", "asked_target"]


def asked_target(
    file: Path | None,
    seat: Sequence[str],
    contour: Sequence[str],
    point: Sequence[str],
    *,
    od_mm: float | None,
    standoff_mm: float,
    away: str | None,
    u_mm: float | None,
) -> tuple[BarTarget, float]:
    """The target of a bar, and the bar's outside diameter.

    Raises:
        InputError: no target or several, options that do not belong to it, or no diameter.
    """
    given = [name for name, value in (("--seat", seat), ("--contour", contour), ("--point", point))
             if value]  # fmt: skip
    if len(given) != 1:
        raise InputError(
            "A bar has one target", "bar",
            "give --survey with --seat or --contour, or --point several times",
        )  # fmt: skip
    check_u(u_mm)
    if point:
        _without(file, "--point")
        if od_mm is None:
            raise InputError("The bar has no diameter", "--od-mm", "give its outside diameter")
        direction = None if away is None else vector_from_text(away, "--away")
        x = points_from_text(point, "--point")
        target = typed_target(x, u_mm=u_mm, standoff_mm=standoff_mm, away=direction)
        return target, od_mm
    survey = _survey(file, given[0])
    if u_mm is not None or away is not None:
        option = "--u-mm" if u_mm is not None else "--away"
        raise InputError("The survey says this itself", option, "leave it out with --survey")
    if seat:
        target = stub_target(survey, seat, standoff_mm=standoff_mm)
        own = survey.cuffs_of(seat[0])[0].od_mm
        return target, od_mm or own
    if od_mm is None:
        raise InputError("The bar has no diameter", "--od-mm", "give its outside diameter")
    named = {m.name for m in flat_marks(survey.kit)} | {str(m.id) for m in flat_marks(survey.kit)}
    if all(name in named for name in contour):
        ids = [m.id for m in marks_named(survey, contour, "--contour")]
        target = contour_target(survey, ids, standoff_mm=standoff_mm, od_mm=od_mm)
    else:
        lips = Contour.of(survey, contour)
        target = lips_target(survey, lips, standoff_mm=standoff_mm, od_mm=od_mm)
    return target, od_mm


def asked_panel(
    file: Path | None,
    marks: Sequence[str],
    part: str | None,
    tube: str | None,
    through: Sequence[str],
    *,
    od_mm: float | None,
    u_mm: float | None,
    scan: Path | None = None,
    scan_points: Path | None = None,
    scan_unit: str | None = None,
    clearance_mm: float = 0.0,
) -> PanelTube:
    """A tube through a panel: of a survey, with or without a scan of the panel, or typed.

    Raises:
        InputError: options that do not belong together, or what the source refuses.
    """
    check_u(u_mm)
    if (scan is None) != (scan_points is None) or (scan is not None and file is None):
        raise InputError(
            "A scan of the panel needs its place", "--scan",
            "give --scan-points, the file of points that you picked in it, and a --survey",
        )  # fmt: skip
    if file is None:
        if len(through) != 2 or tube is not None or part is not None:
            raise InputError(
                "A typed tube is given by two points of its axis", "--through",
                "give --through X,Y,Z twice and --mark NAME:X,Y,Z three times, or a --survey",
            )  # fmt: skip
        if od_mm is None:
            raise InputError("The tube has no diameter", "--od-mm", "give its outside diameter")
        named = [named_point(text, "--mark") for text in marks]
        names = [name for name, _ in named]
        _once(names, "--mark")
        x = np.array([place for _, place in named]).reshape(-1, 3)
        return typed_panel(names, x, points_from_text(through, "--through"), od_mm, u_mm=u_mm)
    for option, wrong in (("--through", through), ("--od-mm", od_mm), ("--u-mm", u_mm)):
        if wrong:
            raise InputError("The survey says this itself", option, "leave it out with --survey")
    if tube is None:
        raise InputError("The tube is not named", "--tube", "give TUBE or TUBE:STRAIGHT")
    if bool(marks) == (part is not None):
        raise InputError(
            "A panel is given by its marks or by its part", "opening",
            "give --mark for each pointer, or --on",
        )  # fmt: skip
    survey = read_survey(file)
    on = (
        marks_named(survey, marks, "--mark") if marks else marks_of_part(survey, part or "", "--on")
    )
    rule = axis_named(survey, tube, "--tube")
    if scan is None or scan_points is None:
        return surveyed_panel(survey, on, rule)
    picked = read_scan_points(scan_points, scan_unit)
    placement, surface = place_scan(survey, read_scan(scan, picked.unit), picked)
    return scanned_panel(survey, on, rule, placement, surface, picked.surface_u_mm, clearance_mm)


def asked_faces(
    file: Path | None,
    face: Sequence[str],
    corner: Sequence[str],
    seen_from: str | None,
    *,
    u_mm: float | None,
    scan: Path | None = None,
    scan_unit: str = "mm",
    clear_mm: float = 0.0,
    flat_mm: float = 1.0,
) -> PlateFaces:
    """The faces of a foot plate: of a survey, of a scanned patch, or typed.

    Raises:
        InputError: options that do not belong together, or what the source refuses.
    """
    check_u(u_mm)
    if [bool(face), bool(corner), scan is not None].count(True) != 1:
        raise InputError(
            "A plate is given by its faces", "plate",
            "give --survey with --face for each face, or --corner FACE:X,Y,Z, or --scan",
        )  # fmt: skip
    if scan is not None:
        _without(file, "--scan")
        side = _side(seen_from)
        corners = faces_of_scan(
            read_scan(scan, scan_unit), side, clear_mm=clear_mm, flat_mm=flat_mm
        )
        return typed_faces(corners, side, u_mm=u_mm)
    if corner:
        _without(file, "--corner")
        return typed_faces(face_corners(corner, "--corner"), _side(seen_from), u_mm=u_mm)
    if u_mm is not None or seen_from is not None:
        option = "--u-mm" if u_mm is not None else "--seen-from"
        raise InputError("The survey says this itself", option, "leave it out with --survey")
    survey = _survey(file, "--face")
    groups = [
        marks_named(survey, [n.strip() for n in text.split(",") if n.strip()], "--face")
        for text in face
    ]
    return surveyed_faces(survey, groups)


def _side(seen_from: str | None) -> Array:
    if seen_from is None:
        raise InputError(
            "Nothing says on which side of the faces the plate will be", "--seen-from",
            "give X,Y,Z of a point on that side",
        )  # fmt: skip
    return vector_from_text(seen_from, "--seen-from")


def _survey(file: Path | None, option: str) -> Survey:
    if file is None:
        raise InputError(
            f"{option} names markers of a survey", "--survey", "give the survey's file"
        )
    return read_survey(file)


def _without(file: Path | None, option: str) -> None:
    if file is not None:
        raise InputError("A survey and typed points do not go together", option, "leave one out")


def _once(names: list[str], option: str) -> None:
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"{name!r} is named twice", option, "give each mark its own name")
