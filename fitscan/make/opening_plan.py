"""An opening for a tube in a panel: the hole, its numbers with U, and what the fitter must know.

The geometry comes from `opening`, the measured panel from `opening_source`; files are left to
`opening_file`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.make.cautions import DRY_FIT_OPENING, FIT_ONLY
from fitscan.make.opening import Hole, hole_outline
from fitscan.make.opening_source import PanelTube
from fitscan.make.quantity import Quantity

__all__ = ["CAUTIONS", "OpeningPlan", "OpeningRequest", "place_u", "plan_opening"]

CAUTIONS = (DRY_FIT_OPENING, FIT_ONLY)

_THIN_MM = 10.0
"""Less metal than this between a hole and an edge bends and tears (common practice, no source)."""


@dataclass(frozen=True)
class OpeningRequest:
    """What to cut.

    Attributes:
        name: of the opening.
        source: panel and tube.
        clearance_mm: from the tube's skin to the metal, square to the tube.
        thickness_mm: of the panel.
        edge: names of two marks on the panel's edge, or None.
        slot: open the hole to the edge.
        slide_deg: of the slot, see `hole_outline`.
        flat_mm: largest distance of a mark from the plane that is still called flat.
    """

    name: str
    source: PanelTube
    clearance_mm: float
    thickness_mm: float = 0.0
    edge: tuple[str, str] | None = None
    slot: bool = False
    slide_deg: float = 0.0
    flat_mm: float = 1.0


@dataclass(frozen=True)
class OpeningPlan:
    """The worked-out hole.

    Attributes:
        request: what was asked.
        hole: to cut.
        numbers: with U; without uncertainty they are left out.
        sentences: in the fitter's words.
        distances: from mark to mark (names, mm), to check the template by hand.
    """

    request: OpeningRequest
    hole: Hole
    numbers: tuple[Quantity, ...]
    sentences: tuple[str, ...]
    distances: tuple[tuple[str, str, float], ...]


def plan_opening(request: OpeningRequest) -> OpeningPlan:
    """Work out the hole.

    Raises:
        InputError: a size that cannot be, an unknown edge, or a hole past the edge.
        DataError: the panel is not flat where the tube passes.
    """
    source, at = request.source, request.source.at
    _check_flat(request)
    edge = None
    if request.edge is not None:
        unknown = [n for n in request.edge if n not in source.names]
        if unknown or request.edge[0] == request.edge[1]:
            raise InputError(
                f"The edge cannot be found by {' and '.join(request.edge)}", "--edge",
                f"name two different marks of the panel: {', '.join(source.names)}",
            )  # fmt: skip
        edge = np.array([at.marks[source.names.index(n)] for n in request.edge])
    hole = hole_outline(
        at, source.od_mm, request.clearance_mm, request.thickness_mm, edge,
        slot=request.slot, slide_deg=request.slide_deg,
    )  # fmt: skip
    numbers = _numbers(source)
    distances = tuple(
        (a, b, float(np.linalg.norm(at.marks[i] - at.marks[j])))
        for (i, a), (j, b) in combinations(enumerate(source.names), 2)
    )
    plan = OpeningPlan(request, hole, numbers, (), distances)
    return OpeningPlan(request, hole, numbers, _sentences(plan), distances)


def _check_flat(request: OpeningRequest) -> None:
    source = request.source
    if source.bulge_mm is not None:
        if source.bulge_mm > request.flat_mm:
            raise DataError(
                f"The scanned panel leaves its plane by {source.bulge_mm:.1f} mm beside the hole, "
                "and a hole in a curved panel cannot be drawn flat", "opening",
                "allow more with --flat-mm if the sheet can be pressed on, or make a card pattern "
                "on the panel itself",
            )  # fmt: skip
        return
    worst = int(np.argmax(np.abs(source.at.off)))
    off = abs(float(source.at.off[worst]))
    if off > request.flat_mm:
        raise DataError(
            f"The panel is not flat: its mark {source.names[worst]} stands {off:.1f} mm off the "
            "plane of all of them, and a hole in a curved panel cannot be drawn flat", "opening",
            "name only the three or four marks next to the hole, or allow more with --flat-mm",
        )  # fmt: skip


def _numbers(source: PanelTube) -> tuple[Quantity, ...]:
    centre, lean = source.u("centre"), source.u("lean")
    if centre is None or lean is None:
        return ()
    out = [
        Quantity(f"centre {axis}", float(v), COVERAGE * math.sqrt(max(float(c), 0.0)), "mm")
        for axis, v, c in zip("xy", source.at.centre, np.diag(centre), strict=True)
    ]
    out.append(Quantity("slant", math.degrees(source.at.slant_rad), _slant_u(source, lean), "deg"))
    return tuple(out)


def _slant_u(source: PanelTube, lean: Array) -> float:
    """U of the slant in degrees, from that of tan(slant) along its heading.

    Near zero the slant has no direction to project on: the largest one is taken.
    """
    worst = math.sqrt(max(float(np.linalg.eigvalsh(lean)[-1]), 0.0))
    size = float(np.linalg.norm(source.at.lean))
    if size > COVERAGE * worst:
        unit = source.at.lean / size
        worst = math.sqrt(max(float(unit @ lean @ unit), 0.0))
    return COVERAGE * math.degrees(worst / (1.0 + size**2))


def place_u(source: PanelTube) -> float | None:
    """U (mm) of the hole's place in its worst direction, on a template laid on the marks."""
    centre = source.u("centre")
    if centre is None:
        return None
    return COVERAGE * math.sqrt(max(float(np.linalg.eigvalsh(centre)[-1]), 0.0))


