"""What several surveys owe to the same readings of the same rules, and so are wrong in together.

What is told of them is left to the comparisons.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.survey.survey import Survey

__all__ = ["common_scale_u", "joint_variance", "stretch_of"]


def common_scale_u(*surveys: Survey) -> float:
    """Relative standard uncertainty of the scale that surveys have in common.

    That of the rules' readings, when all surveys rest on the same rules with the same readings;
    otherwise 0.
    """
    rules = [
        {(r.ids, r.length_mm, r.u_mm) for r in s.quality.rules if r.u_mm > 0.0} for s in surveys
    ]
    sources = {s.quality.scale_source for s in surveys}
    if not rules[0] or any(r != rules[0] for r in rules) or sources != {"rules"}:
        return 0.0
    weight = sum((length / u) ** 2 for _, length, u in rules[0])
    return float(min(weight**-0.5, *(s.quality.scale_u for s in surveys)))


def stretch_of(survey: Survey, markers: Sequence[int]) -> Array:
    """What a unit of scale does to the tangents (6 n,) of some markers of a free net."""
    centre = np.mean([p.translation for p in survey.poses], axis=0)
    out = np.zeros((len(markers), 6))
    out[:, 3:] = [survey.poses[survey.row(m)].translation - centre for m in markers]
    return out.reshape(-1)


def joint_variance(
    surveys: Sequence[Survey], markers: Sequence[Sequence[int]], jacobians: Sequence[Array]
) -> Array:
    """Covariance (k, k) of numbers that depend on several surveys with a scale in common.

    Each survey's covariance holds u^2 s s^T for the error of a reading, s being `stretch_of`. The
    error is one for all, so their effects add up before they are squared.

    Args:
        surveys: in any order.
        markers: of each survey, those that matter.
        jacobians: (k, 6 n) of each, by its markers' tangents.
    """
    u = common_scale_u(*surveys) if len(surveys) > 1 else 0.0
    size = len(jacobians[0])
    total, together = np.zeros((size, size)), np.zeros(size)
    for survey, ids, jacobian in zip(surveys, markers, jacobians, strict=True):
        if not len(ids):
            continue
        total += jacobian @ survey.joint(list(ids)) @ jacobian.T
        own = u * (jacobian @ stretch_of(survey, ids))
        total -= np.outer(own, own)
        together += own
    return total + np.outer(together, together)
