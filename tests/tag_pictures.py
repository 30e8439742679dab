"""Small pictures of single tags with exactly known corners, on a plane or round a tube.

Light is sampled many times in each pixel by tracing pixels back to the paper, so nothing here
shares a line with the code that looks for the tags. How light becomes grey levels (blur, tone,
sharpening, noise, JPEG) is a step of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array, exp
from fitscan.markers.family import cells

__all__ = [
    "CORNERS_UV", "Camera", "Develop", "Plane", "Sheet", "Surface", "Tube", "flat_square",
    "picture", "sample", "sheet_of", "tube_square",
]  # fmt: skip

CORNERS_UV = np.array([[-4.0, 4.0], [4.0, 4.0], [4.0, -4.0], [-4.0, -4.0]])
"""Corners of the black square in cells, u right and v up: TL, TR, BR, BL."""

_QUIET = 5.2
_WALL = 0.4

Light = npt.NDArray[np.float32]

Surface = Callable[[Array, Array], tuple[Array, Array]]
"""Pixels x, y to places u, v in cells on the tag; not a number where there is no paper."""


@dataclass(frozen=True)
class Develop:
    """How light becomes grey levels.

    Attributes:
        blur_px: standard deviation of the blur.
        gamma: 1 keeps light and grey proportional.
        sharpen: strength of an unsharp mask of 1.2 px.
        noise: grey levels, before the tone curve.
        jpeg: quality, or None.
    """

    blur_px: float = 0.8
    gamma: float = 1.0
    sharpen: float = 0.0
    noise: float = 1.5
    jpeg: int | None = None


class Plane:
    """A flat tag by the pixels of its four corners (4, 2)."""

    def __init__(self, corners_px: Array) -> None:
        self.pixels_from_uv = _homography(CORNERS_UV, corners_px)

    def __call__(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Trace pixels back."""
        h = np.linalg.inv(self.pixels_from_uv)
        u, v, w = (row[0] * x + row[1] * y + row[2] for row in h)
        return u / w, v / w

    def nudged(self, rng: np.random.Generator, off_px: float) -> Plane:
        """The same square seen a little elsewhere."""
        return Plane(self.pixels(CORNERS_UV) + rng.normal(0, off_px, (4, 2)))

    def pixels(self, uv: Array) -> Array:
        """Pixels (..., 2) of places (..., 2) in cells."""
        h = self.pixels_from_uv
        x = uv @ h[:, :2].T + h[:, 2]
        return np.asarray(x[..., :2] / x[..., 2:])


@dataclass(frozen=True)
class Camera:
    """A pinhole: focal length and principal point in px."""

    f: float = 1500.0
    cx: float = 60.0
    cy: float = 60.0


