"""A foot plate: its flat pattern, area with U, and how both stand to a rule that the user names.

The pattern comes from `plate`, the rule from `plate_rule`; drawing and files are left to
`plate_sheet` and `plate_file`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.make.cautions import DRY_FIT_PLATE, FIT_ONLY
from fitscan.make.plate import Face, FlatPlate, Sheet, unfold
from fitscan.make.plate_rule import PlateRule
from fitscan.make.plate_source import PlateFaces
from fitscan.make.quantity import Quantity

__all__ = ["CAUTIONS", "Against", "PlatePlan", "PlateRequest", "plan_plate"]

CAUTIONS = (DRY_FIT_PLATE, FIT_ONLY)


@dataclass(frozen=True)
class PlateRequest:
    """What to cut.

    Attributes:
        name: of the plate.
        source: its faces.
        sheet: of which it is made.
        rule: to hold it against, or None.
        flat_mm: largest distance of a corner from its face's plane that is still called flat.
    """

    name: str
    source: PlateFaces
    sheet: Sheet
    rule: PlateRule | None = None
    flat_mm: float = 1.0


@dataclass(frozen=True)
class Against:
    """A number against the least that a rule asks.

    Attributes:
        what: "area" or "thickness"; unit: its unit.
        value, expanded, least: in that unit; expanded is None without uncertainty.
        verdict: "above", "below" or "cannot be decided".
    """

    what: str
    unit: str
    value: float
    expanded: float | None
    least: float
    verdict: str


@dataclass(frozen=True)
class PlatePlan:
    """The worked-out plate.

    Attributes:
        request: what was asked.
        plate: flat pattern.
        area_cm2: of the pattern.
        numbers: area and fold angles with U; empty without uncertainty.
        against: the rule's numbers, if one is named.
        sentences: in the fitter's words.
    """

    request: PlateRequest
    plate: FlatPlate
    area_cm2: float
    numbers: tuple[Quantity, ...]
    against: tuple[Against, ...]
    sentences: tuple[str, ...]


def plan_plate(request: PlateRequest) -> PlatePlan:
    """Work out the pattern.

    Raises:
        InputError: a sheet that cannot be, or a corner within a bend.
        DataError: a face is not flat, or faces do not meet.
    """
    _check_flat(request)
    plate = request.source.unfolded(request.sheet)
    numbers = _numbers(request, plate)
    area = plate.area_mm2 / 100.0
    against = _against(request, area, numbers)
    plan = PlatePlan(request, plate, area, numbers, against, ())
    return PlatePlan(request, plate, area, numbers, against, _sentences(plan))


def _check_flat(request: PlateRequest) -> None:
    for n, face in enumerate(request.source.faces):
        worst = int(np.argmax(np.abs(face.off)))
        off = abs(float(face.off[worst]))
        if off > request.flat_mm:
            raise DataError(
                f"Face {n + 1} is not flat: its corner {request.source.names[n][worst]} stands "
                f"{off:.1f} mm off the plane of all of them", "plate",
                "make two faces of it with a fold between, keep to its flat part, or allow more "
                "with --flat-mm",
            )  # fmt: skip


def _numbers(request: PlateRequest, plate: FlatPlate) -> tuple[Quantity, ...]:
    if request.source.covariance_of is None:
        return ()

    def values(faces: list[Face]) -> Array:
        flat = unfold(faces, request.sheet)
        angles = [math.degrees(f.angle_rad) for f in flat.folds]
        return np.array([flat.area_mm2 / 100.0, *angles])

    covariance = request.source.covariance_of(values)
    u = COVERAGE * np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    names = [("area", "cm2"), *((f"fold {n}", "deg") for n in range(1, len(plate.folds) + 1))]
    told = [plate.area_mm2 / 100.0, *(math.degrees(f.angle_rad) for f in plate.folds)]
    return tuple(
        Quantity(name, value, float(e), unit)
        for (name, unit), value, e in zip(names, told, u, strict=True)
    )


def _against(
    request: PlateRequest, area: float, numbers: tuple[Quantity, ...]
) -> tuple[Against, ...]:
    rule = request.rule
    if rule is None:
        return ()
    expanded = next((q.expanded for q in numbers if q.name == "area"), None)
    thick = request.sheet.thickness_mm
    return (
        Against(
            "area", "cm2", area, expanded, rule.area_cm2,
            _verdict(area, expanded or 0.0, rule.area_cm2),
        ),
        Against(
            "thickness", "mm", thick, None, rule.thickness_mm,
            _verdict(thick, 0.0, rule.thickness_mm),
        ),
    )  # fmt: skip


def _verdict(value: float, expanded: float, least: float) -> str:
    """Against a lower limit, U taken off (ISO 14253-1, as everywhere in fitscan)."""
    if value - expanded >= least:
        return "above"
    return "below" if value + expanded < least else "cannot be decided"


def _sentences(plan: PlatePlan) -> tuple[str, ...]:
    request, plate = plan.request, plan.plate
    sheet = request.sheet
    u = {q.name: q.expanded for q in plan.numbers}
    area = f"{plan.area_cm2:.1f} cm2" + (f" (U {u['area']:.1f})" if "area" in u else "")
    faces = len(request.source.faces)
    said = [
        f"{request.name}: a plate of {sheet.thickness_mm:g} mm on {faces} "
        f"face{'s' if faces > 1 else ''}, {area} flat, holes not taken off."
    ]
    for n, fold in enumerate(plate.folds, 1):
        way = "towards you" if fold.inner_corner else "away from you"
        told = f"{math.degrees(fold.angle_rad):.1f} deg"
        told += f" (U {u[f'fold {n}']:.1f})" if f"fold {n}" in u else ""
        said.append(
            f"Fold {n}: {told} {way} as you look at the print; inside radius "
            f"{sheet.radius_mm:g} mm, k-factor {sheet.k_factor:g}, bend allowance "
            f"{fold.allowance_mm:.2f} mm between its two thin lines."
        )
    if plate.folds and sheet.radius_mm < sheet.thickness_mm:
        said.append(
            "The inside radius is smaller than the thickness: try a strip of the same metal for "
            "cracks first (common practice, no source)."
        )
    if not plan.numbers:
        said.append("The typed corners carry no uncertainty, so none is told; --u-mm gives it.")
    for n, face in enumerate(request.source.faces, 1):
        if len(face.corners) == 3:
            said.append(
                f"Three corners cannot say whether face {n} is curved: lay a straight edge across."
            )
    said += _rule_words(plan)
    return tuple(said)


def _rule_words(plan: PlatePlan) -> list[str]:
    rule = plan.request.rule
    if rule is None:
        return []
    out = []
    for a in plan.against:
        least = f"the {a.least:g} {a.unit} that you wrote down for {rule.name}"
        value = f"{a.value:.1f} {a.unit}"
        value += f" (U {a.expanded:.1f})" if a.expanded is not None else ""
        if a.verdict == "cannot be decided":
            out.append(f"Whether the {a.what}, {value}, is above {least} cannot be decided.")
        else:
            out.append(f"The {a.what}, {value}, is {a.verdict} {least}.")
    note = f" Your note: {rule.note.rstrip('.')}." if rule.note else ""
    out.append(
        f"That is arithmetic, no approval: check the current year of the rule yourself.{note}"
    )
    return out
