"""U of coped edges and cut lengths against drawn numbers, and the file of the version before."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from fitscan.errors import InputError
from fitscan.make.cope import BranchTube, RunAt, cope_profile
from fitscan.make.cope_file import CopeFile
from fitscan.make.cope_plan import CopeRequest, plan_cope
from fitscan.make.cope_text import request_from_text
from fitscan.make.cope_u import edge_expanded, stock_expanded, typed_covariance
from fitscan.store.json_file import read_json

Array = npt.NDArray[np.float64]

BRANCH = BranchTube(38.0, 2.5)
NEAR = (
    RunAt(45.0, math.radians(62.0), 1.5),
    RunAt(40.0, math.radians(75.0), -1.0, math.radians(100.0), 5.0),
)
FAR = (RunAt(45.0, math.radians(70.0), 0.0, math.radians(30.0)),)


def drawn(run: RunAt, numbers: Array) -> RunAt:
    angle, offset, turn, along = (float(v) for v in numbers)
    return replace(
        run, angle_rad=run.angle_rad + angle, offset_mm=run.offset_mm + offset,
        turn_rad=run.turn_rad + turn, along_mm=run.along_mm + along,
    )  # fmt: skip


def test_u_of_the_edge_and_of_the_piece_is_how_far_drawn_numbers_scatter() -> None:
    """JCGM 101: typed numbers drawn from their uncertainty, coped anew."""
    covariance = typed_covariance(NEAR, FAR, 0.1, 0.2)
    root = np.sqrt(np.diag(covariance))
    rng = np.random.default_rng(2)
    edges, stocks = [], []
    for _ in range(200):
        step = root * rng.normal(size=len(root))
        near = tuple(drawn(r, step[4 * n : 4 * n + 4]) for n, r in enumerate(NEAR))
        far = (drawn(FAR[0], step[8:12]),)
        profile, other = cope_profile(BRANCH, near), cope_profile(BRANCH, far)
        edges.append(profile.cut[::50])
        stocks.append(600.0 + step[12] - profile.line.min() - other.line.min())
    scatter = 2.0 * np.std(np.array(edges), axis=0).max()
    told = edge_expanded(BRANCH, NEAR, "square", covariance[:8, :8])
    assert told == pytest.approx(scatter, rel=0.2)
    length = stock_expanded(BRANCH, NEAR, FAR, "square", 0.0, covariance)
    assert length == pytest.approx(2.0 * np.std(stocks), rel=0.2)


def test_the_angles_share_of_u_is_the_derivative_of_the_closed_form() -> None:
    """w = (sqrt(R^2 - r^2 sin^2 t) - r cos t cos b) / sin b (Gray 1997), by b, largest over t."""
    r, big, b, u = 19.0, 22.5, math.radians(62.0), math.radians(0.1)
    t = np.linspace(0.0, 2.0 * math.pi, 721)
    root = np.sqrt(big**2 - (r * np.sin(t)) ** 2)
    slope = (r * np.cos(t) - root * math.cos(b)) / math.sin(b) ** 2
    covariance = np.diag([u**2, 0.0, 0.0, 0.0])
    told = edge_expanded(BRANCH, (RunAt(45.0, b),), "ground", covariance)
    assert told == pytest.approx(2.0 * u * np.abs(slope).max(), rel=1e-4)


def test_tubes_that_graze_have_a_u_too() -> None:
    run = (RunAt(38.0, math.pi / 2.0, 2.5),)
    assert edge_expanded(BRANCH, run, "square", np.diag([0.0, 0.01, 0.0, 0.0])) > 0.0


def test_what_is_exact_by_definition_has_no_uncertainty() -> None:
    u = np.sqrt(np.diag(typed_covariance(NEAR, FAR, 0.1, 0.2)))
    a = math.radians(0.1)
    np.testing.assert_allclose(u, [a, 0.2, 0, 0, a, 0.2, a, 0.2, a, 0.2, a, 0, 0.2])


def test_typed_numbers_tell_u_only_when_their_own_is_given() -> None:
    texts = (["45:62:1.5"], ["45:70:0:30"], 600.0)
    bare = plan_cope(request_from_text("stay", 38.0, 2.5, *texts))
    assert bare.stock_expanded_mm is None
    assert any("--u-deg and --u-mm give it" in s for s in bare.sentences)
    told = plan_cope(request_from_text("stay", 38.0, 2.5, *texts, (0.1, 0.2)))
    assert told.stock_expanded_mm is not None
    assert all(end.expanded_mm is not None for end in told.ends)
    assert any(f"(U {told.stock_expanded_mm:.2f}) tip to tip" in s for s in told.sentences)
    with pytest.raises(InputError, match="standard uncertainty"):
        request_from_text("stay", 38.0, 2.5, *texts, (-1.0, 0.2))


def test_a_plan_of_version_1_is_read_as_one_without_u() -> None:
    old = read_json(
        Path(__file__).parents[1] / "job" / "data" / "version_1" / "cope.json", CopeFile
    )
    assert old.stock_expanded_mm is None
    assert [end.expanded_mm for end in old.ends] == [None, None]
    assert old.ends[0].runs[0].angle_deg == pytest.approx(60.0)


def test_one_end_needs_no_far_end() -> None:
    request = CopeRequest("stay", BRANCH, NEAR, covariance=typed_covariance(NEAR, (), 0.1, 0.2))
    plan = plan_cope(request)
    assert plan.ends[0].expanded_mm is not None
    assert plan.stock_expanded_mm is None
