"""Nodes of the cage: where two tubes' axes pass closest, by how much they miss, lengths between.

Judging an offset against a tolerance is left to `fitscan.fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.errors import DataError
from fitscan.geometry.line import closest_points
from fitscan.geometry.rotation import Array, angle_between
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.estimates import Estimates, estimate
from fitscan.shape.propagate import MarkerInput, Poses
from fitscan.survey.survey import Survey

__all__ = ["Node", "NodeLength", "find_length", "find_node"]

_LEAST_ANGLE = np.radians(3.0)


@dataclass(frozen=True)
class Node:
    """Two axes that should meet; u are standard uncertainties.

    Attributes:
        a, b: rules of the two axes.
        on_a_mm, on_b_mm: (3,) where each passes closest to the other, in the survey's frame.
        place_mm: (3,) half way, with covariance (3, 3).
        offset_mm, offset_u_mm: by how much they miss, 0 or more.
        angle_rad, angle_u_rad: between the axes, 0 to half pi.
        found: what they were taken from: "place", "miss", "angle".
    """

    a: AxisRule
    b: AxisRule
    on_a_mm: Array
    on_b_mm: Array
    place_mm: Array
    place_covariance: Array
    offset_mm: float
    offset_u_mm: float
    angle_rad: float
    angle_u_rad: float
    found: Estimates | None = None

    @property
    def name(self) -> str:
        """The node in words."""
        return f"{self.a.name} / {self.b.name}"


@dataclass(frozen=True)
class NodeLength:
    """Distance between two nodes.

    Attributes:
        first, second: the nodes.
        along: name of the straight that both are on, along whose axis it is measured, or "" for
            the distance of the places half way between the axes.
        length_mm, length_u_mm: with standard uncertainty.
    """

    first: Node
    second: Node
    along: str
    length_mm: float
    length_u_mm: float


def find_node(survey: Survey, a: AxisRule, b: AxisRule) -> Node:
    """Where two axes pass closest.

    Raises:
        DataError: they are parallel to less than 3 deg, or are one straight.
    """
    if (a.straight.tube, a.straight.number) == (b.straight.tube, b.straight.number):
        raise DataError("A node needs two different straights", a.name, "name another tube")
    steep = angle_between(a.straight.axis.direction, b.straight.axis.direction)
    if min(steep, np.pi - steep) < _LEAST_ANGLE:
        raise DataError(
            f"{a.name} and {b.name} are parallel to less than 3 deg and have no place where they "
            "meet",
            "node",
            "name two tubes that cross",
        )
    b = b.facing(a.sense * a.straight.axis.direction)

    def values(poses: list[Poses]) -> dict[str, Array]:
        first, second = a.axis(poses[0]), b.axis(poses[0])
        on_a, on_b = closest_points(first, second)
        normal = np.cross(first.direction, second.direction)
        return {
            "place": 0.5 * (on_a + on_b),
            "miss": np.array([(on_b - on_a) @ normal / np.linalg.norm(normal)]),
            "angle": np.array([angle_between(first.direction, second.direction)]),
        }

    source = MarkerInput(survey, tuple(dict.fromkeys([*a.cuffs, *b.cuffs])))
    found = estimate(values, [source])
    on_a, on_b = closest_points(a.axis(source.poses), b.axis(source.poses))
    return Node(
        a, b, on_a, on_b, found.values["place"], found.of("place"), abs(found.number("miss")),
        found.u("miss"), found.number("angle"), found.u("angle"), found,
    )  # fmt: skip


def find_length(survey: Survey, first: Node, second: Node) -> NodeLength:
    """Distance between two nodes, along the straight that both are on if there is one.

    Raises:
        DataError: the two nodes lie at one place.
    """
    shared = next(
        (x for x in (first.a, first.b) for y in (second.a, second.b) if x.name == y.name), None
    )

    def place(node: Node, poses: Poses) -> Array:
        a, b = node.a.axis(poses), node.b.axis(poses)
        on_a, on_b = closest_points(a, b)
        if shared is None:
            return 0.5 * (on_a + on_b)
        return on_a if node.a.name == shared.name else on_b

    def values(poses: list[Poses]) -> dict[str, Array]:
        return {"run": place(second, poses[0]) - place(first, poses[0])}

    rules = (first.a, first.b, second.a, second.b)
    cuffs = tuple(dict.fromkeys(c for r in rules for c in r.cuffs))
    found = estimate(values, [MarkerInput(survey, cuffs)])
    run = found.values["run"]
    length = float(np.linalg.norm(run))
    if length < 1.0:
        raise DataError(
            "Two nodes lie at one place and have no length between them",
            f"{first.name} and {second.name}",
            "name each node once",
        )
    unit = run / length
    u = float(np.sqrt(max(float(unit @ found.of("run") @ unit), 0.0)))
    return NodeLength(first, second, shared.name if shared else "", length, u)
