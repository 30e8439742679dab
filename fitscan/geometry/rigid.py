"""Rigid transforms `b_from_a` and poses that carry their covariance.

Which bodies move, and why, is left to the layers above.

Convention for small changes, used everywhere in fitscan: the tangent of a transform is
(w, d), six numbers: the rotation changes on the LEFT, R' = exp(w) R, the translation by
addition, t' = t + d. So w and d are both expressed in the target frame b, w in radians, d in
millimetres, and d is the displacement of a's origin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.rotation import Array, check_rotation, exp, log, skew

__all__ = ["Pose", "Rigid"]


@dataclass(frozen=True)
class Rigid:
    """A transform b_from_a: x_in_b = rotation @ x_in_a + translation.

    Attributes:
        rotation: (3, 3), proper orthogonal.
        translation: (3,) in mm, the origin of a seen from b.
    """

    rotation: Array
    translation: Array

    @staticmethod
    def identity() -> Rigid:
        """Return the transform that changes nothing."""
        return Rigid(np.eye(3), np.zeros(3))

    @staticmethod
    def from_tangent(tangent: Array) -> Rigid:
        """Return identity changed by a tangent (6,): (w in rad, d in mm)."""
        return Rigid(exp(tangent[:3]), np.asarray(tangent[3:], dtype=np.float64))

    @staticmethod
    def checked(rotation: Array, translation: Array, where: str) -> Rigid:
        """Build from outside data.

        Raises:
            DataError: not a rotation, or a translation that is not three finite numbers.
        """
        t = np.asarray(translation, dtype=np.float64)
        if t.shape != (3,) or not np.all(np.isfinite(t)):
            raise DataError("A position is not three finite numbers", where, "make this file again")
        return Rigid(check_rotation(rotation, where), t)

    def __matmul__(self, other: Rigid) -> Rigid:
        """c_from_b @ b_from_a = c_from_a."""
        return Rigid(
            self.rotation @ other.rotation, self.rotation @ other.translation + self.translation
        )

    def inverse(self) -> Rigid:
        """Return a_from_b."""
        return Rigid(self.rotation.T, -self.rotation.T @ self.translation)

    def apply(self, points_in_a: Array) -> Array:
        """Points (..., 3) in a, mm, to b."""
        return np.asarray(points_in_a) @ self.rotation.T + self.translation

    def turn(self, vectors_in_a: Array) -> Array:
        """Directions (..., 3) in a to b."""
        return np.asarray(vectors_in_a) @ self.rotation.T

    def step(self, tangent: Array) -> Rigid:
        """Return this transform changed by a tangent (6,)."""
        return Rigid(exp(tangent[:3]) @ self.rotation, self.translation + tangent[3:])

    def tangent_to(self, other: Rigid) -> Array:
        """Return the tangent (6,) with ``self.step(tangent) == other``."""
        return np.concatenate(
            [log(other.rotation @ self.rotation.T), other.translation - self.translation]
        )

    def inverse_jacobian(self) -> Array:
        """d tangent(inverse) / d tangent(self), (6, 6), for the convention above.

        From (exp(w) R)^-1 = R^T exp(-w) = exp(-R^T w) R^T and -R^T exp(-w) (t + d).
        """
        out = np.zeros((6, 6))
        out[:3, :3] = -self.rotation.T
        out[3:, :3] = -self.rotation.T @ skew(self.translation)
        out[3:, 3:] = -self.rotation.T
        return out


@dataclass(frozen=True)
class Pose:
    """A transform with the covariance of its tangent, in a named frame.

    Attributes:
        b_from_a: the estimate.
        covariance: (6, 6), order (w rad, d mm), both in frame b; marginal, never conditional.
        frame: name of b.
    """

    b_from_a: Rigid
    covariance: Array
    frame: str

    def moved(self, c_from_b: Rigid, frame: str) -> Pose:
        """Return the pose seen from c, where c_from_b is exact."""
        turn = np.kron(np.eye(2), c_from_b.rotation)
        return Pose(c_from_b @ self.b_from_a, turn @ self.covariance @ turn.T, frame)

    def point(self, x_in_a: Array) -> tuple[Array, Array]:
        """A point fixed in a: its place in b (3,) and covariance (3, 3) in mm^2."""
        arm = self.b_from_a.turn(x_in_a)
        jacobian = np.hstack([-skew(arm), np.eye(3)])
        return arm + self.b_from_a.translation, jacobian @ self.covariance @ jacobian.T
