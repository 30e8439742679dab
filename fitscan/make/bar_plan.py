"""A bar for a recess: the bend table that stays closest to a target, with U, in words.

The line itself comes from `bar_fit`, the target from `bar_target`; drawings and files are left to
`bar_view` and `bar_file`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.make.bar_fit import BarLine, fit_line, guesses, spread
from fitscan.make.bar_target import BarTarget
from fitscan.make.bends import Bender, BendTable, check_bender, from_apexes
from fitscan.make.bent_line import BentLine
from fitscan.make.cautions import FIT_ONLY, TRIAL_BEND
from fitscan.make.quantity import Quantity

__all__ = ["CAUTIONS", "MOST_BENDS", "BarPlan", "BarRequest", "Station", "plan_bar"]

CAUTIONS = (TRIAL_BEND, FIT_ONLY)

MOST_BENDS = 6
"""More bends in one bar are not looked for."""

_TELL_MM = 0.05
"""A deviation below this has no direction worth telling."""

_HELD_MM = 0.1
"""A straight this near to the bender's least holds the bar away from its target."""


@dataclass(frozen=True)
class BarRequest:
    """What to bend.

    Attributes:
        name: of the bar.
        od_mm: its outside diameter.
        target: where its axis should run.
        bender: what can be bent.
        bends: how many; None for the fewest that stay within `within_mm`.
        within_mm: how far the bar may stray where the number of bends is free.
        extend_mm: how far the bar goes on beyond the target at its start and its end.
    """

    name: str
    od_mm: float
    target: BarTarget
    bender: Bender
    bends: int | None = None
    within_mm: float = 1.0
    extend_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Station:
    """The bar at one place of the target.

    Attributes:
        label: of the place.
        at_mm: along the bar from its start.
        target_mm: (3,) the place.
        away_mm: (3,) from the bar's axis to the target.
        deviation_mm, expanded_mm: its length and U (k = 2); None where the target has none.
    """

    label: str
    at_mm: float
    target_mm: Array
    away_mm: Array
    deviation_mm: float
    expanded_mm: float | None


@dataclass(frozen=True)
class BarPlan:
    """A bar that can be bent.

    Attributes:
        request: what was asked.
        table: for the bender.
        apexes: (n, 3) mm, start, apexes, end of the bar in the target's frame.
        stations: at every place of the target.
        worst: the station with the largest deviation.
        numbers: of every row of the table and the developed length, with U; empty without.
        spare_mm: what the straight at either end was lengthened by for the bender, to be cut off.
        sentences: in the fitter's words.
    """

    request: BarRequest
    table: BendTable
    apexes: Array
    stations: tuple[Station, ...]
    worst: Station
    numbers: tuple[Quantity, ...]
    spare_mm: tuple[float, float]
    sentences: tuple[str, ...]


def plan_bar(request: BarRequest) -> BarPlan:
    """Find the bar.

    Raises:
        InputError: a bender that cannot be, a tube that is none, or more bends than the target
            can fix.
        DataError: nothing that the bender can make follows the target.
    """
    _check(request)
    line, tried = _chosen(request)
    apexes, spare = _lengthened(line.apexes, request)
    shift = float(np.linalg.norm(apexes[0] - line.apexes[0]))
    table = _table(apexes, request.bender)
    stations = _stations(request.target, line, shift)
    worst = max(stations, key=lambda s: s.deviation_mm)
    numbers = _numbers(request, line, apexes)
    plan = BarPlan(request, table, apexes, stations, worst, numbers, spare, ())
    return BarPlan(
        request, table, apexes, stations, worst, numbers, spare,
        (*_sentences(plan), *_why(request, line, tried)),
    )  # fmt: skip


def _check(request: BarRequest) -> None:
    check_bender(request.bender)
    if not 10.0 <= request.od_mm <= 300.0:
        raise InputError(
            f"An outside diameter of {request.od_mm:g} mm is none of a cage's tube", "--od-mm",
            "give 10 to 300",
        )  # fmt: skip
    if request.od_mm / 2.0 >= request.bender.clr_mm:
        raise InputError(
            f"A tube of {request.od_mm:g} mm cannot be bent to a centre-line radius of "
            f"{request.bender.clr_mm:g} mm", "--clr-mm",
            f"more than {request.od_mm / 2.0:g} mm is possible; three times the diameter is usual",
        )  # fmt: skip
    if not 0.0 < request.within_mm <= 1000.0:
        raise InputError(
            f"A bar cannot be asked to stay within {request.within_mm:g} mm", "--within-mm",
            "give more than 0 and up to 1000",
        )  # fmt: skip
    if min(request.extend_mm) < 0.0 or max(request.extend_mm) > 5000.0:
        raise InputError(
            "A bar can be longer than its target, not shorter", "--extend-mm",
            "give 0 to 5000 mm for each end",
        )  # fmt: skip
    wanted, most = request.bends, min(request.target.most_bends, MOST_BENDS)
    if wanted is not None and not 0 <= wanted <= most:
        raise InputError(
            f"{wanted} bends cannot be found from this target: it fixes {most} at most", "--bends",
            "give fewer, or more stubs or pointers along the recess",
        )  # fmt: skip


