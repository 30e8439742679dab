"""Plans and advice as tables for the screen, no wider than 80 characters.

Choosing photos is left to `fitscan.plan`; printing to the command line.
"""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from fitscan.plan.advise import Advice
from fitscan.plan.greedy import Plan
from fitscan.report.pieces import ending, heading, item, number_table, sentences_of, titled
from fitscan.survey.survey import Survey

__all__ = ["advice_table", "plan_table"]


def plan_table(plan: Plan) -> RenderableType:
    """A plan: what it gives, where to hold the phone, how U falls with the photos."""
    count = len(plan.places)
    parts: list[RenderableType] = [heading(f"{count} photos to take")]
    parts += sentences_of(plan.sentences)
    ground = "the ground" if plan.project.ground_mm is not None else "the lowest marker"
    table = _places_table()
    for p in plan.places:
        table.add_row(
            str(p.number), Text(p.where), f"{p.distance_mm / 1000.0:.1f}",
            f"{p.height_mm / 1000.0:.1f}", "upright" if p.spot.upright else "across",
            str(len(p.markers)), str(p.rank),
        )  # fmt: skip
    title = (
        f"m away: from the nearest wanted marker; m up: above {ground}; help: 1 helps most; the "
        "numbers follow a walk round the car"
    )
    parts.append(titled(title, table))
    for planned in plan.planned:
        steps = number_table(("photos", "U mm"))
        for n, u in _few(planned.steps):
            steps.add_row(str(n), f"{u:.2f}")
        what = f"U (k = 2) of {planned.wish.words}, with the photos that help most"
        parts.append(titled(what, steps))
    return Group(*parts, *ending(()))


def advice_table(survey: Survey, advice: list[Advice]) -> RenderableType:
    """Advice: photos to add, numbered as in the sketch, then what else would help."""
    parts: list[RenderableType] = [heading(f"What would help survey {survey.name}")]
    photos = [a for a in advice if a.spot is not None]
    if not advice:
        parts.append(Text("Nothing would help much: no photo takes a worthwhile share off any U."))
    for n, a in enumerate(photos, 1):
        parts.append(item(f"{n}: {a.sentence}."))
    parts += [item(f"{a.sentence}.") for a in advice if a.spot is None]
    parts.append(Text(""))
    parts.append(Text("U with k = 2; each photo counts on those before it."))
    return Group(*parts, *ending(survey.quality.warnings))


def _places_table() -> Table:
    table = number_table(("no.", "where", "m away", "m up", "held", "markers", "help"))
    table.columns[1].justify = "left"
    table.columns[1].no_wrap = False
    table.columns[4].justify = "left"
    return table


def _few(steps: tuple[tuple[int, float], ...], most: int = 8) -> list[tuple[int, float]]:
    """The first, the last, and a few in between."""
    if len(steps) <= most:
        return list(steps)
    every = (len(steps) - 1) / (most - 1)
    return [steps[round(i * every)] for i in range(most)]
