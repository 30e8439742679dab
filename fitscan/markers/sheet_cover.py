"""The first sheet: what to do, in order, and a list of what was printed and where it goes.

The cards themselves follow on the next sheets.
"""

from __future__ import annotations

from collections.abc import Iterator

from fitscan.markers.sheet_ink import wrap
from fitscan.markers.sheet_page import RULER_MM, Format
from fitscan.markers.sheet_plan import SheetPlan
from fitscan.markers.sheet_tags import TextCard

__all__ = ["cover_cards"]

Line = tuple[str, float, bool]

HEAD_MM, BODY_MM = 3.6, 2.9

STEPS = (
    "1. Print on matt paper, one side, at 'actual size' or 100 %, without 'fit to page'.",
    "2. {rulers}",
    "3. Cut along the thin grey lines, not closer: the white round each black square is needed. "
    "Do not laminate with glossy film.",
    "4. Stick tags flat, without a fold or an air bubble, on clean parts that do not bend. "
    "Stick nothing over an edge. A tag that has moved is of no use until the next record.",
    "5. Wrap each cuff once round its tube, tight and square: the hatched end underneath, the "
    "cut left edge on the dashed line. All arrows of one tube point to the same end of it. Two "
    "cuffs on a straight, as far apart as the tube lets you, 150 mm or more from any weld.",
    "6. Cut each pointer to a sharp tip and let the tip touch the point that it is named after.",
    "7. Stick a rule's two cards on a straight stiff bar, 800 to 1000 mm apart, measure it and "
    "write its length into kit.toml. Without it the scale is a guess of 0.5 to 1 %.",
    "8. Stick the board sheet on a flat stiff plate (glass, MDF) without a bubble. Take 12 or more "
    "photos of it with the lens and zoom used later, tilted to all sides, filling the picture.",
    "9. Keep kit.toml with the photos: it says what every number on these sheets is.",
)


def cover_cards(
    plan: SheetPlan, form: Format, board: str | None, width: float, height: float
) -> list[TextCard]:
    """Write the first sheet's text, broken into cards that fit a frame of this size."""
    cards: list[TextCard] = []
    lines: list[Line] = []
    room = height
    for line in _lines(plan, form, board, width):
        if lines and TextCard((*lines, line), width).height > room:
            cards.append(TextCard(tuple(lines), width))
            lines = []
        lines.append(line)
    return [*cards, TextCard(tuple(lines), width)]


def _lines(plan: SheetPlan, form: Format, board: str | None, width: float) -> Iterator[Line]:
    yield ("What to do", HEAD_MM, True)
    for step in STEPS:
        yield from _body(step.format(rulers=_rulers(form)), width)
    yield (" ", BODY_MM, False)
    yield ("What was printed", HEAD_MM, True)
    for row in _contents(plan, board):
        yield from _body(row, width)


def _body(text: str, width: float) -> Iterator[Line]:
    for words in wrap(text, BODY_MM, width):
        yield (words, BODY_MM, False)


def _rulers(form: Format) -> str:
    if form.corrected:
        return (
            f"Measure both rulers of a sheet with a steel rule: they must be {RULER_MM:.1f} mm, "
            f"because this drawing makes up for a printer that prints {form.short:g} along the "
            f"short edge and {form.long:g} along the long edge. kit.toml keeps printer scale 1."
        )
    return (
        f"Measure both rulers of a sheet with a steel rule. If one is not {RULER_MM:.1f} mm, "
        f"write measured / {RULER_MM:.1f} under [printer] in kit.toml (across: the ruler at the "
        "foot, along: the upright one)."
    )


def _contents(plan: SheetPlan, board: str | None) -> Iterator[str]:
    for part in dict.fromkeys(t.spec.part for t in plan.tags):
        group = [t for t in plan.tags if t.spec.part == part]
        sides = sorted({t.spec.side_mm for t in group})
        size = " and ".join(f"{s:g}" for s in sides)
        ids = _ids([t.spec.id for t in group])
        yield f"Tags {ids}, {size} mm, {part}: {group[0].where}."
    for pointer in plan.pointers:
        yield f"Pointer {pointer.id}, {pointer.part}: its tip on {pointer.name}."
    for key in dict.fromkeys((c.spec.tube, c.spec.straight) for c in plan.cuffs):
        cuffs = [c.spec for c in plan.cuffs if (c.spec.tube, c.spec.straight) == key]
        ids = ", ".join(f"{c.ids[0]}-{c.ids[-1]}" for c in cuffs)
        many = "Cuff" if len(cuffs) == 1 else "Cuffs"
        yield (
            f"{many} {ids}, {cuffs[0].part}: {key[0]}, straight {key[1]}, "
            f"outside diameter {cuffs[0].od_mm:g} mm."
        )
    for rule in plan.rules:
        a, b = rule.ends
        length = rule.asked.length_mm
        state = "not measured yet" if length is None else f"{length:g} mm"
        yield f"Rule: tags {a.id} and {b.id}, centre to centre {state}."
    if board:
        yield f"Board for the lens: --board {board}"


def _ids(ids: list[int]) -> str:
    """Ids as ranges: 0-5, 9."""
    runs: list[list[int]] = []
    for i in sorted(ids):
        if runs and i == runs[-1][1] + 1:
            runs[-1][1] = i
        else:
            runs.append([i, i])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)
