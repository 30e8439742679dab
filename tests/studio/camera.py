"""The phone's camera: where it stands, its Brown lens, its breathing focus, projection of points.

Pixel (0, 0) is the centre of the first pixel; camera x right, y down, z forward. Rendering and
development are left to ``render`` and ``develop``.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

Array = np.ndarray
WIDTH, HEIGHT = 4000, 3000
APERTURE_MM = 5.5 / 1.8


@dataclass(frozen=True)
class Lens:
    """Pinhole and Brown terms (OpenCV's order k1 k2 p1 p2 k3), pixels at full size."""

    fx: float = 3012.6
    fy: float = 3012.6
    cx: float = 1999.5 + 13.8
    cy: float = 1499.5 - 10.4
    k1: float = 0.047
    k2: float = -0.081
    p1: float = 0.00031
    p2: float = -0.00027
    k3: float = 0.012

    def project(self, p: Array) -> Array:
        """Camera points (..., 3) to pixels (..., 2)."""
        x, y = p[..., 0] / p[..., 2], p[..., 1] / p[..., 2]
        r = x * x + y * y
        d = 1 + r * (self.k1 + r * (self.k2 + r * self.k3))
        xd = x * d + 2 * self.p1 * x * y + self.p2 * (r + 2 * x * x)
        yd = y * d + self.p1 * (r + 2 * y * y) + 2 * self.p2 * x * y
        return np.stack([self.fx * xd + self.cx, self.fy * yd + self.cy], -1)

    def breathed(self, factor: float, dx: float, dy: float) -> Lens:
        return Lens(
            self.fx * factor,
            self.fy * factor,
            self.cx + dx,
            self.cy + dy,
            self.k1,
            self.k2,
            self.p1,
            self.p2,
            self.k3,
        )


@dataclass(frozen=True)
class Shot:
    """One press of the button. ``cam_from_world`` (4, 4); blur is the hand's turn in pixels."""

    name: str
    cam_from_world: Array
    lens: Lens
    focal_factor: float
    shift: tuple[float, float]
    portrait: bool
    focus_mm: float
    blur_px: float
    blur_dir: float
    seed: int


def rng(*names: object) -> np.random.Generator:
    """A generator that depends on names alone."""
    return np.random.default_rng(zlib.crc32("/".join(map(str, names)).encode()))


def look(eye: Array, target: Array, portrait: bool, roll_deg: float) -> Array:
    """cam_from_world of a phone held at ``eye`` (portrait: the sensor's left edge is up)."""
    f = np.asarray(target, float) - eye
    f /= np.linalg.norm(f)
    right = np.cross(f, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(f, right)
    x, y = (down, -right) if portrait else (right, down)
    a = np.deg2rad(roll_deg)
    x, y = np.cos(a) * x + np.sin(a) * y, -np.sin(a) * x + np.cos(a) * y
    t = np.eye(4)
    t[:3, :3] = np.stack([x, y, f])
    t[:3, 3] = -t[:3, :3] @ np.asarray(eye, float)
    return t


PUBLISHED_RAYS = 18


def subpixel_cells(seed: int, rays: int) -> tuple[Array, Array]:
    """The sub-pixel cells (rays, 2) that a photo is traced through, and their mean off centre.

    ``rays`` cells are drawn from the next larger square grid; units of a pixel.
    """
    m = int(np.ceil(np.sqrt(rays)))
    cells = np.random.default_rng(seed).permutation(m * m)[:rays]
    corner = np.stack(np.divmod(cells, m), -1) / m
    return corner, (corner + 0.5 / m).mean(0) - 0.5


def shot(
    shoot: str,
    k: int,
    name: str,
    eye: Array,
    target: Array,
    portrait: bool,
    focus_mm: float | None = None,
    blur_px: float | None = None,
    shake_mm: float = 25.0,
    roll: float | None = None,
) -> Shot:
    """A shot with the hand's unsteadiness and the lens's breathing drawn from its name."""
    g = rng("shot", shoot, k)
    eye = np.asarray(eye, float) + g.normal(0, shake_mm, 3)
    target = np.asarray(target, float) + g.normal(0, shake_mm, 3)
    drawn = g.normal(0, 2.5)
    pose = look(eye, target, portrait, drawn if roll is None else roll)
    factor = 1 + g.normal(0, 0.001)
    dx, dy = g.normal(0, 0.7, 2)
    shake = abs(g.normal(0, 0.35)) + 0.15
    dist = float(np.linalg.norm(target - eye))
    focus = focus_mm if focus_mm is not None else dist * g.uniform(0.95, 1.1)
    blur_dir, seed = g.uniform(0, np.pi), int(g.integers(1, 2**31))
    # The published photos were traced before the cells were centred; what their cells were off
    # centre is a common shift of the picture and counts as the stabilisation's.
    off = subpixel_cells(seed, PUBLISHED_RAYS)[1]
    dx, dy = dx - off[0], dy - off[1]
    return Shot(
        name,
        pose,
        Lens().breathed(factor, dx, dy),
        factor,
        (dx, dy),
        portrait,
        focus,
        shake if blur_px is None else blur_px,
        blur_dir,
        seed,
    )


def view(s: Shot, p: Array) -> tuple[Array, Array]:
    """World points (N, 3) to pixels (N, 2) and depths (N)."""
    c = p @ s.cam_from_world[:3, :3].T + s.cam_from_world[:3, 3]
    z = c[:, 2]
    safe = np.where(z > 1, z, 1.0)
    px = s.lens.project(np.stack([c[:, 0], c[:, 1], safe], -1))
    # Far outside the field the polynomial folds back; call that outside.
    far = (z <= 1) | (np.hypot(c[:, 0], c[:, 1]) > 1.05 * safe)
    return np.where(far[:, None], -1e4, px), z


def inside(px: Array, margin: float = 0.0) -> Array:
    return (
        (px[:, 0] > -0.5 + margin)
        & (px[:, 0] < WIDTH - 0.5 - margin)
        & (px[:, 1] > -0.5 + margin)
        & (px[:, 1] < HEIGHT - 0.5 - margin)
    )
