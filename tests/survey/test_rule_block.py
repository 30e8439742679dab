"""Rules: the distance of two centres, with its derivatives."""

from __future__ import annotations

import numpy as np
import pytest
from jacobians import check_jacobians

from fitscan.adjust.problem import Group
from fitscan.geometry.rigid import Rigid
from fitscan.survey.rule_block import RuleBlock
from fitscan.survey.state import MARKER, pack_markers, step_markers


def three_markers() -> Group:
    rng = np.random.default_rng(1)
    poses = [Rigid.from_tangent(rng.normal(size=6) * [1, 1, 1, 400, 400, 400]) for _ in range(3)]
    return Group("marker", pack_markers(poses), MARKER, step_markers)


def test_every_derivative_of_a_rule_is_that_of_central_differences() -> None:
    markers = three_markers()
    block = RuleBlock(np.array([[0, 1], [2, 0]]), np.array([700.0, 640.0]), np.array([0.3, 0.2]))
    check_jacobians(block, [markers], {"marker": np.r_[[1e-4] * 3, [1e-2] * 3]})


def test_a_rules_residual_is_its_error_in_units_of_its_uncertainty() -> None:
    poses = [Rigid(np.eye(3), np.array(t)) for t in ((0.0, 0.0, 0.0), (300.0, 400.0, 0.0))]
    values = {"marker": pack_markers(poses)}
    block = RuleBlock(np.array([[0, 1]]), np.array([499.4]), np.array([0.3]))
    # A 3-4-5 triangle: 500 mm, read 0.6 mm short with u = 0.3 mm.
    assert block.residual(values)[0, 0] == pytest.approx(2.0)
    assert np.array_equal(block.rank, [1])
