"""Taking out what stands apart against one dense inverse of everything, photos included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.linalg import null_space

from fitscan.adjust import normal as normal_module
from fitscan.adjust import statistics
from fitscan.adjust.apart import Apart, is_less_work
from fitscan.adjust.normal import Order, build_normal
from fitscan.adjust.problem import Group, IntArray, Linear, Part, Values
from fitscan.adjust.solve import Options, Solution, solve
from fitscan.adjust.statistics import Datum, covariance_of
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array

PHOTOS, MARKERS, LENS, ROWS = 4, 40, 2, 5
SIZES = {"photo": (PHOTOS, 3), "marker": (MARKERS, 2), "lens": (1, LENS)}
ALL = PHOTOS * 3 + MARKERS * 2 + LENS
FIRST = {"photo": 0, "marker": PHOTOS * 3, "lens": PHOTOS * 3 + MARKERS * 2}


@dataclass(frozen=True)
class Flat:
    """Observations (n, m) that are linear in everything."""

    name: str
    at_zero: Array
    parts: tuple[Part, ...]
    robust: float | None = None

    @property
    def rank(self) -> IntArray:
        return np.full(len(self.at_zero), self.at_zero.shape[1])

    def residual(self, values: Values) -> Array:
        out = self.at_zero.copy()
        for p in self.parts:
            out += np.einsum("nmk,nk->nm", p.jacobian, values[p.group][p.index])
        return out

    def linearise(self, values: Values) -> Linear:
        return Linear(self.residual(values), self.parts)


def squares(rng: np.random.Generator, photo: IntArray, marker: IntArray) -> Flat:
    """Squares that do not notice when all photos and markers are shifted alike."""
    n = len(photo)
    by_marker = rng.normal(size=(n, ROWS, 2))
    own = np.concatenate([-by_marker, rng.normal(size=(n, ROWS, 1))], axis=2)
    parts = (
        Part("photo", photo, own),
        Part("marker", marker, by_marker),
        Part("lens", np.zeros(n, dtype=np.intp), rng.normal(size=(n, ROWS, LENS))),
    )
    return Flat("squares", rng.normal(size=(n, ROWS)), parts, robust=1.2)


def rules(rng: np.random.Generator, ends: IntArray) -> Flat:
    """Distances of two markers."""
    way = rng.normal(size=(len(ends), 1, 2))
    parts = (Part("marker", ends[:, 0], way), Part("marker", ends[:, 1], -way))
    return Flat("rules", rng.normal(size=(len(ends), 1)), parts)


def anchors(rng: np.random.Generator) -> Flat:
    """What is known of some markers beforehand."""
    index = np.arange(5)
    part = Part("marker", index, np.tile(np.eye(2), (5, 1, 1)))
    return Flat("anchors", rng.normal(size=(5, 2)), (part,))


def groups() -> list[Group]:
    return [Group(name, np.zeros(size), size[1]) for name, size in SIZES.items()]


def everything_seen(rng: np.random.Generator) -> tuple[IntArray, IntArray]:
    """Which photo shows which marker: each marker two to four times, in any order."""
    seen = np.array([(p, m) for m in range(MARKERS) for p in rng.permutation(PHOTOS)[: 2 + m % 3]])
    photo, marker = seen[rng.permutation(len(seen))].T
    return photo, marker


SHIFT = np.concatenate([np.tile(np.eye(2), (MARKERS, 1)), np.zeros((LENS, 2))])
"""What no square notices, of the kept parameters."""

SOME = np.concatenate([np.tile(np.eye(2), (9, 1)), np.zeros((2 * (MARKERS - 9) + LENS, 2))])
"""A datum on the first nine markers."""

ENDS = np.array([[1, 7], [7, 30], [12, 39]])


def blocks(seed: int, *, tied: bool, free: bool) -> list[Flat]:
    rng = np.random.default_rng(seed)
    out = [squares(rng, *everything_seen(rng))]
    if tied:
        out.append(rules(rng, ENDS))
    if not free:
        out.append(anchors(rng))
    return out


def dense(solution: Solution) -> tuple[Array, Array]:
    """Normal matrix and right-hand side of everything: photos, markers, lens."""
    matrix, right = np.zeros((ALL, ALL)), np.zeros(ALL)
    for linear, weight in zip(solution.linears, solution.weights, strict=True):
        for i, w in enumerate(weight):
            row = dense_row(linear, i)
            matrix += w * row.T @ row
            right -= w * row.T @ linear.residual[i]
    return matrix, right


def dense_row(linear: Linear, i: int) -> Array:
    row = np.zeros((linear.residual.shape[1], ALL))
    for p in linear.parts:
        at = FIRST[p.group] + p.jacobian.shape[2] * int(p.index[i])
        row[:, at : at + p.jacobian.shape[2]] += p.jacobian[i]
    return row


def dense_covariance(matrix: Array, constraint: Array | None) -> Array:
    """Inverse among those changes that the constraint (on the kept parameters) allows."""
    if constraint is None:
        return np.asarray(np.linalg.inv(matrix))
    whole = np.concatenate([np.zeros((PHOTOS * 3, constraint.shape[1])), constraint])
    allowed = null_space(whole.T)
    return np.asarray(allowed @ np.linalg.inv(allowed.T @ matrix @ allowed) @ allowed.T)


@pytest.mark.parametrize("tied", [False, True], ids=["no rules", "rules"])
@pytest.mark.parametrize("constraint", [None, SHIFT, SOME], ids=["anchored", "all", "some"])
def test_covariances_are_those_of_one_dense_inverse(constraint: Array | None, tied: bool) -> None:
    solution = solve(
        groups(), blocks(3, tied=tied, free=constraint is not None), Options(eliminate="photo")
    )
    assert is_less_work(solution.normal)
    assert np.any(solution.weights[0] < 0.9)
    covariance = covariance_of(solution, None if constraint is None else Datum(SHIFT, constraint))
    wanted = dense_covariance(dense(solution)[0], constraint)
    kept = slice(PHOTOS * 3, None)
    np.testing.assert_allclose(covariance.kept, wanted[kept, kept], rtol=1e-9, atol=1e-12)
    places = FIRST["marker"] + np.array([10, 11, 60, 61])
    some = covariance.of("marker", np.array([5, 30]))
    np.testing.assert_allclose(some, wanted[np.ix_(places, places)], rtol=1e-9, atol=1e-12)
    for e in range(PHOTOS):
        own = wanted[3 * e : 3 * e + 3, 3 * e : 3 * e + 3]
        np.testing.assert_allclose(covariance.eliminated(e), own, rtol=1e-9, atol=1e-12)
    for linear in solution.linears:
        spread = covariance.of_observations(linear)
        for i in range(len(spread)):
            row = dense_row(linear, i)
            np.testing.assert_allclose(spread[i], row @ wanted @ row.T, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("share", [0.0, 2.0], ids=["one product", "photo by photo"])
def test_observations_get_their_covariance_whether_photos_touch_many_or_few(
    monkeypatch: pytest.MonkeyPatch, share: float
) -> None:
    solution = solve(groups(), blocks(5, tied=True, free=False), Options(eliminate="photo"))
    monkeypatch.setattr(normal_module, "_DENSE_SHARE", share)
    covariance = covariance_of(solution)
    wanted = dense_covariance(dense(solution)[0], None)
    for linear in solution.linears:
        spread = covariance.of_observations(linear)
        for i in range(len(spread)):
            row = dense_row(linear, i)
            np.testing.assert_allclose(spread[i], row @ wanted @ row.T, rtol=1e-9, atol=1e-12)
    inverse, carry, shared = covariance.carried
    np.testing.assert_allclose(inverse, np.linalg.inv(solution.normal.own))
    np.testing.assert_allclose(carry, inverse @ solution.normal.cross, atol=1e-12)
    np.testing.assert_allclose(shared, carry @ covariance.kept, atol=1e-12)


@pytest.mark.parametrize("tied", [False, True], ids=["no rules", "rules"])
@pytest.mark.parametrize("damping", [0.0, 1e-3, 10.0])
def test_steps_are_those_of_the_dense_equations(damping: float, tied: bool) -> None:
    solution = solve(
        groups(), blocks(4, tied=tied, free=False), Options(eliminate="photo", steps=1)
    )
    matrix, right = dense(solution)
    matrix[np.diag_indices(ALL)] *= 1.0 + damping
    wanted = np.linalg.solve(matrix, right)
    kept, own = Apart.of(solution.normal, damping).step(solution.normal)
    np.testing.assert_allclose(own.reshape(-1), wanted[: PHOTOS * 3], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(kept, wanted[PHOTOS * 3 :], rtol=1e-9, atol=1e-12)


def unsolved(blocks: list[Flat]) -> Solution:
    """The equations at zero: what leaves something free is refused by the solver already."""
    linears = tuple(b.linearise({g.name: g.values for g in groups()}) for b in blocks)
    weights = tuple(np.ones(len(x.residual)) for x in linears)
    normal = build_normal(Order.of(groups(), "photo"), linears, weights)
    values = {g.name: g.values for g in groups()}
    return Solution(tuple(groups()), tuple(blocks), values, weights, linears, normal, 0.0, 0, True)


def two_halves(rng: np.random.Generator) -> Flat:
    """Two photos and half of the markers each, which nothing ties together."""
    photo, marker = everything_seen(rng)
    same = (photo < PHOTOS // 2) == (marker < MARKERS // 2)
    return squares(rng, photo[same], marker[same])


def one_unseen(rng: np.random.Generator) -> Flat:
    photo, marker = everything_seen(rng)
    return squares(rng, photo[marker != 8], marker[marker != 8])


def all_loose(rng: np.random.Generator) -> Flat:
    """A free network that is asked for its covariance without a datum."""
    return squares(rng, *everything_seen(rng))


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("case", [two_halves, one_unseen, all_loose])
@pytest.mark.parametrize("other_way", [False, True])
def test_what_leaves_something_free_is_refused_either_way(
    monkeypatch: pytest.MonkeyPatch,
    case: Callable[[np.random.Generator], Flat],
    seed: int,
    other_way: bool,
) -> None:
    solution = unsolved([case(np.random.default_rng(seed))])
    assert is_less_work(solution.normal)
    if other_way:
        monkeypatch.setattr(statistics, "is_less_work", lambda _: False)
    datum = Datum(SHIFT[:, :0], SHIFT[:, :0]) if case is all_loose else Datum(SHIFT, SHIFT)
    with pytest.raises(DataError, match="leave something free"):
        covariance_of(solution, datum)
    with pytest.raises(np.linalg.LinAlgError):
        Apart.of(solution.normal).inverse(datum.gauge, datum.constraint)


def test_a_photo_that_shows_too_little_is_refused_either_way(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    block = all_loose(np.random.default_rng(3))
    photo = block.parts[0]
    photo.jacobian[photo.index == 2, :, 2] = 0.0
    solution = unsolved([block])
    for _ in range(2):
        assert np.linalg.matrix_rank(solution.normal.own[2]) == 2
        with pytest.raises((DataError, np.linalg.LinAlgError)):
            covariance_of(solution, Datum(SHIFT, SHIFT))
        monkeypatch.setattr(statistics, "is_less_work", lambda _: False)


def test_a_marker_that_nobody_saw_is_refused_by_the_solver() -> None:
    with pytest.raises(DataError, match="leave something free"):
        solve(groups(), [one_unseen(np.random.default_rng(1))], Options(eliminate="photo"))


def test_a_freedom_among_what_stands_apart_is_left_to_the_other_way() -> None:
    # Marker 8 is seen in one direction only; its datum holds the other one.
    rng = np.random.default_rng(2)
    block = one_unseen(rng)
    seen = Part("marker", np.array([8]), np.array([[[1.0, 0.0]]]))
    solution = unsolved([block, anchors(rng), Flat("one direction", np.zeros((1, 1)), (seen,))])
    free = np.zeros((2 * MARKERS + LENS, 1))
    free[17] = 1.0
    covariance = covariance_of(solution, Datum(free, free))
    wanted = dense_covariance(dense(solution)[0], free)
    np.testing.assert_allclose(
        covariance.kept, wanted[PHOTOS * 3 :, PHOTOS * 3 :], rtol=1e-9, atol=1e-12
    )


def test_only_what_a_rule_ties_to_another_does_not_stand_apart() -> None:
    normal = unsolved(blocks(5, tied=True, free=False)).normal
    assert set(range(MARKERS)) - set((normal.apart[:, 0] // 2).tolist()) == set(
        ENDS.ravel().tolist()
    )
    np.testing.assert_array_equal(np.diff(normal.apart, axis=1), 1)


def test_many_photos_of_few_markers_are_taken_out_themselves() -> None:
    rng = np.random.default_rng(6)
    order = Order.of([Group("photo", np.zeros((60, 3)), 3), *groups()[1:]], "photo")
    photo = np.repeat(np.arange(60), 5)
    linear = squares(rng, photo, rng.integers(0, MARKERS, 300)).linearise(
        {"photo": np.zeros((60, 3)), "marker": np.zeros((MARKERS, 2)), "lens": np.zeros((1, LENS))}
    )
    assert not is_less_work(build_normal(order, [linear], [np.ones(300)]))
