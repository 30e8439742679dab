"""Rigid transforms: group laws, the tangent's convention, covariances against sampling."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from fitscan.errors import DataError
from fitscan.geometry.rigid import Pose, Rigid
from fitscan.geometry.rotation import Array, exp

tangents = hnp.arrays(
    np.float64, 6, elements=st.floats(-1.0, 1.0)
).map(lambda v: v * np.array([1.7, 1.7, 1.7, 500.0, 500.0, 500.0]))  # fmt: skip
transforms = tangents.map(Rigid.from_tangent)


def matrix(b_from_a: Rigid) -> Array:
    """The transform as a homogeneous matrix, the independent way of composing."""
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = b_from_a.rotation, b_from_a.translation
    return out


@given(c_from_b=transforms, b_from_a=transforms)
def test_composition_is_the_product_of_homogeneous_matrices(
    c_from_b: Rigid, b_from_a: Rigid
) -> None:
    product = matrix(c_from_b) @ matrix(b_from_a)
    assert np.allclose(matrix(c_from_b @ b_from_a), product, rtol=0, atol=1e-10)


@given(a=transforms, b=transforms, c=transforms)
def test_composition_does_not_care_about_brackets(a: Rigid, b: Rigid, c: Rigid) -> None:
    assert np.allclose(matrix((a @ b) @ c), matrix(a @ (b @ c)), rtol=0, atol=1e-9)


@given(b_from_a=transforms)
def test_the_inverse_undoes_the_transform_on_both_sides(b_from_a: Rigid) -> None:
    back = b_from_a.inverse()
    assert np.allclose(matrix(back @ b_from_a), np.eye(4), rtol=0, atol=1e-10)
    assert np.allclose(matrix(b_from_a @ back), np.eye(4), rtol=0, atol=1e-10)
    assert np.allclose(matrix(back), np.linalg.inv(matrix(b_from_a)), rtol=0, atol=1e-9)


@given(b_from_a=transforms, points=hnp.arrays(np.float64, (5, 3), elements=st.floats(-1e3, 1e3)))
def test_points_move_with_the_translation_and_directions_without_it(
    b_from_a: Rigid, points: Array
) -> None:
    rows = np.concatenate([points, np.ones((5, 1))], axis=1) @ matrix(b_from_a).T
    assert np.allclose(b_from_a.apply(points), rows[:, :3], rtol=0, atol=1e-9)
    difference = b_from_a.apply(points[0]) - b_from_a.apply(points[1])
    assert np.allclose(b_from_a.turn(points[0] - points[1]), difference, rtol=0, atol=1e-9)


@given(b_from_a=transforms, other=transforms)
def test_the_step_by_the_tangent_to_another_transform_arrives_there(
    b_from_a: Rigid, other: Rigid
) -> None:
    assert np.allclose(
        matrix(b_from_a.step(b_from_a.tangent_to(other))), matrix(other), rtol=0, atol=1e-9
    )


def test_a_tangent_moves_the_origin_of_a_and_turns_about_it_in_b() -> None:
    b_from_a = Rigid(exp(np.array([0.3, -0.2, 0.9])), np.array([10.0, -20.0, 30.0]))
    turned = b_from_a.step(np.array([0.0, 0.0, np.pi / 2, 0.0, 0.0, 0.0]))
    assert np.array_equal(turned.translation, b_from_a.translation)
    arm = b_from_a.turn(np.array([1.0, 2.0, 3.0]))
    assert turned.turn(np.array([1.0, 2.0, 3.0])) == pytest.approx([-arm[1], arm[0], arm[2]])
    shifted = b_from_a.step(np.array([0.0, 0.0, 0.0, 1.0, 2.0, 3.0]))
    assert np.array_equal(shifted.rotation, b_from_a.rotation)
    assert np.array_equal(shifted.translation, [11.0, -18.0, 33.0])


@given(b_from_a=transforms)
def test_the_inverse_jacobian_agrees_with_central_differences(b_from_a: Rigid) -> None:
    jacobian = np.empty((6, 6))
    for k in range(6):
        h = np.zeros(6)
        h[k] = 1e-5 if k < 3 else 1e-3
        ends = [
            b_from_a.inverse().tangent_to(b_from_a.step(sign * h).inverse()) for sign in (1, -1)
        ]
        jacobian[:, k] = (ends[0] - ends[1]) / (2.0 * h[k])
    assert np.allclose(b_from_a.inverse_jacobian(), jacobian, rtol=1e-6, atol=1e-5)


def test_what_is_no_transform_is_refused_with_its_place() -> None:
    with pytest.raises(DataError, match="not three finite numbers"):
        Rigid.checked(np.eye(3), np.array([0.0, np.inf, 0.0]), "record.json")
    with pytest.raises(DataError, match="not three finite numbers"):
        Rigid.checked(np.eye(3), np.zeros(2), "record.json")
    with pytest.raises(DataError, match="not a rotation"):
        Rigid.checked(2.0 * np.eye(3), np.zeros(3), "record.json")


def a_pose(seed: int) -> Pose:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(6, 6)) * np.r_[[1e-3] * 3, [0.3] * 3][:, None]
    pose = Rigid.from_tangent(rng.normal(size=6) * np.r_[[1.0] * 3, [200.0] * 3])
    return Pose(pose, root @ root.T, "shell")


def sampled(pose: Pose, count: int) -> list[Rigid]:
    rng = np.random.default_rng(11)
    root = np.linalg.cholesky(pose.covariance)
    return [pose.b_from_a.step(root @ rng.normal(size=6)) for _ in range(count)]


def test_a_points_covariance_is_that_of_sampled_poses() -> None:
    pose, x_in_a = a_pose(1), np.array([40.0, -25.0, 60.0])
    place, covariance = pose.point(x_in_a)
    cloud = np.array([p.apply(x_in_a) for p in sampled(pose, 20000)])
    assert place == pytest.approx(pose.b_from_a.apply(x_in_a))
    # 20,000 draws give each entry to about 1 % of the deviations' product.
    size = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    assert np.abs(np.cov(cloud.T) - covariance).max() < 0.04 * size.max()


def test_a_pose_seen_from_another_frame_carries_its_covariance_along() -> None:
    pose = a_pose(2)
    c_from_b = Rigid.from_tangent(np.array([0.4, -1.1, 0.7, 300.0, -50.0, 20.0]))
    moved = pose.moved(c_from_b, "bench")
    assert moved.frame == "bench"
    draws = sampled(pose, 20000)
    tangents = np.array([moved.b_from_a.tangent_to(c_from_b @ p) for p in draws])
    size = np.sqrt(np.outer(np.diag(moved.covariance), np.diag(moved.covariance)))
    assert np.abs((np.cov(tangents.T) - moved.covariance) / size).max() < 0.04
    # A point's covariance does not depend on the way it was computed.
    x = np.array([5.0, 6.0, 7.0])
    turned = c_from_b.rotation @ pose.point(x)[1] @ c_from_b.rotation.T
    assert np.allclose(moved.point(x)[1], turned)
