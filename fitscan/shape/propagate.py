"""The law of propagation of uncertainty through any function of surveyed markers.

What the function computes is left to the shapes and comparisons that use it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.survey.survey import Survey

__all__ = ["MarkerInput", "Poses", "propagate", "propagate_with"]

Poses = Mapping[int, Rigid]
"""survey_from_marker by id."""


@dataclass(frozen=True)
class MarkerInput:
    """Markers of one survey that a function depends on.

    Attributes:
        survey: whose.
        markers: ids, each once.
    """

    survey: Survey
    markers: tuple[int, ...]

    @property
    def poses(self) -> dict[int, Rigid]:
        """survey_from_marker by id."""
        return {m: self.survey.poses[self.survey.row(m)] for m in self.markers}


def propagate(
    function: Callable[[list[Poses]], Array], inputs: list[MarkerInput]
) -> tuple[Array, Array]:
    """Value and covariance of a function of several independent surveys' markers.

    Args:
        function: per input a mapping from marker id to pose -> values (k,).
        inputs: markers of each survey.

    Returns:
        value (k,) and covariance (k, k).
    """
    value, covariance, _ = propagate_with(function, inputs)
    return value, covariance


def propagate_with(
    function: Callable[[list[Poses]], Array], inputs: list[MarkerInput]
) -> tuple[Array, Array, tuple[Array, ...]]:
    """The same, and on what it depends.

    First order, JCGM 100:2008 (GUM) 5.1.2 in its multivariate form (JCGM 102): C = J S J^T, with
    J by central differences in steps far above rounding and far below the curvature.

    Args:
        function: per input a mapping from marker id to pose -> values (k,).
        inputs: markers of each survey.

    Returns:
        value (k,), covariance (k, k), and for each input the Jacobian (k, 6 n) by its markers'
        tangents.
    """
    poses: list[dict[int, Rigid]] = [i.poses for i in inputs]
    value = np.asarray(function(list(poses)), dtype=np.float64)
    covariance = np.zeros((len(value), len(value)))
    jacobians = []
    steps = np.array([2e-5] * 3 + [2e-2] * 3)
    tangents = np.concatenate([np.diag(steps), -np.diag(steps)])
    turns = exp(tangents[:, :3])
    for number, source in enumerate(inputs):
        jacobian = np.zeros((len(value), 6 * len(source.markers)))
        for j, m in enumerate(source.markers):
            pose = poses[number][m]
            ends = []
            # As `Rigid.step`, with the twelve small turns worked out once for all markers.
            for turn, tangent in zip(turns, tangents, strict=True):
                changed: list[Poses] = list(poses)
                stepped = Rigid(turn @ pose.rotation, pose.translation + tangent[3:])
                changed[number] = {**poses[number], m: stepped}
                ends.append(np.asarray(function(changed)))
            slope = (np.array(ends[:6]) - np.array(ends[6:])) / (2.0 * steps[:, None])
            jacobian[:, 6 * j : 6 * j + 6] = slope.T
        joint = source.survey.joint(list(source.markers))
        covariance += jacobian @ joint @ jacobian.T
        jacobians.append(jacobian)
    return value, covariance, tuple(jacobians)
