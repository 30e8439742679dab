"""From what a user asks for to ids and a kit: which printed thing is what.

Ids start at round numbers (tags 0, pointers 60, rules 90, cuffs 100) where there is room, so
that a person can guess them; drawing is left to the cards.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitscan.errors import InputError
from fitscan.markers.family import FAMILY_SIZE
from fitscan.markers.kit import CuffSpec, Kit, PointerSpec, PrinterSpec, RuleSpec, TagSpec
from fitscan.markers.sheet_cuffs import CuffShape, cuff_shape
from fitscan.markers.sheet_page import Format
from fitscan.markers.sheet_request import RuleRequest, SheetRequest, TubeRequest

__all__ = ["PlannedCuff", "PlannedRule", "PlannedTag", "SheetPlan", "plan_sheets"]

FIRST_POINTER, FIRST_RULE, FIRST_CUFF = 60, 90, 100

USUAL_PLACE = {
    "shell": "flat stiff sheet metal, not on a loose panel",
    "trim": "stiff flat spot, seen with the door open and shut",
    "cage": "flat of a gusset or plate, away from welds",
    "dash": "stiff flat spot, seen from both doors",
}


@dataclass(frozen=True)
class PlannedTag:
    """A flat tag and where to stick it."""

    spec: TagSpec
    where: str


@dataclass(frozen=True)
class PlannedCuff:
    """A cuff, its strip and where to stick it."""

    spec: CuffSpec
    shape: CuffShape
    where: str


@dataclass(frozen=True)
class PlannedRule:
    """The two tags of a rule, and the rule itself when its length is known."""

    ends: tuple[TagSpec, TagSpec]
    asked: RuleRequest

    @property
    def spec(self) -> RuleSpec | None:
        """For the kit; None while nobody has measured it."""
        if self.asked.length_mm is None:
            return None
        ids = (self.ends[0].id, self.ends[1].id)
        return RuleSpec(ids=ids, length_mm=float(self.asked.length_mm), u_mm=float(self.asked.u_mm))


@dataclass(frozen=True)
class SheetPlan:
    """Everything that is printed, with its ids, and the kit that says so."""

    tags: tuple[PlannedTag, ...]
    pointers: tuple[PointerSpec, ...]
    rules: tuple[PlannedRule, ...]
    cuffs: tuple[PlannedCuff, ...]
    kit: Kit


def plan_sheets(request: SheetRequest, form: Format) -> SheetPlan:
    """Give ids to everything in a checked request.

    Raises:
        InputError: more ids are needed than the family has.
    """
    shapes = {t.name: cuff_shape(float(t.od_mm), float(request.paper_mm)) for t in request.tubes}
    counts = (
        sum(g.count for g in request.tags),
        len(request.pointers),
        2 * len(request.rules),
        sum(
            t.straights * t.cuffs * shapes[t.name].columns * shapes[t.name].rows
            for t in request.tubes
        ),
    )
    tag_id, pointer_id, rule_id, cuff_id = _first_ids(counts, request.first_id)
    tags = _tags(request, tag_id)
    pointers = tuple(
        PointerSpec(
            id=pointer_id + n,
            side_mm=float(p.side_mm),
            reach_mm=float(p.reach_mm),
            part=p.part,
            name=p.name,
        )
        for n, p in enumerate(request.pointers)
    )
    rules = tuple(_rule(rule, n, rule_id + 2 * n) for n, rule in enumerate(request.rules))
    cuffs: list[PlannedCuff] = []
    for tube in request.tubes:
        for cuff in _cuffs(tube, shapes[tube.name], cuff_id, float(request.paper_mm)):
            cuffs.append(cuff)
            cuff_id = cuff.spec.ids[-1] + 1
    kit = Kit(
        printer=PrinterSpec() if form.corrected else None,
        tag=tuple(t.spec for t in tags) + tuple(end for r in rules for end in r.ends),
        pointer=pointers,
        cuff=tuple(c.spec for c in cuffs),
        rule=tuple(spec for r in rules if (spec := r.spec) is not None),
    )
    return SheetPlan(tags, pointers, rules, tuple(cuffs), kit)


def _first_ids(counts: tuple[int, ...], first: int) -> list[int]:
    """First id of tags, pointers, rules and cuffs: round numbers, or packed if those run out."""
    starts, free = [], first
    for count, usual in zip(counts, (0, FIRST_POINTER, FIRST_RULE, FIRST_CUFF), strict=True):
        # Each kind starts at its usual number or at the next ten after the kind before it.
        start = max(first + usual, -(-free // 10) * 10) if count else free
        starts.append(start if usual else first)
        free = starts[-1] + count
    if free <= FAMILY_SIZE:
        return starts
    total = sum(counts)
    if first + total > FAMILY_SIZE:
        raise InputError(
            f"These sheets need {total} ids from {first} on and the family 36h11 ends at "
            f"{FAMILY_SIZE - 1}",
            "sheets",
            "ask for fewer tags or cuffs (a cuff takes 14 ids), or begin at a lower id",
        )
    return [first + sum(counts[:n]) for n in range(len(counts))]


def _tags(request: SheetRequest, tag_id: int) -> tuple[PlannedTag, ...]:
    planned: list[PlannedTag] = []
    for group in request.tags:
        usual = USUAL_PLACE.get(group.part, f"flat stiff spot of the {group.part}")
        for _ in range(group.count):
            spec = TagSpec(id=tag_id, side_mm=float(group.side_mm), part=group.part)
            planned.append(PlannedTag(spec, group.where or usual))
            tag_id += 1
    return tuple(planned)


def _rule(asked: RuleRequest, n: int, first: int) -> PlannedRule:
    part = f"rule {n + 1}"
    ends = tuple(
        TagSpec(
            id=first + k, side_mm=float(asked.side_mm), part=part, name=f"{part}, {'AB'[k]} end"
        )
        for k in range(2)
    )
    return PlannedRule((ends[0], ends[1]), asked)


def _cuffs(tube: TubeRequest, shape: CuffShape, first: int, paper_mm: float) -> list[PlannedCuff]:
    planned = []
    for n in range(tube.straights * tube.cuffs):
        straight, place = divmod(n, tube.cuffs)
        spec = CuffSpec(
            first_id=first + n * shape.columns * shape.rows,
            od_mm=float(tube.od_mm),
            columns=shape.columns,
            rows=shape.rows,
            side_mm=shape.side,
            row_pitch_mm=shape.row_pitch,
            part=tube.part,
            tube=tube.name,
            straight=straight + 1,
            paper_mm=paper_mm,
        )
        where = f"{tube.part}, {tube.name}, straight {straight + 1}, "
        planned.append(PlannedCuff(spec, shape, where + _cuff_place(place, tube.cuffs)))
    return planned


def _cuff_place(place: int, of: int) -> str:
    if of == 1:
        return "at its middle, 150 mm or more from any weld"
    if place == 0:
        return "near one end, 150 mm or more from any weld"
    if place == of - 1:
        return "near the other end, 150 mm or more from any weld"
    return "spread evenly between its end cuffs"
