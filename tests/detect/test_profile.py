"""The fast profile arithmetic against SciPy's functions and its interpolation."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.special import ndtr
from scipy.stats import norm

from fitscan.detect.profile import read_grey, step_and_bell


def test_step_and_bell_are_scipys_to_single_precision() -> None:
    z = np.concatenate([np.linspace(-40, 40, 4001), [0.0, -0.0, 1e-30, 1e4]])
    step, bell = step_and_bell(z.astype(np.float32))
    assert np.abs(step - ndtr(z.astype(np.float32))).max() < 4e-7
    assert np.abs(bell - norm.pdf(z.astype(np.float32))).max() < 2e-7


def test_grey_values_along_normals_are_those_of_scipys_interpolation() -> None:
    rng = np.random.default_rng(4)
    grey = rng.integers(0, 256, (60, 80), dtype=np.uint8)
    place = rng.uniform([-4.0, -4.0], [84.0, 64.0], (400, 2))
    turn = rng.uniform(0, 2 * np.pi, 400)
    normal = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    step = rng.uniform(0.2, 1.2, 400)
    values, inside = read_grey(grey, place, normal, step, 7)
    points = place[:, None] + (np.arange(-3, 4) * step[:, None])[..., None] * normal[:, None]
    within = (points >= 0) & (points < np.array([79.0, 59.0]))
    assert np.array_equal(inside, within.all(axis=(1, 2)))
    assert 0.3 < inside.mean() < 0.9
    right = map_coordinates(grey.astype(np.float64), [points[..., 1], points[..., 0]], order=1)
    assert np.abs(values.T - right)[inside].max() < 0.01


def test_places_that_are_no_numbers_lie_outside() -> None:
    grey = np.zeros((40, 40), dtype=np.uint8)
    place = np.array([[np.nan, 5.0], [np.inf, 5.0], [1e300, 5.0], [20.0, 20.0]])
    _, inside = read_grey(grey, place, np.tile([1.0, 0.0], (4, 1)), np.ones(4), 5)
    assert inside.tolist() == [False, False, False, True]
