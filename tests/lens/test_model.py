import cv2
import numpy as np
import pytest

from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens, distort, project, project_pixels

VALUES = np.array([3020.0, 1.0003, 2010.0, 1495.0, 0.045, -0.08, 0.02, 3e-4, -2e-4])
STRONG = np.array([535.9, 0.98, 342.0, 235.5, -0.27, 0.04, 0.24, 2e-3, -3e-3])


def scene(seed: int, n: int = 40) -> Array:
    """Points in front of the camera: spread over the frame, and on and beside the axis."""
    rng = np.random.default_rng(seed)
    x = np.column_stack([rng.uniform(-0.7, 0.7, n), rng.uniform(-0.5, 0.5, n), np.ones(n)])
    x *= rng.uniform(200.0, 4000.0, n)[:, None]
    near = np.array([[0.0, 0.0, 800.0], [1e-9, 0.0, 500.0], [0.0, -1e-5, 900.0], [1e-3, 1e-3, 1e3]])
    return np.vstack([x, near])


def central(f, x: Array, step: Array) -> Array:  # type: ignore[no-untyped-def]
    """Central differences of f(x) (..., 2) by each entry of x (k,)."""
    columns = []
    for i in range(len(x)):
        d = np.zeros_like(x)
        d[i] = step[i]
        columns.append((f(x + d) - f(x - d)) / (2.0 * step[i]))
    return np.stack(columns, axis=-1)


@pytest.mark.parametrize("lens", [VALUES, STRONG])
@pytest.mark.parametrize("factor", [0.0, 0.003])
def test_derivative_by_the_point_agrees_with_central_differences(
    lens: Array, factor: float
) -> None:
    for x in scene(1):
        _, by_x, _ = project(x, lens, factor)
        numeric = central(lambda p: project(p, lens, factor)[0], x, np.full(3, 1e-3))
        np.testing.assert_allclose(by_x, numeric, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("lens", [VALUES, STRONG])
def test_derivative_by_lens_and_focal_factor_agrees_with_central_differences(lens: Array) -> None:
    step = np.array([1e-2, 1e-6, 1e-2, 1e-2, 1e-5, 1e-5, 1e-5, 1e-6, 1e-6, 1e-6])
    for x in scene(2):
        _, _, by_lens = project(x, lens, 0.002)
        at = np.append(lens, 0.002)
        numeric = central(lambda p: project(x, p[:9], p[9])[0], at, step)  # noqa: B023
        np.testing.assert_allclose(by_lens, numeric, rtol=1e-6, atol=1e-6)


def test_derivatives_of_the_distortion_agree_with_central_differences() -> None:
    k = STRONG[4:]
    for x in scene(3):
        xy = x[:2] / x[2]
        _, by_xy, by_k = distort(xy, k)
        numeric = central(lambda p: distort(p, k)[0], xy, np.full(2, 1e-6))
        np.testing.assert_allclose(by_xy, numeric, atol=1e-8)
        numeric = central(lambda p: distort(xy, p)[0], k, np.full(5, 1e-4))  # noqa: B023
        np.testing.assert_allclose(by_k, numeric, atol=1e-8)


@pytest.mark.parametrize("values", [VALUES, STRONG])
def test_projection_agrees_with_opencv_to_a_billionth_of_a_pixel(values: Array) -> None:
    # cv2.projectPoints is the independent reference.
    lens = Lens(values, 4032, 3024)
    x = scene(4)
    expected, _ = cv2.projectPoints(
        x, np.zeros(3), np.zeros(3), lens.camera_matrix, lens.distortion
    )
    expected = np.asarray(expected).reshape(-1, 2)
    np.testing.assert_allclose(lens.pixels(x), expected, rtol=0, atol=1e-9)
    np.testing.assert_allclose(project(x, values)[0], expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize("values", [VALUES, STRONG])
def test_rays_undo_the_projection(values: Array) -> None:
    x = scene(5)
    rays = Lens(values, 4032, 3024).rays(project_pixels(x, values))
    np.testing.assert_allclose(rays, x[:, :2] / x[:, 2:], atol=1e-10)


def test_a_breathing_lens_changes_its_focal_length_only() -> None:
    lens = Lens(VALUES, 4032, 3024)
    x = scene(6)
    breathed = lens.breathed(0.004)
    np.testing.assert_allclose(breathed.values[1:], VALUES[1:])
    np.testing.assert_allclose(breathed.pixels(x), project(x, VALUES, 0.004)[0], atol=1e-9)
    np.testing.assert_allclose(project_pixels(x, VALUES, 0.004), breathed.pixels(x), atol=1e-9)


def test_focal_factors_may_differ_from_point_to_point() -> None:
    x = scene(7)
    factors = np.linspace(-0.004, 0.004, len(x))
    each = [project(p, VALUES, float(f))[0] for p, f in zip(x, factors, strict=True)]
    np.testing.assert_allclose(project(x, VALUES, factors)[0], each, atol=1e-9)