@dataclass(frozen=True)
class Tube:
    """A tag wrapped round a tube.

    Attributes:
        camera: that sees it.
        centre: (3,) a point of the axis in the camera's frame, mm, at the tag's own height.
        frame: (3, 3) columns x, y, z of the tube's frame in the camera's; z along the tube, the
            tag's middle stands at angle 0 (on +x).
        radius_mm: of the ink.
        cell_mm: size of one cell.
    """

    camera: Camera
    centre: Array
    frame: Array
    radius_mm: float
    cell_mm: float

    def __call__(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Trace pixels back to the nearer side of the tube."""
        c = self.camera
        ray = np.stack([(x - c.cx) / c.f, (y - c.cy) / c.f, np.ones_like(x)], axis=-1)
        d = ray @ self.frame
        o = -self.centre @ self.frame
        a = d[..., 0] ** 2 + d[..., 1] ** 2
        b = d[..., 0] * o[0] + d[..., 1] * o[1]
        k = o[0] ** 2 + o[1] ** 2 - self.radius_mm**2
        root = b * b - a * k
        with np.errstate(invalid="ignore"):
            t = (-b - np.sqrt(root)) / a
        hit = o + t[..., None] * d
        angle = np.arctan2(hit[..., 1], hit[..., 0])
        return self.radius_mm * angle / self.cell_mm, hit[..., 2] / self.cell_mm

    def nudged(self, rng: np.random.Generator, off_px: float) -> Tube:
        """The same tube turned and shifted a little."""
        distance = float(self.centre[2])
        shift = rng.normal(0, off_px, 3) * distance / self.camera.f * [1.0, 1.0, 8.0]
        turn = exp(rng.normal(0, off_px, 3) * distance / self.camera.f / (8.0 * self.cell_mm))
        return replace(self, centre=self.centre + shift, frame=turn @ self.frame)

    def pixels(self, uv: Array) -> Array:
        """Pixels (..., 2) of places (..., 2) in cells."""
        angle = uv[..., 0] * self.cell_mm / self.radius_mm
        on_tube = np.stack(
            [self.radius_mm * np.cos(angle), self.radius_mm * np.sin(angle),
             uv[..., 1] * self.cell_mm], axis=-1,
        )  # fmt: skip
        seen = on_tube @ self.frame.T + self.centre
        c = self.camera
        return np.asarray(c.f * seen[..., :2] / seen[..., 2:] + [c.cx, c.cy])


def sample(
    tag_id: int, surface: Surface, size: int, *, grow_cells: float = 0.0, times: int = 6
) -> Light:
    """Light (size * times, size * times), 0 to 1, of a tag in a picture of size x size pixels.

    Black ink may have grown by `grow_cells` at every border.
    """
    grid = (np.arange(size * times) + 0.5) / times - 0.5
    x, y = np.meshgrid(grid, grid)
    u, v = surface(x, y)
    white = np.ones((14, 14), dtype=bool)
    white[3:-3, 3:-3] = cells(tag_id)

    def paper(du: float, dv: float) -> npt.NDArray[np.bool_]:
        column = np.clip(np.nan_to_num(np.floor(u + du), nan=20.0) + 7, 0, 13).astype(int)
        row = np.clip(6 - np.nan_to_num(np.floor(v + dv), nan=20.0), 0, 13).astype(int)
        return np.asarray(white[row, column])

    bare = paper(0.0, 0.0)
    if grow_cells:
        # Paper stays white only where no black cell is nearer than the ink spreads.
        steps = (-grow_cells, 0.0, grow_cells)
        bare = np.logical_and.reduce([paper(du, dv) for du in steps for dv in steps])
    with np.errstate(invalid="ignore"):
        on_paper = (np.abs(u) < _QUIET) & (np.abs(v) < _QUIET)
    return np.where(on_paper, 0.05 + 0.7 * bare, _WALL).astype(np.float32)


def picture(
    light: Light, develop: Develop, rng: np.random.Generator, *, times: int = 6
) -> npt.NDArray[np.uint8]:
    """Grey picture of sampled light."""
    height, width = (n // times for n in light.shape)
    if develop.blur_px:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), develop.blur_px * times), np.float32)
    grey = light.reshape(height, times, width, times).mean(axis=(1, 3), dtype=np.float64)
    grey = grey + rng.normal(0, develop.noise / 255.0, grey.shape)
    grey = np.clip(grey, 0, 1) ** (1.0 / develop.gamma)
    if develop.sharpen:
        grey = grey + develop.sharpen * (grey - cv2.GaussianBlur(grey, (0, 0), 1.2))
    out = np.clip(grey * 255.0, 0, 255).round().astype(np.uint8)
    if develop.jpeg is not None:
        _, code = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, develop.jpeg])
        out = np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
    return np.asarray(out, dtype=np.uint8)


@dataclass(frozen=True)
class Sheet:
    """Many tags in one picture, each in a tile of its own, some round tubes.

    Attributes:
        ids: (n,).
        surfaces: per tag, in its own tile's pixels.
        offsets: (n, 2) pixel of each tile's first pixel.
        tile: size of a tile; columns: tiles in a row.
        light: of the whole picture, sampled `times` times per pixel and axis.
    """

    ids: tuple[int, ...]
    surfaces: tuple[Plane | Tube, ...]
    offsets: Array
    tile: int
    light: Light

    @property
    def corners(self) -> Array:
        """True corners (n, 4, 2) in the picture."""
        return self.pixels(np.tile(CORNERS_UV, (len(self.ids), 1, 1)))

    def pixels(self, uv: Array) -> Array:
        """Pixels (n, k, 2) of places (n, k, 2) in cells, tag by tag."""
        own = [s.pixels(p) for s, p in zip(self.surfaces, uv, strict=True)]
        return np.asarray(np.stack(own) + self.offsets[:, None])

    def predicted(self, rng: np.random.Generator, off_px: float) -> Callable[[Array], Array]:
        """A prediction from poses that are a little off: corners by about `off_px`."""
        wrong = tuple(s.nudged(rng, off_px) for s in self.surfaces)
        return replace(self, surfaces=wrong).pixels


def _homography(a: Array, b: Array) -> Array:
    rows = []
    for (u, v), (x, y) in zip(a, b, strict=True):
        rows += [[u, v, 1, 0, 0, 0, -x * u, -x * v], [0, 0, 0, u, v, 1, -y * u, -y * v]]
    return np.append(np.linalg.solve(np.array(rows), b.reshape(-1)), 1.0).reshape(3, 3)


def sheet_of(
    ids: list[int],
    surfaces: list[Plane | Tube],
    tile: int,
    columns: int,
    *,
    grow_cells: float = 0.0,
    times: int = 6,
) -> Sheet:
    """Lay tags out in tiles."""
    rows = -(-len(ids) // columns)
    light = np.full((rows * tile * times, columns * tile * times), _WALL, dtype=np.float32)
    offsets = []
    for n, (tag_id, surface) in enumerate(zip(ids, surfaces, strict=True)):
        row, column = divmod(n, columns)
        part = sample(tag_id, surface, tile, grow_cells=grow_cells, times=times)
        top, left = row * tile * times, column * tile * times
        light[top : top + tile * times, left : left + tile * times] = part
        offsets.append((column * tile, row * tile))
    return Sheet(tuple(ids), tuple(surfaces), np.array(offsets, dtype=float), tile, light)


def flat_square(rng: np.random.Generator, side_px: float, tile: int, slant: float = 0.45) -> Plane:
    """A square turned anyhow, foreshortened, and with some perspective, in a tile's middle."""
    turn = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(turn), np.sin(turn)
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * side_px
    corners = square * [1.0, rng.uniform(1.0 - slant, 1.0)] @ np.array([[c, s], [-s, c]])
    corners = corners * (1.0 + corners[:, :1] * rng.uniform(-0.0015, 0.0015))
    return Plane(corners + (tile - 1) / 2.0 + rng.uniform(-0.5, 0.5, 2))


def tube_square(rng: np.random.Generator, side_px: float, tile: int) -> Tube:
    """A 15 mm square on a 45 mm tube that faces the camera within 40 degrees round and along."""
    camera = Camera(1500.0, (tile - 1) / 2.0, (tile - 1) / 2.0)
    distance = camera.f * 15.0 / side_px
    along = np.array([rng.normal(), rng.normal(), rng.uniform(-0.6, 0.6)])
    z = along / np.linalg.norm(along)
    towards = np.array([0.0, 0.0, -1.0])
    x = towards - (towards @ z) * z
    x = x / np.linalg.norm(x)
    angle = rng.uniform(-0.7, 0.7)
    x = np.cos(angle) * x + np.sin(angle) * np.cross(z, x)
    frame = np.stack([x, np.cross(z, x), z], axis=1)
    radius = 22.65
    middle = np.array([*rng.uniform(-0.5, 0.5, 2) / camera.f, 1.0]) * distance
    return Tube(camera, middle - radius * x, frame, radius, 15.0 / 8.0)