def _chosen(request: BarRequest) -> tuple[BarLine, dict[int, float]]:
    """The line, and the largest deviation by number of bends that were tried."""
    target, tried = request.target, dict[int, float]()
    most = min(target.most_bends, MOST_BENDS)
    counts = range(most + 1) if request.bends is None else [request.bends]
    best: BarLine | None = None
    refused: DataError | None = None
    for count in counts:
        starts = guesses(target.points, count, target.crossings)
        try:
            line = fit_line(target.points, request.bender, count, starts)
        except DataError as error:
            refused = error
            continue
        tried[count] = line.largest
        # One bend more must be worth it: a tenth of a millimetre is less than a bender holds.
        if best is None or line.largest < best.largest - 0.1:
            best = line
        if best.largest <= request.within_mm:
            break
    if best is None:
        raise (
            _refusal(request)
            or refused
            or DataError("No bar follows the target", "bar", "give more places of it")
        )
    return best, tried


def _refusal(request: BarRequest) -> DataError | None:
    """What would be possible where the bender's shortest straight leaves no bar at all."""
    count, clr = request.bends or 0, request.bender.clr_mm
    starts = guesses(request.target.points, count, request.target.crossings)
    try:
        free = fit_line(request.target.points, Bender(clr), count, starts)
    except DataError:
        return None
    inner = BentLine.through(free.apexes, clr).straights[1:-1]
    if len(inner) == 0:
        return None
    return DataError(
        f"A bar with {count} bends has no room for {request.bender.between_mm:g} mm of straight "
        "between them", "--between-mm",
        f"up to {max(float(inner.min()), 0.0):.0f} mm is possible on this radius with as many "
        "bends; or take fewer bends or a smaller radius",
    )  # fmt: skip


def _lengthened(apexes: Array, request: BarRequest) -> tuple[Array, tuple[float, float]]:
    """The bar with its extensions, and longer still where the bender could not hold it."""
    out = apexes.copy()
    spare = []
    for end, inner, extend in ((0, 1, request.extend_mm[0]), (-1, -2, request.extend_mm[1])):
        way = apexes[end] - apexes[inner]
        way = way / np.linalg.norm(way)
        straight = float(BentLine.through(apexes, request.bender.clr_mm).straights[end]) + extend
        more = max(request.bender.ends_mm - straight, 0.0) if len(apexes) > 2 else 0.0
        out[end] = apexes[end] + (extend + more) * way
        spare.append(more)
    return out, (spare[0], spare[1])


def _table(apexes: Array, bender: Bender) -> BendTable:
    if len(apexes) > 2:
        return from_apexes(apexes, bender)
    along = apexes[1] - apexes[0]
    length = float(np.linalg.norm(along))
    side = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    side = side / np.linalg.norm(side)
    rotation = np.column_stack([along / length, np.cross(side, along / length), side])
    return BendTable(bender, (), length, Rigid(rotation, apexes[0]))


def _stations(target: BarTarget, line: BarLine, shift: float) -> tuple[Station, ...]:
    out = []
    for n, (label, away) in enumerate(zip(target.labels, line.away, strict=True)):
        size = float(np.linalg.norm(away))
        expanded = None
        if target.covariance is not None:
            own = target.covariance[3 * n : 3 * n + 3, 3 * n : 3 * n + 3]
            worst = math.sqrt(max(float(np.linalg.eigvalsh(own)[-1]), 0.0))
            unit = away / size if size > COVERAGE * worst else None
            u = worst if unit is None else math.sqrt(max(float(unit @ own @ unit), 0.0))
            expanded = COVERAGE * u
        out.append(
            Station(label, shift + float(line.at[n]), target.points[n], away, size, expanded)
        )
    return tuple(out)


def _numbers(request: BarRequest, line: BarLine, apexes: Array) -> tuple[Quantity, ...]:
    """Rows of the table with U, to first order of the least squares (JCGM 100, 5.1.2)."""
    covariance = request.target.covariance
    if covariance is None or len(apexes) < 3:
        return ()
    gain, apexes_of = spread(request.target.points, request.bender, line)
    names, value = _rows(apexes, request.bender)
    ends = np.array([apexes[0] - line.apexes[0], apexes[-1] - line.apexes[-1]])
    step = 1e-3
    columns = []
    for k in range(len(gain)):
        both = []
        for sign in (1.0, -1.0):
            change = np.zeros(len(gain))
            change[k] = sign * step
            changed = apexes_of(change)
            changed[[0, -1]] += ends
            both.append(_rows(changed, request.bender, value)[1])
        columns.append((both[0] - both[1]) / (2.0 * step))
    jacobian = np.column_stack(columns) @ gain
    u = np.sqrt(np.clip(np.diag(jacobian @ covariance @ jacobian.T), 0.0, None))
    return tuple(
        Quantity(name, float(v), COVERAGE * float(s), unit)
        for (name, unit), v, s in zip(names, value, u, strict=True)
    )


