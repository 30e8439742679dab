"""The car's axes as a function of marker poses, for each kind of [datum] that a kit can name.

The frame that results are told in, with its covariance, is left to `datum`. Axes of a vehicle
after ISO 8855: right-handed, X forward, Y left, Z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import AnyDatum, DatumSpec, PairsDatum, PlaneDatum
from fitscan.shape.marks import Marks
from fitscan.shape.plumb import Plumb
from fitscan.shape.propagate import Poses
from fitscan.survey.survey import Survey

__all__ = ["AxesRule", "centre_plane"]

_LEAST = 0.05
"""Sine of the smallest angle, or smallest ratio of spreads, that still fixes a direction."""


@dataclass(frozen=True)
class AxesRule:
    """How the car's axes follow from poses.

    Attributes:
        datum: of the kit.
        marks: the datum's tags and pointers.
        plumb: strings, for the kind "plumb".
    """

    datum: AnyDatum
    marks: Marks
    plumb: Plumb | None

    @staticmethod
    def of(survey: Survey) -> AxesRule:
        """Rule of the kit's [datum].

        Raises:
            InputError: the kit has no [datum], or one of its markers was not measured.
            DataError: its markers do not span what they should; the sentence names which.
        """
        datum = survey.kit.datum
        if datum is None:
            raise InputError(
                "The kit says nothing of the car's axes",
                "kit",
                "add a [datum] with markers on the shell that tell forward, left and up",
            )
        plumb = Plumb.of(survey) if datum.kind == "plumb" else None
        rule = AxesRule(datum, Marks.of(survey, datum.markers, "the datum"), plumb)
        rule.car_from_survey({m: survey.poses[survey.row(m)] for m in rule.markers})
        return rule

    @property
    def markers(self) -> tuple[int, ...]:
        """Every marker that the axes depend on, each once."""
        strings = self.plumb.markers if self.plumb is not None else ()
        return tuple(dict.fromkeys([*self.marks.ids, *strings]))

    def car_from_survey(self, poses: Poses) -> Rigid:
        """Axes for given poses.

        Raises:
            DataError: the markers do not span what they should.
        """
        if isinstance(self.datum, DatumSpec):
            return self._cross(self.datum, poses)
        if isinstance(self.datum, PlaneDatum):
            return self._plane(self.datum, poses)
        rear, front = self.marks.points(poses, (self.datum.rear, self.datum.front))
        if isinstance(self.datum, PairsDatum):
            middle, y = self._centre(self.datum, poses)
            x = _square(front - rear, y, "The line from rear to front runs across the centre plane")
            origin = 0.5 * (rear + front)
            return _frame(x, np.cross(x, y), origin - ((origin - middle) @ y) * y)
        assert self.plumb is not None  # A datum of the kind plumb is built with its strings.
        z = self.plumb.up(poses)
        x = _square(front - rear, z, "The line from rear to front is upright")
        return _frame(x, z, 0.5 * (rear + front))

    def misfit_mm(self, poses: Poses) -> Array:
        """How far the markers are from what they stand for (n,), mm; empty without a surplus.

        Plane: each marker's distance from the plane. Pairs: half the distance of each left marker
        from the mirror image of its right one.
        """
        if isinstance(self.datum, PlaneDatum) and len(self.datum.plane) > 3:
            points = self.marks.points(poses, self.datum.plane)
            middle = points.mean(axis=0)
            normal = np.linalg.svd(points - middle)[2][2]
            return np.asarray(np.abs((points - middle) @ normal))
        if isinstance(self.datum, PairsDatum) and len(self.datum.pairs) > 1:
            middle, y = self._centre(self.datum, poses)
            right, left = self._sides(self.datum, poses)
            mirrored = right - 2.0 * ((right - middle) @ y)[:, None] * y
            return np.asarray(0.5 * np.linalg.norm(left - mirrored, axis=1))
        return np.zeros(0)

    def _cross(self, datum: DatumSpec, poses: Poses) -> Rigid:
        rear, front, right, left = self.marks.points(
            poses, (datum.rear, datum.front, datum.right, datum.left)
        )
        x, across = front - rear, left - right
        z = np.cross(x, across)
        if not np.linalg.norm(z) > _LEAST * np.linalg.norm(x) * np.linalg.norm(across):
            raise DataError(
                "The datum's markers lie almost on one line",
                "kit, [datum]",
                "name a rear and front marker on the centre line and one on each side",
            )
        return _frame(x, z, 0.5 * (rear + front))

    def _plane(self, datum: PlaneDatum, poses: Poses) -> Rigid:
        points = self.marks.points(poses, datum.plane)
        _, spread, directions = np.linalg.svd(points - points.mean(axis=0))
        if not spread[1] > _LEAST * spread[0]:
            raise DataError(
                "The markers of the datum's plane lie almost on one line",
                "kit, [datum], plane",
                "spread them over the length and the width of the car",
            )
        rear, front = self.marks.points(poses, datum.line)
        normal = directions[2]
        x = _square(front - rear, normal, "The datum's line runs square to its plane")
        aside = self.marks.point(poses, datum.left) - rear
        leftward = float(np.cross(normal, x / np.linalg.norm(x)) @ aside)
        if abs(leftward) <= _LEAST * np.linalg.norm(front - rear):
            raise DataError(
                "The datum's left marker lies almost on its line, so up cannot be told from down",
                "kit, [datum], left",
                "name a marker that is well to the left of the line from rear to front",
            )
        return _frame(x, np.sign(leftward) * normal, self.marks.point(poses, datum.point))

    def _sides(self, datum: PairsDatum, poses: Poses) -> tuple[Array, Array]:
        right = self.marks.points(poses, [p[0] for p in datum.pairs])
        return right, self.marks.points(poses, [p[1] for p in datum.pairs])

    def _centre(self, datum: PairsDatum, poses: Poses) -> tuple[Array, Array]:
        return centre_plane(*self._sides(datum, poses))


def centre_plane(right: Array, left: Array) -> tuple[Array, Array]:
    """Plane about which points (n, 3) on the right mirror best into their partners on the left.

    Least squares: with mirror S(x) = x - 2 (n.(x - m)) n, the sum of |left - S(right)|^2 is a
    constant plus 4 times the sum of (n.(right - m)) (n.(left - m)). It is least for m the mean of
    all points and n the eigenvector of the smallest eigenvalue of the symmetric part of
    sum (right - m) (left - m)^T (own derivation).

    Returns:
        a point (3,) of the plane and its unit normal (3,) towards the left.

    Raises:
        DataError: the points do not tell left from right.
    """
    middle = 0.5 * (right + left).mean(axis=0)
    product = (right - middle).T @ (left - middle)
    values, vectors = np.linalg.eigh(0.5 * (product + product.T))
    normal = vectors[:, 0]
    leftward = float(((left - right) @ normal).sum())
    scale = float(np.abs(values).max())
    if not (values[0] < 0.0 and values[1] - values[0] > _LEAST**2 * scale) or leftward == 0.0:
        raise DataError(
            "The datum's pairs do not tell left from right",
            "kit, [datum], pairs",
            "write each as [right, left], of markers that sit alike on both sides of the car",
        )
    return middle, np.asarray(np.sign(leftward) * normal)


def _square(direction: Array, normal: Array, sentence: str) -> Array:
    """The part (3,) of a direction that is square to a unit normal."""
    out = direction - (direction @ normal) * normal
    if not np.linalg.norm(out) > _LEAST * np.linalg.norm(direction):
        raise DataError(
            sentence,
            "kit, [datum]",
            "name a rear and a front marker that are far apart along the car",
        )
    return np.asarray(out)


def _frame(x: Array, z: Array, origin: Array) -> Rigid:
    """car_from_survey of square directions x and z of any length, and the origin."""
    x, z = x / np.linalg.norm(x), z / np.linalg.norm(z)
    rotation = np.stack([x, np.cross(z, x), z])
    return Rigid(rotation, -rotation @ origin)