def _sentences(plan: OpeningPlan) -> tuple[str, ...]:
    request, hole = plan.request, plan.hole
    source, at = request.source, request.source.at
    slant = math.degrees(at.slant_rad)
    u = {q.name: f" (U {q.expanded:.2f})" for q in plan.numbers}
    said = [
        f"{request.name}: {source.tube}, {source.od_mm:g} mm, passes the panel "
        f"{slant:.2f} deg{u.get('slant', '')} from square; with {request.clearance_mm:g} mm all "
        f"round the hole is {hole.length_mm:.1f} mm long and {hole.width_mm:.1f} mm wide.",
        f"On the template its centre lies at x {at.centre[0]:.2f} mm{u.get('centre x', '')}, y "
        f"{at.centre[1]:.2f} mm{u.get('centre y', '')} from {source.names[0]}, x towards "
        f"{source.names[1]}.",
    ]
    worst = place_u(source)
    if worst is None:
        said.append("The typed points carry no uncertainty, so none is told; --u-mm gives it.")
    else:
        said.append(f"The cut line's place is known to {worst:.2f} mm (U, k = 2).")
        if worst > request.clearance_mm:
            said.append(
                "That is more than the clearance: more photos of the marks and the cuffs, or cut "
                "inside the line and open it up by hand."
            )
    if request.thickness_mm > 0.0 and slant > 0.5:
        said.append(
            f"The panel's {request.thickness_mm:g} mm of thickness are allowed for: cut square "
            "through it."
        )
    elif slant > 5.0:
        said.append("The panel is taken as thin; for a thick one give --thickness-mm.")
    if hole.slot:
        said.append("The slot is as wide as the hole all the way to the edge.")
    if hole.land_mm is not None:
        thin = ": that is thin, and --slot would open it" if hole.land_mm < _THIN_MM else ""
        said.append(f"{hole.land_mm:.1f} mm of panel stay between hole and edge{thin}.")
    if source.bulge_mm is not None:
        said.append(
            f"Beside the hole the scan lies within {source.bulge_mm:.2f} mm of one plane; the "
            f"marks stand up to {np.abs(at.off).max():.2f} mm off it."
        )
    elif len(source.names) == 3:
        said.append(
            "Three marks cannot say whether the panel is curved: lay a straight edge across it."
        )
    else:
        said.append(f"Its marks lie within {np.abs(at.off).max():.2f} mm of one plane.")
    if source.beyond_mm > 0.0:
        said.append(
            f"The panel lies {source.beyond_mm:.0f} mm beyond the tube's cuffs; a tube that bends "
            "between them and the panel passes elsewhere."
        )
    return tuple(said)
