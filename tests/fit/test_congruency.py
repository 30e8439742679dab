"""The congruency test: a published worked case, its false alarms, and what it finds."""

from __future__ import annotations

import numpy as np
import pytest
from cage_surveys import known_after, known_before
from scenes import drawn
from scipy.stats import ncx2

from fitscan.adjust.problem import Group, LinearBlock
from fitscan.adjust.solve import Options, solve
from fitscan.adjust.statistics import Covariance, Datum, covariance_of
from fitscan.fit.align import ALPHA, STILL_MM, align
from fitscan.fit.congruency import Net, congruent_points, critical_value
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array

# Two epochs of a levelling net, XXXIV Int. Symposium proceedings p. 119: line, m, and the two
# epochs' height differences, m.
LINES = [
    (10, 11, 211, -0.3274, -0.3250),
    (10, 12, 60, -0.1887, -0.1861),
    (10, 13, 216, -0.4187, -0.4163),
    (11, 12, 169, 0.1392, 0.1394),
    (11, 13, 205, -0.0915, -0.0916),
    (12, 13, 68, -0.2304, -0.2306),
]


def epoch(number: int) -> tuple[Array, Covariance]:
    """Heights of points 10 to 13 and their covariance, as a free net."""
    index = np.array([[line[1] - 10, line[0] - 10] for line in LINES])
    factors = np.tile(np.array([[1.0], [-1.0]]), (len(LINES), 1, 1))
    observed = np.array([line[3 + number] for line in LINES])
    sigma = np.array([0.8e-3 * np.sqrt(line[2] / 1000.0) for line in LINES])
    block = LinearBlock("levelling", observed, sigma, {"height": (index, factors)})
    solution = solve([Group("height", np.zeros((4, 1)), 1)], [block], Options())
    gauge = np.ones((4, 1))
    heights = solution.values["height"][:, 0]
    return heights - heights.mean(), covariance_of(solution, Datum(gauge, gauge))


def published_net() -> Net:
    (h1, c1), (h2, c2) = epoch(0), epoch(1)
    freedom = c1.redundancy + c2.redundancy
    pooled = (c1.variance_factor * c1.redundancy + c2.variance_factor * c2.redundancy) / freedom
    assert pooled == pytest.approx(0.5612, abs=2e-4)
    cofactor = c1.of("height") + c2.of("height")
    ones = np.ones((4, 1))
    filled = cofactor + np.trace(cofactor) * ones @ ones.T
    return Net(h2 - h1, pooled * filled, ones, (1, 1, 1, 1), freedom)


def test_the_published_levelling_net_gives_the_published_test_and_the_point_that_moved() -> None:
    net = published_net()
    whole = congruent_points(net, 0.05, least=4)
    assert not whole.agreed
    assert whole.statistic / 3 == pytest.approx(77.7, abs=0.1)
    assert whole.critical / 3 == pytest.approx(4.757, abs=1e-3)
    found = congruent_points(net, 0.05, least=2)
    assert found.agreed
    assert found.moved == (0,)
    assert found.stable == (1, 2, 3)
    assert found.statistic / 2 == pytest.approx(0.755, abs=2e-3)
    assert found.critical / 2 == pytest.approx(5.143, abs=1e-3)
    shift = net.displacement(0, list(found.stable))
    assert shift * 1e3 == pytest.approx([-2.469], abs=2e-3)


def test_the_critical_value_of_an_allowed_shift_is_that_of_the_non_central_distribution() -> None:
    assert critical_value(0.01, 9, np.inf) == pytest.approx(21.666, abs=1e-3)  # tables of chi^2
    assert critical_value(0.01, 9, np.inf, 4.0) == pytest.approx(float(ncx2.isf(0.01, 9, 4.0)))
    # With many freedoms F comes to chi squared, with a shift and without.
    for shift in (0.0, 4.0):
        assert critical_value(0.01, 9, 1e7, shift) == pytest.approx(
            critical_value(0.01, 9, np.inf, shift), rel=1e-3
        )
    assert critical_value(0.01, 0, np.inf) == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_the_fall_without_a_point_is_what_a_new_fit_without_it_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(15, 15))
    net = Net(rng.normal(size=15), root @ root.T + np.eye(15), rng.normal(size=(15, 4)), (3,) * 5)
    whole = congruent_points(net, 1.0 - 1e-12, least=4)
    # With alpha near 1 nothing is believed: one point goes, the one without which least is left.
    left = []
    for i in range(5):
        others = [j for j in range(5) if j != i]
        rows = net.rows(others)
        weight, _ = net.projected(others)
        left.append(float(net.difference[rows] @ weight @ net.difference[rows]))
    assert whole.moved == (int(np.argmin(left)),)
    assert whole.statistic == pytest.approx(min(left), rel=1e-9)


def moved_by(size_mm: float, marker: int, rng: np.random.Generator) -> dict[int, Rigid]:
    way = rng.normal(size=3)
    return {marker: Rigid(np.eye(3), size_mm * way / np.linalg.norm(way))}


def test_a_shell_tag_moved_by_2_mm_is_found_every_time() -> None:
    rng = np.random.default_rng(11)
    before = known_before()
    shell = [m for m in before.of_part("shell") if known_after().has(m)]
    for marker in shell[:12]:
        after = known_after(moved_by(2.0, marker, rng))
        result = align(drawn(before, rng), drawn(after, rng), "shell")
        assert [m.marker_id for m in result.moved] == [marker]


def test_a_shell_tag_moved_by_a_tenth_trips_the_test_no_more_often_than_its_alpha() -> None:
    rng = np.random.default_rng(12)
    before = known_before()
    # The tag that the two surveys know best, because a shift of it shows most.
    shell = [m for m in before.of_part("shell") if known_after().has(m)]
    best = min(shell, key=lambda m: float(np.trace(before.pose(m).covariance[3:, 3:])))
    runs, tripped = 150, 0
    for _ in range(runs):
        after = known_after(moved_by(STILL_MM, best, rng))
        tripped += bool(align(drawn(before, rng), drawn(after, rng), "shell").moved)
    # Binomial: 1 % of 150 is 1.5, and 6 or more would come in less than one of a hundred runs.
    assert STILL_MM == 0.1
    assert ALPHA == 0.01
    assert tripped <= 5
