"""A tube with one or two coped ends: profiles, lengths between them, templates, sentences.

Angles and offsets come from a person (`cope_text`) or from a survey (`measured_cope`); files are
left to `cope_file`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array
from fitscan.make.cautions import DRY_FIT_COPE, FIT_ONLY
from fitscan.make.cope import BranchTube, CopeProfile, Fit, RunAt, cope_profile
from fitscan.make.cope_u import edge_expanded, stock_expanded
from fitscan.make.names import check_name, shown
from fitscan.make.quantity import Quantity
from fitscan.make.template import PAPER_MM, EndName, Template, wrap_template

__all__ = ["CAUTIONS", "CopePlan", "CopeRequest", "End", "Quantity", "plan_cope"]

CAUTIONS = (DRY_FIT_COPE, FIT_ONLY)

LONGEST_MM = 10_000.0


@dataclass(frozen=True)
class CopeRequest:
    """What to cut.

    Attributes:
        name: of the branch.
        branch: its section.
        near: runs at the near end, the first gives the reference point and the 0 line.
        far: runs at the far end, none when only one end is coped.
        length_mm: between the two reference points along the branch's axis, with `far`.
        kerf_mm, fit: see `CopeProfile`.
        paper_mm: thickness of the template.
        measured: what a survey says, empty for typed numbers.
        placing: where the template lies on the tube that was surveyed, in sentences.
        warnings: that every output must carry.
        covariance: (4 n + 1, 4 n + 1) of all runs' numbers, near end first, then the length; see
            `cope_u`. None when nobody says how well the numbers are known.
    """

    name: str
    branch: BranchTube
    near: tuple[RunAt, ...]
    far: tuple[RunAt, ...] = ()
    length_mm: float | None = None
    kerf_mm: float = 0.0
    fit: Fit = "square"
    paper_mm: float = PAPER_MM
    measured: tuple[Quantity, ...] = ()
    placing: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    covariance: Array | None = None


@dataclass(frozen=True)
class End:
    """One coped end with its template.

    Attributes:
        name: of the end.
        profile, template: as worked out.
        expanded_mm: U (k = 2) of the edge's height at its least known place; None without.
    """

    name: EndName
    profile: CopeProfile
    template: Template
    expanded_mm: float | None = None


@dataclass(frozen=True)
class CopePlan:
    """The worked-out cut.

    Attributes:
        request: what was asked.
        ends: the near end, and the far end if there is one.
        stock_mm: shortest straight tube that the piece can be cut from, tip to tip; with two ends.
        lines_mm: finished length along the lines at 0, 90, 180 and 270 deg; with two ends.
        between_mm: between the square edges of the two templates as they lie on the tube;
            negative when they overlap.
        sentences: in the fitter's words.
        stock_expanded_mm: U (k = 2) of the stock's length; None without.
    """

    request: CopeRequest
    ends: tuple[End, ...]
    stock_mm: float | None
    lines_mm: tuple[float, float, float, float] | None
    between_mm: float | None
    sentences: tuple[str, ...]
    stock_expanded_mm: float | None = None


def plan_cope(request: CopeRequest) -> CopePlan:
    """Work out both ends and what lies between them.

    Raises:
        InputError: an end that cannot be coped, a far end without a length or the other way
            round, a length at which nothing of the tube is left, a paper that is none.
    """
    _check(request)
    near = cope_profile(request.branch, request.near, kerf_mm=request.kerf_mm, fit=request.fit)
    if request.length_mm is None:
        ends: tuple[End, ...] = (_end(request, "near", near, ()),)
        return CopePlan(request, ends, None, None, None, _sentences(request, ends, None, None))
    far = cope_profile(request.branch, request.far, kerf_mm=request.kerf_mm, fit=request.fit)
    length = request.length_mm
    left = length - near.cut - far.cut
    if left.min() < 1.0:
        need = length - float(left.min()) + 1.0
        raise InputError(
            f"At a length of {length:.1f} mm the two copes meet and nothing of the tube is left",
            request.name,
            f"more than {need:.1f} mm between the reference points is possible",
        )
    stock = length - float(near.line.min()) - float(far.line.min())
    quarters = [float(np.interp(k * math.pi / 2, near.angle, left)) for k in range(4)]
    lines = (quarters[0], quarters[1], quarters[2], quarters[3])
    expanded = None
    if request.covariance is not None:
        expanded = stock_expanded(
            request.branch, request.near, request.far, request.fit, request.kerf_mm,
            request.covariance,
        )  # fmt: skip
    u = "" if expanded is None else f" (U {expanded:.2f})"
    common = (f"cut piece {stock:.1f} mm{u} tip to tip",)
    ends = (_end(request, "near", near, common), _end(request, "far", far, common))
    between = length - sum(e.template.square_edge_mm for e in ends)
    said = _sentences(request, ends, stock, between, expanded)
    return CopePlan(request, ends, stock, lines, between, said, expanded)


def _check(request: CopeRequest) -> None:
    check_name(request.name, "cope")
    if bool(request.far) != (request.length_mm is not None):
        raise InputError(
            "A far end and the length to it belong together",
            request.name,
            "give both the far end's run and the length, or neither",
        )
    length = request.length_mm
    if length is not None and not 0.0 < length <= LONGEST_MM:
        raise InputError(
            f"A length of {length:g} mm is none of a tube",
            request.name,
            f"give more than 0 and up to {LONGEST_MM:g} mm",
        )
    if not 0.0 <= request.paper_mm <= 1.0:
        raise InputError(
            f"A template {request.paper_mm:g} mm thick cannot be wrapped",
            request.name,
            "give 0 to 1 mm; office paper has 0.1",
        )


def _end(request: CopeRequest, name: EndName, profile: CopeProfile, common: tuple[str, ...]) -> End:
    b = profile.branch
    words = [f"{request.name}: {name} end, OD {b.od_mm:g} x {b.wall_mm:g} mm"]
    for run in profile.runs:
        words += _template_words(run, name, request.measured)
    words += [*common]
    expanded = _edge_u(request, name)
    u = "" if expanded is None else f", edge U {expanded:.2f}"
    words.append(f"saddle {profile.depth_mm:.1f} mm, kerf {profile.kerf_mm:g} mm{u}, DRY-FIT FIRST")
    title = f"Cope: {request.name}, {name} end"
    return End(
        name,
        profile,
        wrap_template(profile, name, tuple(words), title=title, paper_mm=request.paper_mm),
        expanded,
    )


def _edge_u(request: CopeRequest, name: EndName) -> float | None:
    """U of an end's edge, from its runs' part of the covariance."""
    if request.covariance is None:
        return None
    first = 0 if name == "near" else 4 * len(request.near)
    runs = request.near if name == "near" else request.far
    own = request.covariance[first : first + 4 * len(runs), first : first + 4 * len(runs)]
    return edge_expanded(request.branch, runs, request.fit, own)


def _template_words(run: RunAt, end: EndName, measured: tuple[Quantity, ...]) -> list[str]:
    """Lines on the template about one run: as typed, or as measured with U."""
    head = f"{end} end: {run.name} "
    own = [q for q in measured if q.name.startswith(head)]
    if not own:
        return [_run_words(run)]
    told = [f"{q.name[len(head) :]} {q.number}" for q in own]
    lines = [f"{shown(run.name)} OD {run.od_mm:g}: " + ", ".join(told[:2])]
    return lines + ([", ".join(told[2:])] if told[2:] else [])


def _run_words(r: RunAt) -> str:
    words = f"{shown(r.name)} OD {r.od_mm:g}: {math.degrees(r.angle_rad):.2f} deg, "
    words += f"offset {r.offset_mm:.2f} mm"
    if abs(r.turn_rad) > 1e-9:
        words += f", turn {math.degrees(r.turn_rad):.2f} deg"
    return words


def _apart(between: float) -> str:
    if between < 0.0:
        return f"the two templates overlap by {-between:.2f} mm on the tube, so lay on one by one"
    return f"{between:.2f} mm between the square edges of the two templates"


def _sentences(
    request: CopeRequest, ends: tuple[End, ...], stock: float | None, between: float | None,
    expanded: float | None = None,
) -> tuple[str, ...]:  # fmt: skip
    said = []
    for end in ends:
        p = end.profile
        said.append(
            f"{end.name} end: on {' and '.join(_run_words(r) for r in p.runs)}; saddle "
            f"{p.depth_mm:.2f} mm deep; the template's square edge lies "
            f"{end.template.square_edge_mm:.2f} mm from the reference point."
        )
        if p.fit == "square":
            said.append(
                f"{end.name} end: cut square to the surface the inside touches first, and up to "
                f"{p.gap_mm:.2f} mm stay open at the outside, measured along the tube."
            )
        else:
            said.append(
                f"{end.name} end: the outside lies on the run only after the inside is ground "
                f"back by up to {float(np.max(p.inside - p.outside)):.2f} mm."
            )
        if end.expanded_mm is not None:
            said.append(
                f"{end.name} end: the edge is known to {end.expanded_mm:.2f} mm along the tube (U, "
                "k = 2, at its least known place)."
            )
        if p.overhang_mm > 0.0:
            said.append(
                f"{end.name} end: the branch stands {p.overhang_mm:.2f} mm past the run at its "
                "side; look whether it can be moved there."
            )
    if stock is not None and between is not None:
        u = "" if expanded is None else f" (U {expanded:.2f})"
        said.append(f"Cut piece: {stock:.2f} mm{u} tip to tip; {_apart(between)}, 0 lines in line.")
    if request.covariance is None:
        said.append(
            "The typed numbers carry no uncertainty, so none is told; --u-deg and --u-mm give it."
        )
    return (*said, *request.placing, *(f"Measured: {q}." for q in request.measured))
