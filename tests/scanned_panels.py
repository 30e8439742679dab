"""A domed panel with a groove, markers on it, a bar in front of it, and a scan of it: all known.

The panel's frame: x along the groove, y up, z out of the panel. Clearances come from minimising
distances to the panel's formula with SciPy, so that nothing here knows of triangles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from known_surveys import cuff, known_survey, on_axis, somewhere
from scipy.optimize import minimize

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit, PointerSpec, TagSpec
from fitscan.shape.scan import Scan, _vertex_normals
from fitscan.shape.scan_points import ScanPoints
from fitscan.survey.survey import Survey

__all__ = [
    "BAR",
    "KIT",
    "PICKED",
    "SCAN_FROM_PANEL",
    "height",
    "panel_scan",
    "panel_survey",
    "picks",
    "stickers_off",
    "true_clearance",
]

BAR = (np.array([0.0, 20.6, 9.5]), np.array([1.0, 0.002, -0.003]))
"""Point and direction of the bar's axis; its outside diameter is 38 mm."""
PICKED = (0, 2, 3, 5, 300)
SCAN_FROM_PANEL = somewhere(77)

_DOME_MM = 4000.0
_TAGS = ((-210.0, 110.0), (0.0, 125.0), (200.0, 105.0), (-190.0, -80.0), (10.0, -95.0),
         (215.0, -75.0))  # fmt: skip

KIT = Kit(
    tag=tuple(TagSpec(id=i, side_mm=24.0, part="trim") for i in range(len(_TAGS))),
    pointer=(
        PointerSpec(id=300, side_mm=20.0, reach_mm=25.0, part="trim", name="upper lip 1"),
        PointerSpec(id=301, side_mm=20.0, reach_mm=25.0, part="trim", name="upper lip 2"),
    ),
    cuff=(cuff(100, "door bar"), cuff(112, "door bar")),
)


def height(x: Array, y: Array) -> Array:
    """z of the panel, mm."""
    dome = -(x**2 + y**2) / (2.0 * _DOME_MM)
    return np.asarray(dome - 14.0 * np.exp(-(((y - 20.0) / 16.0) ** 2)))


def lying(x: float, y: float) -> Rigid:
    """panel_from_marker of paper that lies on the panel."""
    z = float(height(np.array(x), np.array(y)))
    step = 1e-3
    by_x = float(height(np.array(x + step), np.array(y)) - height(np.array(x - step), np.array(y)))
    by_y = float(height(np.array(x), np.array(y + step)) - height(np.array(x), np.array(y - step)))
    normal = np.array([-by_x / (2.0 * step), -by_y / (2.0 * step), 1.0])
    normal /= np.linalg.norm(normal)
    right = np.cross([0.0, 1.0, 0.0], normal)
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(normal, right), normal], axis=1)
    return Rigid(turn, np.array([x, y, z]))


def poses(bar_shift_mm: Array | None = None) -> dict[int, Rigid]:
    """panel_from_marker of everything."""
    out = {i: lying(x, y) for i, (x, y) in enumerate(_TAGS)}
    out |= {300: lying(-100.0, 90.0), 301: lying(110.0, 92.0)}
    point = BAR[0] + (np.zeros(3) if bar_shift_mm is None else bar_shift_mm)
    out |= {100: on_axis(point, BAR[1], -170.0, 1.0), 112: on_axis(point, BAR[1], 180.0, 2.0)}
    return out


def panel_survey(
    bar_shift_mm: Array | None = None,
    *,
    seed: int = 1,
    sigma_mm: float = 0.05,
    without: tuple[int, ...] = (),
) -> Survey:
    """A survey that knows the panel and the bar."""
    known: Mapping[int, Rigid] = {
        m: p for m, p in poses(bar_shift_mm).items() if m not in without
    }  # fmt: skip
    survey = known_survey(KIT, known, seed=seed, sigma_mm=sigma_mm, sigma_rad=0.001)
    return replace(survey, name="panel")


