"""What is known of a photo before it speaks."""

from __future__ import annotations

import numpy as np
from jacobians import check_jacobians
from scenes import redrawn, small_scene

from fitscan.survey.priors import PhotoPrior


def test_every_derivative_of_a_photos_prior_is_that_of_central_differences() -> None:
    scene = redrawn(small_scene(2, 3), 3)
    block = PhotoPrior(3, np.array([0.001, 1.0, 0.7, 0.7]))
    steps = {"photo": np.r_[[1e-4] * 3, [1e-2] * 3, 1e-5, 1e-2, 1e-2, 1e-2]}
    check_jacobians(block, scene.state.groups()[:1], steps)


def test_a_nuisance_with_infinite_sigma_is_free_and_counts_for_nothing() -> None:
    scene = redrawn(small_scene(2, 3), 3)
    values = {"photo": scene.state.photo}
    block = PhotoPrior(3, np.array([0.001, np.inf, 0.7, 0.7]))
    assert np.all(block.residual(values)[:, 1] == 0.0)
    assert np.array_equal(block.rank, [3, 3, 3])
