"""Normal equations summed block by block against plain dense algebra."""

from __future__ import annotations

import numpy as np
import pytest

from fitscan.adjust import normal as normal_module
from fitscan.adjust.normal import Normal, Order, build_normal
from fitscan.adjust.problem import Group, Linear, Part
from fitscan.geometry.rotation import Array

PHOTOS, MARKERS, SEEN = 5, 12, 40


def problem(seed: int) -> tuple[Order, Linear, Array, Array]:
    """Squares that each join one photo, two markers (maybe the same) and a lens; and J, weights."""
    rng = np.random.default_rng(seed)
    order = Order.of(
        [
            Group("photo", np.zeros((PHOTOS, 3)), 3),
            Group("marker", np.zeros((MARKERS, 2)), 2),
            Group("lens", np.zeros((1, 4)), 4),
        ],
        "photo",
    )
    photo = rng.integers(0, PHOTOS, SEEN)
    near = (2 * photo + rng.integers(0, 3, (2, SEEN))) % MARKERS
    parts = (
        Part("photo", photo, rng.normal(size=(SEEN, 6, 3))),
        Part("marker", near[0], rng.normal(size=(SEEN, 6, 2))),
        Part("marker", near[1], rng.normal(size=(SEEN, 6, 2))),
        Part("lens", np.zeros(SEEN, dtype=np.intp), rng.normal(size=(SEEN, 6, 4))),
    )
    dense = np.zeros((SEEN, 6, 3 * PHOTOS + 2 * MARKERS + 4))
    start = (0, 3 * PHOTOS, 3 * PHOTOS, 3 * PHOTOS + 2 * MARKERS)
    for part, first in zip(parts, start, strict=True):
        k = part.jacobian.shape[2]
        for i in range(SEEN):
            at = first + k * int(part.index[i])
            dense[i, :, at : at + k] += part.jacobian[i]
    return order, Linear(rng.normal(size=(SEEN, 6)), parts), dense, rng.uniform(0.1, 1, SEEN)


def summed(seed: int) -> tuple[Normal, Array, Array]:
    order, linear, dense, weight = problem(seed)
    matrix = np.einsum("nmi,n,nmj->ij", dense, weight, dense)
    rhs = -np.einsum("nmi,n,nm->i", dense, weight, linear.residual)
    return build_normal(order, [linear], [weight]), matrix, rhs


@pytest.mark.parametrize("seed", range(3))
def test_the_sums_are_those_of_the_dense_jacobian(seed: int) -> None:
    normal, matrix, rhs = summed(seed)
    k = 3 * PHOTOS
    np.testing.assert_allclose(normal.kept, matrix[k:, k:], atol=1e-10)
    np.testing.assert_allclose(normal.kept_rhs, rhs[k:], atol=1e-10)
    np.testing.assert_allclose(normal.own_rhs.ravel(), rhs[:k], atol=1e-10)
    np.testing.assert_allclose(normal.cross.reshape(k, -1), matrix[:k, k:], atol=1e-10)
    for e, own in enumerate(normal.own):
        np.testing.assert_allclose(own, matrix[3 * e : 3 * e + 3, 3 * e : 3 * e + 3], atol=1e-10)
    assert np.array_equal(normal.touched, np.any(normal.cross != 0.0, axis=1))


@pytest.mark.parametrize("share", [0.0, 2.0], ids=["one product", "photo by photo"])
def test_what_is_left_after_taking_photos_out_is_the_schur_complement(
    monkeypatch: pytest.MonkeyPatch, share: float
) -> None:
    monkeypatch.setattr(normal_module, "_DENSE_SHARE", share)
    normal, matrix, rhs = summed(7)
    k = 3 * PHOTOS
    carry = np.linalg.solve(matrix[:k, :k], matrix[:k, k:])
    reduced = normal.reduced()
    np.testing.assert_allclose(reduced.matrix, matrix[k:, k:] - matrix[k:, :k] @ carry, atol=1e-9)
    np.testing.assert_allclose(reduced.right(normal), rhs[k:] - carry.T @ rhs[:k], atol=1e-9)


def test_an_observation_of_two_photos_at_once_is_a_mistake() -> None:
    order, linear, _, weight = problem(1)
    photo = linear.parts[0]
    two = (photo, Part("photo", (photo.index + 1) % PHOTOS, photo.jacobian))
    with pytest.raises(ValueError, match="two of the eliminated"):
        build_normal(order, [Linear(linear.residual, two)], [weight])


def test_parts_that_fall_alike_and_lie_in_one_array_are_summed_as_others_are() -> None:
    rng = np.random.default_rng(9)
    marker = rng.integers(0, 4, SEEN)
    sizes = {"photo": (PHOTOS, 3), "marker": (4, 2), "form": (9, 1), "lens": (1, 2)}
    index = {
        "photo": rng.integers(0, PHOTOS, SEEN),
        "marker": marker,
        # Each marker has a form of its own, in another order.
        "form": np.array([7, 2, 5, 0])[marker],
        "lens": np.zeros(SEEN, dtype=np.intp),
    }
    order = Order.of([Group(g, np.zeros(n), n[1]) for g, n in sizes.items()], "photo")
    parts = [(g, index[g], sizes[g][1]) for g in sizes]
    linear, weight = Linear.of(rng.normal(size=(SEEN, 6, 9)), parts), rng.uniform(0.1, 1, SEEN)
    weight[::2] = 1.0
    before = linear.residual.copy()
    normal = build_normal(order, [linear], [weight])
    assert np.array_equal(linear.residual, before), "what is summed must not change"
    first = dict(zip(sizes, np.cumsum([0, *(n * k for n, k in sizes.values())]), strict=False))
    dense = np.zeros((SEEN, 6, sum(n * k for n, k in sizes.values())))
    for part in linear.parts:
        k = part.jacobian.shape[2]
        for i in range(SEEN):
            at = first[part.group] + k * int(part.index[i])
            dense[i, :, at : at + k] += part.jacobian[i]
    matrix = np.einsum("nmi,n,nmj->ij", dense, weight, dense)
    rhs = -np.einsum("nmi,n,nm->i", dense, weight, linear.residual)
    k = 3 * PHOTOS
    np.testing.assert_allclose(normal.kept, matrix[k:, k:], atol=1e-10)
    np.testing.assert_allclose(normal.cross.reshape(k, -1), matrix[:k, k:], atol=1e-10)
    np.testing.assert_allclose(normal.kept_rhs, rhs[k:], atol=1e-10)
    np.testing.assert_allclose(normal.own_rhs.ravel(), rhs[:k], atol=1e-10)
