"""Paint the squares of a simulated scene into photos: exact geometry, phone-like development.

No light transport, no occlusion: that is what the rendered sample photos are for.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image
from scenes import Scene, visible_squares

from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS, cells
from fitscan.survey.tag_block import TagGeometry, predict_pixels

SUBSAMPLES = 4


@dataclass(frozen=True)
class Phone:
    """How the painted photo is developed; every number may be zero."""

    blur_px: float = 0.8
    gamma: float = 2.2
    sharpen: float = 0.5
    noise: float = 1.5
    jpeg: int = 88


def paint(
    scene: Scene,
    photo: int,
    phone: Phone,
    seed: int = 0,
    *,
    printed: Mapping[int, int] | None = None,
    mirrored: Collection[int] = (),
) -> npt.NDArray[np.uint8]:
    """Grey photo (h, w) of one camera of the scene.

    `printed` puts other ids on some tags; `mirrored` tags look as they do in a flat mirror.
    """
    rng = np.random.default_rng([seed, photo])
    width, height = scene.lens.width_px, scene.lens.height_px
    light = np.full((height, width), 0.32, dtype=np.float32)
    geometry, _ = visible_squares(scene, smallest_px=8.0, steepest_deg=84.0, photos=[photo])
    values = {g.name: g.values for g in scene.state.groups()}
    ink_cells = float(scene.state.ink[0, 0]) * CELLS
    grid = np.stack(np.meshgrid(np.linspace(-5.6, 5.6, 9), np.linspace(-5.6, 5.6, 9)), -1)
    for row in range(len(geometry)):
        one = geometry.take(np.array([row]))
        pixels = predict_pixels(one, grid.reshape(1, -1, 2) * one.side_mm[0] / CELLS, values)[0]
        tag_id = int(one.tag_id[0])
        pattern = _pattern((printed or {}).get(tag_id, tag_id))
        if tag_id in mirrored:
            pattern = pattern[:, ::-1]
        _stamp(light, scene, one, pixels, pattern, ink_cells / float(one.side_mm[0]))
    soft = cv2.GaussianBlur(light, (0, 0), phone.blur_px) if phone.blur_px else light
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    signal = 0.03 + 0.8 * np.asarray(soft) + np.float32(phone.noise / 255.0 / 2.0) * noise
    signal = np.clip(signal, 0, 1) ** np.float32(1.0 / phone.gamma)
    if phone.sharpen:
        signal = signal + phone.sharpen * (signal - cv2.GaussianBlur(signal, (0, 0), 1.3))
    return np.asarray(np.clip(np.round(signal * 255.0), 0, 255), dtype=np.uint8)


def _stamp(
    light: npt.NDArray[np.float32],
    scene: Scene,
    one: TagGeometry,
    outline: npt.NDArray[np.float64],
    pattern: npt.NDArray[np.float32],
    ink: float,
) -> None:
    """Write one square with its quiet zone; `ink` is the growth of black per edge in cells."""
    height, width = light.shape
    low = np.maximum(np.floor(outline.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + 1, [width, height])
    if np.any(high - low < 2):
        return
    fine = (np.arange(SUBSAMPLES) + 0.5) / SUBSAMPLES - 0.5
    xs = (np.arange(low[0], high[0])[:, None] + fine).ravel()
    ys = (np.arange(low[1], high[1])[:, None] + fine).ravel()
    photo = scene.state.photo[int(one.photo[0])]
    lens = scene.lens.breathed(float(photo[12]))
    rays = _between(xs, ys, lambda pixels: lens.rays(pixels - photo[14:16]))
    u, v = (_on_paper(scene, one, rays) * (CELLS / float(one.side_mm[0]))).T
    value = pattern[_third(6.0 - v, ink), _third(6.0 + u, ink)]
    shape = (high[1] - low[1], SUBSAMPLES, high[0] - low[0], SUBSAMPLES)
    inside = (np.abs(u) < 5.5) & (np.abs(v) < 5.5)
    share = inside.reshape(shape).mean(axis=(1, 3))
    paper = (value * inside).reshape(shape).mean(axis=(1, 3))
    patch = light[low[1] : high[1], low[0] : high[0]]
    patch[:] = patch * (1.0 - share) + paper


def _between(xs: Array, ys: Array, smooth: Callable[[Array], Array]) -> npt.NDArray[np.float64]:
    """A smooth function of pixels (n, 2) -> (n, 2) on a lattice, row by row.

    It is asked at 6 x 6 Chebyshev nodes only; a lens over one tag is a polynomial to 1e-9.
    """
    nodes = np.cos(np.pi * (np.arange(6) + 0.5) / 6)

    def basis(at: Array) -> tuple[Array, Array]:
        middle, half = 0.5 * (at[0] + at[-1]), 0.5 * (at[-1] - at[0])
        powers = np.vander((at - middle) / half, 6)
        return middle + half * nodes, np.linalg.solve(np.vander(nodes, 6).T, powers.T)

    (x, by_x), (y, by_y) = basis(xs), basis(ys)
    coarse = smooth(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)).reshape(6, 6, 2)
    fine = np.einsum("iy,ijc,jx->yxc", by_y, coarse, by_x, optimize=True)
    return np.asarray(fine.reshape(-1, 2))


def _third(place: Array, ink: float) -> npt.NDArray[np.intp]:
    """In which third of which cell a place is: near its low edge, in the middle, near its high."""
    cell = np.floor(place)
    part = place - cell
    third = 1 + (part > 1.0 - ink).astype(np.intp) - (part < ink).astype(np.intp)
    return np.asarray(np.clip(3 * cell.astype(np.intp) + third, 0, 3 * (CELLS + 4) - 1))


@cache
def _pattern(tag_id: int) -> npt.NDArray[np.float32]:
    """White (1) and black of a tag with its quiet zone, three by three to a cell.

    The outer thirds are as wide as ink grows: black where a cell beside them is.
    """
    white = np.ones((CELLS + 6, CELLS + 6), dtype=np.float32)
    white[3:-3, 3:-3] = cells(tag_id)
    rows = np.repeat(white, 3, axis=0)
    rows = np.minimum(rows[3:-3], np.minimum(rows[2:-4], rows[4:-2]))
    both = np.repeat(rows, 3, axis=1)
    return np.minimum(both[:, 3:-3], np.minimum(both[:, 2:-4], both[:, 4:-2]))


def _on_paper(
    scene: Scene, one: TagGeometry, rays: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Places (n, 2) mm on a square's paper that rays (n, 2) meet: a plane or a cylinder.

    The way back from the picture, written apart from the way there that it checks.
    """
    photo = scene.state.photo[int(one.photo[0])]
    marker = scene.state.marker[int(one.marker[0])]
    turn_p, turn_m = photo[:9].reshape(3, 3), marker[:9].reshape(3, 3)
    eye = turn_m.T @ (-turn_p.T @ photo[9:12] - marker[9:12])
    turn = turn_p @ turn_m
    way = rays @ turn[:2] + turn[2]
    scale = scene.state.printer[0]
    if one.cuff[0] < 0:
        hit = eye + way * (-eye[2] / way[:, 2])[:, None]
        return np.asarray(hit[:, :2] / scale)
    nominal, angle, row = one.place[0]
    skew, grow, pitch = scene.state.form[int(one.cuff[0])]
    radius = nominal + grow
    a = (way[:, :2] ** 2).sum(axis=1)
    b = way[:, :2] @ eye[:2]
    root = b**2 - a * (eye[:2] @ eye[:2] - radius**2)
    hit = eye + way * ((-b - np.sqrt(np.maximum(root, 0.0))) / a)[:, None]
    arc = radius * np.angle(-np.exp(1j * (np.arctan2(hit[:, 1], hit[:, 0]))))
    along = (arc + skew * hit[:, 2]) / (1.0 + skew**2)
    height = (hit[:, 2] - skew * arc) / (1.0 + skew**2)
    # Unroll round the tag's own column, so that the seam cuts no square in two.
    around = 2.0 * np.pi * radius
    u = along - angle * nominal * (1.0 + pitch)
    u = (u + 0.5 * around) % around - 0.5 * around
    out = np.column_stack([u / scale[0], height / scale[1] - row])
    out[root < 0.0] = 1e6
    return out


def save(
    path: Path, grey: npt.NDArray[np.uint8], phone: Phone, *, model: str = "Test Phone"
) -> None:
    """Write a JPEG with the EXIF of an invented phone."""
    image = Image.fromarray(grey).convert("RGB")
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Invented", model, 1
    detail = exif.get_ifd(0x8769)
    detail[0x920A], detail[0xA405], detail[0xA434] = 5.4, 27, "main"
    detail[0xA002], detail[0xA003] = grey.shape[1], grey.shape[0]
    image.save(path, quality=phone.jpeg, exif=exif)


def paint_shoot(folder: Path, scene: Scene, phone: Phone | None = None, seed: int = 0) -> None:
    """Paint every photo of a scene into a folder."""
    phone = phone or Phone()
    folder.mkdir(parents=True, exist_ok=True)
    for photo in range(len(scene.state.photo)):
        save(folder / f"P{photo:04d}.jpg", paint(scene, photo, phone, seed), phone)