@lru_cache(maxsize=4)
def _grid(step_mm: float) -> tuple[Array, Array]:
    x = np.arange(-260.0, 260.1, step_mm)
    y = np.arange(-120.0, 150.1, step_mm)
    xs, ys = np.meshgrid(x, y, indexing="ij")
    vertices = np.stack([xs, ys, height(xs, ys)], axis=-1).reshape(-1, 3)
    n, m = len(x), len(y)
    corner = (np.arange(n - 1)[:, None] * m + np.arange(m - 1)).reshape(-1)
    low = np.stack([corner, corner + m, corner + m + 1], axis=1)
    high = np.stack([corner, corner + m + 1, corner + 1], axis=1)
    return vertices, np.concatenate([low, high])


def panel_scan(
    *, noise_mm: float = 0.0, step_mm: float = 3.0, cloud: bool = False, seed: int = 3
) -> Scan:
    """A scan of the panel in its own frame; every vertex is off along the normal by noise."""
    vertices, triangles = _grid(step_mm)
    rng = np.random.default_rng(seed)
    noisy = vertices + rng.normal(0.0, 1.0, len(vertices))[:, None] * [0.0, 0.0, noise_mm]
    placed = SCAN_FROM_PANEL.apply(noisy)
    if cloud:
        return Scan("panel.ply", "0" * 64, placed, np.zeros((0, 3), dtype=np.int64),
                    np.zeros((0, 3)))  # fmt: skip
    index = triangles.astype(np.int64)
    return Scan("panel.ply", "0" * 64, placed, index, _vertex_normals(placed, index))


def picks(
    sigma_mm: float = 0.0,
    *,
    seed: int = 5,
    what: tuple[int, ...] = PICKED,
    u_mm: float | None = None,
) -> ScanPoints:
    """Points that a person picked in the scan."""
    rng = np.random.default_rng(seed)
    known = poses()
    reach = {p.id: p.reach_mm for p in KIT.pointer}
    marked = np.array([known[m].apply(np.array([0.0, -reach.get(m, 0.0), 0.0])) for m in what])
    points = SCAN_FROM_PANEL.apply(marked) + rng.normal(0.0, 1.0, (len(what), 3)) * sigma_mm
    u = max(sigma_mm, 0.01) if u_mm is None else u_mm
    return ScanPoints("points.toml", "mm", points, what, u, 0.0, 0.0)


def stickers_off(survey: Survey, rng: np.random.Generator) -> Survey:
    """The survey with every sticker off its surface by 0.1 mm, its corners by 0.05 mm more."""
    flat = {m for m in survey.markers if m not in (100, 112)}
    moved = []
    for m, p in zip(survey.markers, survey.poses, strict=True):
        if m in flat:
            # Four corners on arms of 12 mm fix a tilt to half of what one of them is off.
            tilt = p.rotation @ np.array([*rng.normal(0.0, 0.05 / 24.0, 2), 0.0])
            off = rng.normal(0.0, 0.1) * p.rotation[:, 2]
            moved.append(p.step(np.concatenate([tilt, off])))
        else:
            moved.append(p)
    return replace(survey, poses=tuple(moved))


@dataclass(frozen=True)
class Tight:
    """The tightest place of a length of bar: clearance and where along the bar's line."""

    clearance_mm: float
    at_mm: float


def true_clearance(low: float, high: float, bar_shift_mm: Array | None = None) -> Tight:
    """Smallest distance of the panel from the bar's outside, low to high mm from its point."""
    point = BAR[0] + (np.zeros(3) if bar_shift_mm is None else bar_shift_mm)
    along = BAR[1] / np.linalg.norm(BAR[1])

    def squared(q: Array) -> float:
        surface = np.array([q[1], q[2], float(height(np.array(q[1]), np.array(q[2])))])
        return float(((point + q[0] * along - surface) ** 2).sum())

    best = None
    for start in (low, 0.5 * (low + high), high):
        for y in (8.0, 20.0, 33.0):
            found = minimize(
                squared, np.array([start, start, y]), method="L-BFGS-B",
                bounds=[(low, high), (None, None), (None, None)],
                options={"ftol": 1e-15, "gtol": 1e-10},
            )  # fmt: skip
            if best is None or found.fun < best.fun:
                best = found
    assert best is not None
    return Tight(float(np.sqrt(best.fun)) - 19.0, float(best.x[0]))
