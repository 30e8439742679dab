"""Named quantities of surveyed markers with their joint covariance.

The law of propagation itself is left to `propagate`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.shape.propagate import MarkerInput, Poses, propagate_with

__all__ = ["Estimates", "estimate"]


@dataclass(frozen=True)
class Estimates:
    """Values and what is known of them.

    Attributes:
        values: by name, each (n,).
        rows: where each name's numbers lie in the covariance.
        covariance: joint, of all numbers.
        inputs: what they depend on; jacobians: how, (N, 6 n) for each input.
    """

    values: Mapping[str, Array]
    rows: Mapping[str, slice]
    covariance: Array
    inputs: tuple[MarkerInput, ...] = ()
    jacobians: tuple[Array, ...] = ()

    def __contains__(self, name: str) -> bool:
        return name in self.values

    def number(self, name: str) -> float:
        """Value of a name that stands for one number."""
        return float(self.values[name][0])

    def u(self, name: str) -> float:
        """Standard uncertainty of a name that stands for one number."""
        return float(self.us(name)[0])

    def us(self, name: str) -> Array:
        """Standard uncertainties (n,) of a name's numbers."""
        return np.asarray(np.sqrt(np.clip(np.diag(self.of(name)), 0.0, None)))

    def of(self, name: str) -> Array:
        """Covariance (n, n) of a name's numbers."""
        return np.asarray(self.covariance[self.rows[name], self.rows[name]])

    def worst_u(self, name: str) -> float:
        """Standard uncertainty in the worst direction of a name's numbers."""
        return float(np.sqrt(max(np.linalg.eigvalsh(self.of(name))[-1], 0.0)))


def estimate(
    function: Callable[[list[Poses]], Mapping[str, Array]], inputs: list[MarkerInput]
) -> Estimates:
    """Values of a function that names its results, and their joint covariance.

    Args:
        function: as for `propagate`, but returns arrays (n,) by name, always the same names.
        inputs: as for `propagate`.
    """
    values = function([i.poses for i in inputs])
    rows: dict[str, slice] = {}
    start = 0
    for name, value in values.items():
        rows[name] = slice(start, start + len(value))
        start += len(value)

    def flat(poses: list[Poses]) -> Array:
        return np.concatenate([np.asarray(v) for v in function(poses).values()])

    _, covariance, jacobians = propagate_with(flat, inputs)
    return Estimates(values, rows, covariance, tuple(inputs), jacobians)