def _rows(
    apexes: Array, bender: Bender, near: Array | None = None
) -> tuple[list[tuple[str, str]], Array]:
    """Feeds, turns, angles in the table's order, then the last straight and the whole length."""
    table = from_apexes(apexes, Bender(bender.clr_mm))
    names: list[tuple[str, str]] = []
    values: list[float] = []
    for n, bend in enumerate(table.bends, 1):
        names += [(f"bend {n} feed", "mm"), (f"bend {n} turn", "deg"), (f"bend {n} angle", "deg")]
        values += [bend.feed_mm, math.degrees(bend.turn_rad), math.degrees(bend.bend_rad)]
    names += [("last straight", "mm"), ("developed length", "mm")]
    out = np.array([*values, table.last_mm, table.developed_mm])
    if near is not None:
        # Half a turn either way is the same turn.
        turns = [n for n, (name, _) in enumerate(names) if name.endswith("turn")]
        out[turns] += 360.0 * np.round((near[turns] - out[turns]) / 360.0)
    return names, out


def _sentences(plan: BarPlan) -> list[str]:
    request, worst, table = plan.request, plan.worst, plan.table
    count = len(table.bends)
    bends = "straight bar" if count == 0 else f"bar with {count} bend{'s' if count > 1 else ''}"
    u = "" if worst.expanded_mm is None else f" (U {worst.expanded_mm:.2f})"
    x, y, z = (float(v) for v in worst.away_mm)
    said = [
        f"{request.name}: a {bends} on a centre-line radius of {request.bender.clr_mm:g} mm stays "
        f"within {worst.deviation_mm:.2f} mm{u} of its target; it is furthest at {worst.label}, "
        f"{worst.at_mm:.0f} mm along the bar.",
        f"Developed length {table.developed_mm:.1f} mm along the centre line, spring-back and "
        "stretch not counted.",
    ]
    if worst.deviation_mm > _TELL_MM:
        said.insert(
            1,
            f"There the target lies {x:+.2f}, {y:+.2f}, {z:+.2f} mm (X, Y, Z; "
            f"{request.target.frame}) from the bar's axis.",
        )
    for place, spare in zip(("start", "end"), plan.spare_mm, strict=True):
        if spare > 0.0:
            said.append(
                f"The {place} is {spare:.1f} mm longer than asked so that the bender can hold it: "
                "cut that off after bending."
            )
    if request.target.covariance is None:
        said.append("The typed points carry no uncertainty, so none is told; --u-mm gives it.")
    small = [b for b in table.bends if math.degrees(b.bend_rad) < 1.0]
    if small:
        said.append(
            "A bend of less than 1 deg is hardly bent on purpose: try one bend fewer (--bends)."
        )
    return said


def _why(request: BarRequest, line: BarLine, tried: dict[int, float]) -> list[str]:
    """What would bring the bar closer."""
    said = []
    if len(tried) > 1:
        told = ", ".join(f"{n}: {mm:.2f} mm" for n, mm in tried.items())
        said.append(f"Largest deviation by number of bends: {told}.")
    if line.largest <= request.within_mm:
        return said
    found = BentLine.through(line.apexes, request.bender.clr_mm).straights
    least = np.full(len(found), request.bender.between_mm)
    least[[0, -1]] = 0.0
    held = bool(len(found) > 1 and np.any(found - least < _HELD_MM))
    bends = len(line.apexes) - 2
    if held:
        free = Bender(10.0 + request.od_mm / 2.0)
        starts = [*guesses(request.target.points, bends, request.target.crossings), line.apexes]
        try:
            other = fit_line(request.target.points, free, bends, starts).largest
        except DataError:
            other = math.inf
        if other < line.largest - 0.1:
            said.append(
                f"The bender holds it away: the straight between two bends is as short as it may "
                f"be. Without a shortest straight, on a tight radius, {other:.2f} mm would be "
                "possible with as many bends."
            )
    said.append(
        f"It does not stay within {request.within_mm:g} mm: more bends, a smaller radius, a "
        "shorter straight or a larger stand-off would be possible."
        if bends < MOST_BENDS
        else f"It does not stay within {request.within_mm:g} mm even with {MOST_BENDS} bends."
    )
    return said
