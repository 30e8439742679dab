"""Plans and advice on the screen: every number, and no more than 80 columns."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plan_shoots import one_sided
from rich.console import Console, RenderableType

from fitscan.plan.advise import Advice, advise
from fitscan.plan.greedy import Plan, plan_shoot
from fitscan.plan.project import project_of_survey
from fitscan.plan.wish import Wish
from fitscan.report.tables_plan import advice_table, plan_table
from fitscan.report.words import CAUTION


def printed(what: RenderableType) -> str:
    console = Console(width=80, highlight=False, no_color=True)
    with console.capture() as got:
        console.print(what)
    return got.get()


@pytest.fixture(scope="module")
def plan() -> Plan:
    project = project_of_survey(one_sided(), None, None)
    return plan_shoot(project, [Wish(tube="main hoop", straight=1, on="shell", wanted_mm=0.4)])


def test_a_plan_has_a_row_for_each_place_and_the_fall_of_u(plan: Plan) -> None:
    said = printed(plan_table(plan))
    rows = [line.split() for line in said.splitlines()]
    for p in plan.places:
        row = next(r for r in rows if r and r[0] == str(p.number) and r[-1] == str(p.rank))
        assert f"{p.distance_mm / 1000.0:.1f}" in row
        assert f"{p.height_mm / 1000.0:.1f}" in row
        assert ("upright" if p.spot.upright else "across") in row
    assert [str(len(plan.places)), f"{plan.planned[0].expanded_mm:.2f}"] in rows
    assert all(w in said for w in CAUTION.split())


def test_advice_is_numbered_as_in_its_sketch() -> None:
    survey = one_sided()
    advice = advise(survey)
    said = " ".join(printed(advice_table(survey, advice)).split())
    photos = [a for a in advice if a.spot is not None]
    for n, a in enumerate(photos, 1):
        assert f"{n}: {a.sentence}." in said
    assert "Nothing would help much" in printed(advice_table(survey, []))


def test_no_line_is_wider_than_80_columns_whatever_the_names(plan: Plan) -> None:
    survey = one_sided()
    long = Advice("limit", "a-name-without-a-space-" * 8)
    tables = [advice_table(survey, [*advise(survey), long])]
    far = replace(plan.places[0], where="outside, from behind and above, on the right " * 2)
    wish = replace(plan.planned[0].wish, tube="a tube with a very long name of eighty signs " * 2)
    planned = replace(plan.planned[0], wish=wish)
    tables.append(plan_table(replace(plan, places=(far, *plan.places[1:]), planned=(planned,))))
    for table in tables:
        assert max(len(line) for line in printed(table).splitlines()) <= 80
        assert "…" not in printed(table)
