"""Every table of every command says at 80 columns what it says on a wide screen."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections import Counter
from collections.abc import Callable

import numpy as np
import pytest
from bare_cages import bare_survey
from bare_doors import door_survey
from board_scenes import BOARD, Scene, board_views
from cabins import Cabin, survey_of, truth_poses
from leaning_cage import cage_survey
from plan_shoots import one_sided
from rich.console import Console, RenderableType

import fitscan.report
from fitscan.fit.angles import AngleWishes, find_angles
from fitscan.fit.bench import check_bench
from fitscan.fit.sweep import find_sweep
from fitscan.fit.verify import ReadLength, verify
from fitscan.geometry.rigid import Rigid
from fitscan.lens.calibrate import calibrate_views
from fitscan.make.bends import Bender
from fitscan.make.bends_file import BendsFile, bends_document, table_from_text
from fitscan.plan.advise import advise
from fitscan.plan.greedy import plan_shoot
from fitscan.plan.project import project_of_survey
from fitscan.plan.wish import Wish
from fitscan.report import (
    bend_table,
    tables,
    tables_angles,
    tables_bench,
    tables_plan,
    tables_sweep,
    tables_verify,
)
from fitscan.report.pieces import WIDTH


def bends() -> BendsFile:
    points = [f"{1234.56 * n:.2f},{-987.65 * (n % 3):.2f},{456.78 * (n % 2):.2f}" for n in range(9)]
    return bends_document(table_from_text(points, [], None, Bender(114.0, 0.0, 0.0, 0.0, 0.0)))


def lengths() -> RenderableType:
    poses = truth_poses()
    read = [
        ReadLength(p, float(np.linalg.norm(poses[p[0]].translation - poses[p[1]].translation)))
        for p in ((0, 1), (2, 3), (4, 13))
    ]
    survey = survey_of("cabin", poses, Rigid.identity())
    return tables_verify.verify_table(verify(survey, read, 1.0))


def angles() -> RenderableType:
    wishes = AngleWishes(lean=("main hoop:1@-3",), symmetry=("cage",), against="car")
    return tables_angles.angles_table(find_angles(cage_survey(), wishes))


def plan() -> RenderableType:
    project = project_of_survey(one_sided(), None, None)
    wish = Wish(tube="main hoop", straight=1, on="shell", wanted_mm=0.4)
    return tables_plan.plan_table(plan_shoot(project, [wish]))


def sweep() -> RenderableType:
    surveys = [door_survey(angle, seed=i) for i, angle in enumerate((0.0, 62.0))]
    return tables_sweep.sweep_table(find_sweep(surveys, "trim", ["shell"], "door bar"))


CASES: dict[str, Callable[[Cabin], RenderableType]] = {
    "gap_table": lambda cabin: tables.gap_table(cabin.gap),
    "recheck_table": lambda cabin: tables.recheck_table(cabin.recheck),
    "survey_table": lambda cabin: tables.survey_table(cabin.shut),
    "camera_table": lambda _: tables.camera_table(
        calibrate_views(board_views(Scene(photos=14), 3), BOARD)
    ),
    "angles_table": lambda _: angles(),
    "verify_table": lambda _: lengths(),
    "bend_table": lambda _: bend_table.bend_table(bends()),
    "bar_table": lambda _: bend_table.bar_table(bends()),  # type: ignore[arg-type]
    "bench_table": lambda _: tables_bench.bench_table(
        check_bench(bare_survey(), bare_survey(seed=2), "cage")
    ),
    "sweep_table": lambda _: sweep(),
    "plan_table": lambda _: plan(),
    "advice_table": lambda _: tables_plan.advice_table(one_sided(), advise(one_sided())),
}


def tables_of_the_project() -> set[str]:
    """Public functions of the reports that return something for the screen."""
    found = set()
    for module in pkgutil.iter_modules(fitscan.report.__path__, "fitscan.report."):
        loaded = importlib.import_module(module.name)
        for name, what in inspect.getmembers(loaded, inspect.isfunction):
            own = what.__module__ == module.name and not name.startswith("_")
            if own and name.endswith("_table") and "Renderable" in str(what.__annotations__):
                found.add(name)
    return found


def test_every_case_is_a_table_of_the_project() -> None:
    assert set(CASES) <= tables_of_the_project()


def letters(table: RenderableType, width: int) -> tuple[Counter[str], int]:
    """Every sign of a table but spaces and lines, and its widest line."""
    console = Console(width=width, color_system=None, highlight=False)
    with console.capture() as capture:
        console.print(table)
    text = capture.get()
    signs = Counter(c for c in text if not c.isspace() and not "─" <= c <= "╿")
    return signs, max(len(line) for line in text.splitlines())


@pytest.mark.parametrize("name", sorted(CASES))
def test_at_80_columns_nothing_is_cut_off(cabin: Cabin, name: str) -> None:
    table = CASES[name](cabin)
    narrow, widest = letters(table, WIDTH)
    wide, _ = letters(table, 400)
    assert widest <= WIDTH
    assert narrow == wide
    assert "…" not in narrow


def test_a_table_that_is_cut_off_would_be_seen() -> None:
    from rich.table import Table

    table = Table()
    for n in range(30):
        table.add_column(f"column {n}", no_wrap=True)
    table.add_row(*(f"{n}.12345" for n in range(30)))
    assert letters(table, WIDTH)[0] != letters(table, 400)[0]
