"""How well a coped edge and the cut length are known, from what is known of angles and offsets.

The covariance comes from a survey (`measured_cope`) or from what a person says of typed numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fitscan.errors import InputError
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.make.cope import BranchTube, CopeProfile, Fit, RunAt, cope_profile

__all__ = ["edge_expanded", "stock_expanded", "typed_covariance"]

_KEYS = ("angle_rad", "offset_mm", "turn_rad", "along_mm")
_STEPS = (1e-4, 1e-2, 1e-4, 1e-2)


def edge_expanded(
    branch: BranchTube, runs: tuple[RunAt, ...], fit: Fit, covariance: Array
) -> float:
    """U (k = 2) in mm of the finished edge's height at its least known place.

    First order of the law of propagation (JCGM 100, 5.1.2) at every place round the branch; the
    wall and the diameters are taken as exact.

    Args:
        branch: as for `cope_profile`.
        runs: the same.
        fit: the same.
        covariance: (4 n, 4 n) of each run's angle (rad), offset, turn (rad) and along (mm).
    """
    rows = _gain(lambda changed: _profile(branch, changed, fit, 0.0).cut, runs)
    u = np.sqrt(np.clip(np.einsum("ij,jk,ik->i", rows, covariance, rows), 0.0, None))
    return COVERAGE * float(u.max())


def stock_expanded(
    branch: BranchTube, near: tuple[RunAt, ...], far: tuple[RunAt, ...], fit: Fit, kerf_mm: float,
    covariance: Array,
) -> float:  # fmt: skip
    """U (k = 2) in mm of the cut piece's length, tip to tip.

    Args:
        branch: as for `cope_profile`.
        fit: the same.
        kerf_mm: the same.
        near: runs at the near end.
        far: runs at the far end.
        covariance: (4 n + 1, 4 n + 1) of all runs' numbers in this order, then the length.
    """
    ends = []
    for runs in (near, far):
        ends.append(
            -_gain(lambda c: np.array([_profile(branch, c, fit, kerf_mm).line.min()]), runs)
        )
    row = np.concatenate([ends[0][0], ends[1][0], [1.0]])
    return COVERAGE * math.sqrt(max(float(row @ covariance @ row), 0.0))


def typed_covariance(
    near: tuple[RunAt, ...], far: tuple[RunAt, ...], u_deg: float, u_mm: float
) -> Array:
    """Covariance of typed numbers that are known equally well and independently.

    What a run has by definition is exact: turn and along of the near end's first run, and along of
    the far end's first.

    Args:
        near: runs at the near end.
        far: runs at the far end.
        u_deg: standard uncertainty of each angle.
        u_mm: of each offset and length.
    """
    u = math.radians(u_deg)
    rows = []
    for side, runs in (("near", near), ("far", far)):
        for n in range(len(runs)):
            rows += [u, u_mm, 0.0 if n == 0 and side == "near" else u, 0.0 if n == 0 else u_mm]
    return np.diag(np.square([*rows, u_mm]))


def _profile(branch: BranchTube, runs: tuple[RunAt, ...], fit: Fit, kerf_mm: float) -> CopeProfile:
    return cope_profile(branch, runs, kerf_mm=kerf_mm, fit=fit)


def _gain(function: Callable[[tuple[RunAt, ...]], Array], runs: tuple[RunAt, ...]) -> Array:
    """Derivatives (m, 4 n) of values (m,) by each run's numbers."""
    nominal = function(runs)
    columns = []
    for n in range(len(runs)):
        for key, step in zip(_KEYS, _STEPS, strict=True):
            ends = []
            for sign in (1.0, -1.0):
                run = replace(runs[n], **{key: getattr(runs[n], key) + sign * step})
                changed = (*runs[:n], run, *runs[n + 1 :])
                try:
                    ends.append((sign * step, function(changed)))
                except InputError:
                    # Tubes that just graze: only one way is left to go.
                    ends.append((0.0, nominal))
            width = ends[0][0] - ends[1][0]
            change = ends[0][1] - ends[1][1]
            columns.append(change / width if width else np.zeros_like(nominal))
    return np.column_stack(columns)
