"""The lens model: Brown's distortion on a pinhole camera, with derivatives.

Finding its numbers is left to `calibrate` and `fitscan.survey`.

Numbers of a lens, in this order everywhere: f_px, aspect, cx_px, cy_px, k1, k2, k3, p1, p2, where
fx = f and fy = f * aspect, pixel (0, 0) is the centre of the first pixel, and the distortion is
D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37(8), 1971, in the
signs of OpenCV's calib3d documentation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.geometry.rotation import Array

__all__ = ["LENS_PARAMETERS", "Lens", "distort", "project", "project_pixels"]

LENS_PARAMETERS = ("f_px", "aspect", "cx_px", "cy_px", "k1", "k2", "k3", "p1", "p2")


@dataclass(frozen=True)
class Lens:
    """A lens for photos of one size.

    Attributes:
        values: (9,) in the order of `LENS_PARAMETERS`.
        width_px, height_px: size of the photo in the sensor's orientation.
    """

    values: Array
    width_px: int
    height_px: int

    @property
    def camera_matrix(self) -> Array:
        """OpenCV's camera matrix (3, 3)."""
        f, aspect, cx, cy = self.values[:4]
        return np.array([[f, 0.0, cx], [0.0, f * aspect, cy], [0.0, 0.0, 1.0]])

    @property
    def distortion(self) -> Array:
        """OpenCV's distortion (5,): k1, k2, p1, p2, k3."""
        k1, k2, k3, p1, p2 = self.values[4:]
        return np.array([k1, k2, p1, p2, k3])

    def breathed(self, log_factor: float) -> Lens:
        """Return the lens with its focal length multiplied by exp(log_factor)."""
        values = self.values.copy()
        values[0] *= np.exp(log_factor)
        return Lens(values, self.width_px, self.height_px)

    def pixels(self, x_in_cam: Array) -> Array:
        """Pixels (..., 2) of points (..., 3) in the camera's frame, mm, in front of it."""
        return project_pixels(np.asarray(x_in_cam), self.values)

    def rays(self, pixels: Array) -> Array:
        """Normalised image points (n, 2) of pixels (n, 2), distortion taken out.

        Newton's method on `distort`; at most six steps leave less than 1e-12 for phone lenses.
        """
        flat = np.asarray(pixels, dtype=np.float64).reshape(-1, 2)
        f, aspect, cx, cy = self.values[:4]
        bent = (flat - [cx, cy]) / [f, f * aspect]
        xy = bent.copy()
        for _ in range(6):
            seen, slope = _bent(xy, self.values[4:])
            left = seen - bent
            (a, b), (c, d) = np.moveaxis(slope, 0, -1)
            x, y = d * left[:, 0] - b * left[:, 1], a * left[:, 1] - c * left[:, 0]
            step = np.stack([x, y], axis=1) / (a * d - b * c)[:, None]
            xy = xy - step
            # What is left after a step is as its square.
            if np.abs(step).max(initial=0.0) < 1e-9:
                break
        return np.asarray(xy)


def distort(xy: Array, k: Array) -> tuple[Array, Array, Array]:
    """Brown's distortion of normalised image points.

    Args:
        xy: (..., 2).
        k: (5,): k1, k2, k3, p1, p2.

    Returns:
        distorted points (..., 2); their derivative by xy (..., 2, 2); by k (..., 2, 5).
    """
    out, by_xy = _bent(xy, k)
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    by_k = np.empty((*xy.shape, 5))
    for i, power in enumerate((r2, r2**2, r2**3)):
        by_k[..., 0, i] = x * power
        by_k[..., 1, i] = y * power
    by_k[..., 0, 3], by_k[..., 1, 3] = 2.0 * x * y, r2 + 2.0 * y * y
    by_k[..., 0, 4], by_k[..., 1, 4] = r2 + 2.0 * x * x, 2.0 * x * y
    return out, by_xy, by_k


def _bent(xy: Array, k: Array) -> tuple[Array, Array]:
    """Distorted points (..., 2) and their derivative by xy (..., 2, 2), see `distort`."""
    k1, k2, k3, p1, p2 = k
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3)  # d radial / d r2
    out = np.stack(
        [
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        ],
        axis=-1,
    )
    by_xy = np.empty((*xy.shape, 2))
    by_xy[..., 0, 0] = radial + 2.0 * x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    by_xy[..., 0, 1] = 2.0 * x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
    by_xy[..., 1, 0] = by_xy[..., 0, 1]
    by_xy[..., 1, 1] = radial + 2.0 * y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    return out, by_xy


def project_pixels(x_in_cam: Array, lens: Array, log_factor: Array | float = 0.0) -> Array:
    """Pixels (..., 2) as `project` gives them, without the derivatives."""
    k1, k2, k3, p1, p2 = lens[4:]
    z = x_in_cam[..., 2]
    x, y = x_in_cam[..., 0] / z, x_in_cam[..., 1] / z
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    cross = 2.0 * x * y
    focal = lens[0] * np.exp(log_factor)
    return np.stack(
        [
            focal * (x * radial + p1 * cross + p2 * (r2 + 2.0 * x * x)) + lens[2],
            focal * lens[1] * (y * radial + p1 * (r2 + 2.0 * y * y) + p2 * cross) + lens[3],
        ],
        axis=-1,
    )


def project(
    x_in_cam: Array, lens: Array, log_factor: Array | float = 0.0
) -> tuple[Array, Array, Array]:
    """Project points and differentiate.

    Args:
        x_in_cam: (..., 3) mm, camera x right, y down, z forward.
        lens: (9,) in the order of `LENS_PARAMETERS`.
        log_factor: logarithm of the photo's focal factor, broadcast against (...,).

    Returns:
        pixels (..., 2); d pixels / d x_in_cam (..., 2, 3); d pixels / d (lens 9, log_factor)
        (..., 2, 10).
    """
    factor = np.exp(log_factor)
    z = x_in_cam[..., 2]
    xy = x_in_cam[..., :2] / z[..., None]
    bent, by_xy, by_k = distort(xy, lens[4:])
    fx = lens[0] * factor
    focal = np.stack(np.broadcast_arrays(fx, fx * lens[1]), axis=-1)
    pixels = focal * bent + lens[2:4]
    # d xy / d x_in_cam is (1, -xy) / z.
    by_x = np.empty((*x_in_cam.shape[:-1], 2, 3))
    by_x[..., :2] = by_xy * (focal / z[..., None])[..., None]
    by_x[..., 2] = -(by_x[..., 0] * xy[..., :1] + by_x[..., 1] * xy[..., 1:])
    by_lens = np.zeros((*x_in_cam.shape[:-1], 2, 10))
    by_lens[..., :, 0] = (focal * bent) / lens[0]
    by_lens[..., 1, 1] = fx * bent[..., 1]
    by_lens[..., 0, 2] = by_lens[..., 1, 3] = 1.0
    by_lens[..., :, 4:9] = focal[..., :, None] * by_k
    by_lens[..., :, 9] = focal * bent
    return pixels, by_x, by_lens
