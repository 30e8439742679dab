"""Printed paper: tags, pointers, cuff strips and the calibration board, as exact coverage maps.

A texel holds how much of it is black, computed exactly from the pattern's edges with the ink's
growth; the printer's scale is not here but in the sheet's geometry, which scale it as a whole.
Also the tiling grime textures of paint, concrete, blocks and planks.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

Array = np.ndarray
PAPER, INK = 0.80, 0.040
TEXELS_PER_MM = 10.0


@dataclass(frozen=True)
class Sheet:
    """A printed sheet: nominal extent in its own frame (x right, y up) and reflectance image.

    ``image`` has row 0 at the top (largest y); one channel, linear reflectance.
    """

    x0: float
    x1: float
    y0: float
    y1: float
    image: Array


def _overlap(edges: Array, texels: Array) -> Array:
    """Share of each texel (n) that lies in each interval (m): (n, m)."""
    lo = np.maximum(edges[None, :-1], texels[:-1, None])
    hi = np.minimum(edges[None, 1:], texels[1:, None])
    return np.clip(hi - lo, 0, None) / np.diff(texels)[:, None]


def coverage(black: Array, x: Array, y: Array, ink: float, tx: Array, ty: Array) -> Array:
    """Exact black coverage of a cell pattern whose black grows by ``ink`` at every edge.

    black (m, n) bool, row 0 at the top; x (n + 1) ascending; y (m + 1) ascending cell borders;
    tx, ty ascending texel borders. Returns rows from the top.
    """
    p = black[::-1]  # rows ascending in y
    big = _grow(p)
    ex = _split(x, ink)
    ey = _split(y, ink)
    return (_overlap(ey, ty) @ big.astype(float) @ _overlap(ex, tx).T)[::-1]


def _grow(p: Array) -> Array:
    """Pattern on the split grid: strip, cell, strip, ...; a strip is black if a neighbour is."""
    m, n = p.shape
    q = np.zeros((2 * m + 1, 2 * n + 1), bool)
    pad = np.zeros((m + 2, n + 2), bool)
    pad[1:-1, 1:-1] = p
    for i in range(2 * m + 1):
        rows = [i // 2 + 1] if i % 2 else [i // 2, i // 2 + 1]
        for j in range(2 * n + 1):
            cols = [j // 2 + 1] if j % 2 else [j // 2, j // 2 + 1]
            q[i, j] = any(pad[r, c] for r in rows for c in cols)
    return q


def _split(x: Array, ink: float) -> Array:
    out = []
    for v in x:
        out += [v - ink, v + ink]
    return np.array(out)


def tag_cells(marker_id: int, family: int = cv2.aruco.DICT_APRILTAG_36h11, n: int = 8) -> Array:
    """Black cells (n, n) of a marker, row 0 at the top."""
    d = cv2.aruco.getPredefinedDictionary(family)
    return cv2.aruco.generateImageMarker(d, marker_id, n) < 128


def _texels(a: float, b: float, per_mm: float = TEXELS_PER_MM) -> Array:
    return np.linspace(a, b, round((b - a) * per_mm) + 1)


def _text(cov: Array, s: Sheet | None, text: str, x: float, y: float, h: float, ext: tuple) -> None:
    """Write text into a coverage map, baseline left at (x, y) mm, capital height h mm."""
    x0, y1 = ext
    scale = h * TEXELS_PER_MM / 21.0
    layer = np.zeros(cov.shape, np.uint8)
    cv2.putText(
        layer,
        text,
        (int((x - x0) * TEXELS_PER_MM), int((y1 - y) * TEXELS_PER_MM)),
        cv2.FONT_HERSHEY_SIMPLEX,
        scale,
        255,
        max(1, int(scale * 2.2)),
        cv2.LINE_AA,
    )
    np.maximum(cov, layer / 255.0, out=cov)


def _tag(cov: Array, mid: int, side: float, cx: float, cy: float, ink: float, tx: Array, ty: Array):
    g = np.linspace(-side / 2, side / 2, 9)
    i0, i1 = np.searchsorted(tx, [cx - side / 2 - 0.5, cx + side / 2 + 0.5])
    j0, j1 = np.searchsorted(ty, [cy - side / 2 - 0.5, cy + side / 2 + 0.5])
    part = coverage(tag_cells(mid), g + cx, g + cy, ink, tx[i0 : i1 + 1], ty[j0 : j1 + 1])
    n = len(ty) - 1
    cov[n - j1 : n - j0, i0:i1] = np.maximum(cov[n - j1 : n - j0, i0:i1], part)


def _paper(cov: Array, seed: int) -> Array:
    """Reflectance: paper with a trace of fibre, toner slightly uneven."""
    rng = np.random.default_rng(seed)
    low = cv2.resize(
        rng.normal(0, 1, (12, 12)).astype(np.float32),
        cov.shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    white = PAPER * (1 + 0.008 * low)
    black = INK * (1 + 0.10 * low)
    return (white * (1 - cov) + black * cov).astype(np.float32)


def flat_extent(side: float, kind: str = "tag", reach: float = 0.0) -> tuple[float, ...]:
    """x0, x1, y0, y1 of a flat tag's or pointer's paper (nominal mm)."""
    q = side / 2 + side / 8 + 2.0
    if kind == "pointer":
        return -q, q, -reach - 0.4, q
    return -q, q, -q - 0.18 * side, q


def flat_sheet(mid: int, side: float, ink: float, kind: str, reach: float, label: str) -> Sheet:
    """A flat tag, or a pointer with its arrow down to (0, -reach)."""
    x0, x1, y0, y1 = flat_extent(side, kind, reach)
    tx, ty = _texels(x0, x1), _texels(y0, y1)
    cov = np.zeros((len(ty) - 1, len(tx) - 1))
    _tag(cov, mid, side, 0.0, 0.0, ink, tx, ty)
    if kind == "pointer":
        top = -side / 2 - side / 8 - 1.2
        tri = np.array([[-5.0, top], [5.0, top], [0.0, -reach]])
        k = 8
        px = ((tri - [x0, y1]) * [1, -1] * TEXELS_PER_MM * k).round().astype(np.int32)
        big = np.zeros((cov.shape[0] * k, cov.shape[1] * k), np.uint8)
        cv2.fillPoly(big, [px], 255)
        small = cv2.resize(big, cov.shape[::-1], interpolation=cv2.INTER_AREA)
        np.maximum(cov, small / 255.0, out=cov)
        _text(cov, None, str(mid), x0 + 1.0, -reach + 3.0, 2.6, (x0, y1))
    else:
        _text(cov, None, label, -side / 2, y0 + 1.6, 0.1 * side, (x0, y1))
    return Sheet(x0, x1, y0, y1, _paper(cov, mid))


def cuff_extent(od: float, rows: int, row_pitch: float, side: float) -> tuple[float, float]:
    """Nominal width (round the tube) and height of a cuff strip."""
    return np.pi * (od + 0.3), (rows - 1) * row_pitch + side + 2 * (side / 8) + 9.0


def cuff_sheet(
    first: int, od: float, columns: int, rows: int, side: float, pitch: float, ink: float
) -> Sheet:
    """The flat strip of a cuff, x from the seam round the tube, y along the tube."""
    w, h = cuff_extent(od, rows, pitch, side)
    tx, ty = _texels(-w / 2, w / 2), _texels(-h / 2, h / 2)
    cov = np.zeros((len(ty) - 1, len(tx) - 1))
    for r in range(rows):
        for c in range(columns):
            cx = ((c + 0.5) / columns - 0.5) * w
            cy = ((rows - 1) / 2 - r) * pitch
            _tag(cov, first + r * columns + c, side, cx, cy, ink, tx, ty)
    _text(cov, None, f"{first}  od {od:g}", -w / 2 + 3, -h / 2 + 1.2, 2.2, (-w / 2, h / 2))
    return Sheet(-w / 2, w / 2, -h / 2, h / 2, _paper(cov, first))


def board_sheet(cols: int, rows: int, square: float, marker: float, ink: float) -> Sheet:
    """A ChArUco board, OpenCV's present layout: top left square black, markers on the white ones.

    The sheet's frame has its origin at the chessboard's centre, y up.
    """
    w, h = cols * square, rows * square
    mx, my = 14.0, 18.0
    x0, x1, y0, y1 = -w / 2 - mx, w / 2 + mx, -h / 2 - my, h / 2 + my
    tx, ty = _texels(x0, x1), _texels(y0, y1)
    i, j = np.meshgrid(np.arange(cols), np.arange(rows))
    chess = (i + j) % 2 == 0
    gx, gy = np.linspace(-w / 2, w / 2, cols + 1), np.linspace(-h / 2, h / 2, rows + 1)
    cov = coverage(chess, gx, gy, ink, tx, ty)
    mid = 0
    g = np.linspace(-marker / 2, marker / 2, 8)
    for r in range(rows):
        for c in range(cols):
            if chess[r, c]:
                continue
            cells = tag_cells(mid, cv2.aruco.DICT_5X5_100, 7)
            cx, cy = (gx[c] + gx[c + 1]) / 2, -(gy[r] + gy[r + 1]) / 2
            cov = np.maximum(cov, coverage(cells, g + cx, g + cy, ink, tx, ty))
            mid += 1
    _text(
        cov,
        None,
        f"charuco {cols}x{rows}  {square:g} / {marker:g} mm  5X5_100",
        -w / 2,
        y0 + 6,
        3.4,
        (x0, y1),
    )
    return Sheet(x0, x1, y0, y1, _paper(cov, 4711))


# ---------------------------------------------------------------- tiling textures


def noise(seed: int, n: int, power: float, anisotropy: tuple[float, float] = (1.0, 1.0)) -> Array:
    """Periodic 1/f^power noise (n, n), mean 0, standard deviation 1."""
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(n)[:, None] * anisotropy[1], np.fft.fftfreq(n)[None] * anisotropy[0]
    f = np.hypot(fx, fy)
    f[0, 0] = 1
    s = np.fft.fft2(rng.normal(size=(n, n))) / f**power
    s[0, 0] = 0
    out = np.real(np.fft.ifft2(s))
    return out / out.std()


def _smooth(a: Array, lo: float, hi: float) -> Array:
    t = np.clip((a - lo) / (hi - lo), 0, 1)
    return t * t * (3 - 2 * t)


def _mix(a: Array, b: Array | tuple[float, ...], w: Array) -> Array:
    return a * (1 - w[..., None]) + np.asarray(b) * w[..., None]


def paint(seed: int, colour: tuple[float, float, float], dirt: float = 1.0, n: int = 1024) -> Array:
    """Old paint: dust, dark grime in clouds, scratches, chips of primer and rust."""
    base = np.ones((n, n, 3)) * colour
    base *= (1 + 0.03 * noise(seed, n, 1.3))[..., None]
    grime = _smooth(noise(seed + 1, n, 1.3), 0.3, 2.6) * 0.55 * dirt
    base = _mix(base, (0.10, 0.085, 0.07), grime)
    dust = _smooth(noise(seed + 2, n, 1.1), -0.5, 2.5) * 0.28 * dirt
    base = _mix(base, (0.42, 0.39, 0.34), dust)
    chips = _smooth(noise(seed + 3, n, 0.75), 3.0, 3.25) * (noise(seed + 4, n, 1.5) > 0.4)
    base = _mix(base, (0.23, 0.10, 0.05), chips * 0.8)
    base = _mix(base, (0.55, 0.54, 0.5), _scratches(seed + 5, n, int(50 * dirt)) * 0.5)
    return np.clip(base, 0.01, 0.95).astype(np.float32)


def _scratches(seed: int, n: int, count: int) -> Array:
    rng = np.random.default_rng(seed)
    img = np.zeros((n, n), np.uint8)
    for _ in range(count):
        p = rng.uniform(0, n, 2)
        a = rng.uniform(0, 2 * np.pi)
        q = p + rng.uniform(10, 90) * np.array([np.cos(a), np.sin(a)])
        cv2.line(
            img,
            p.astype(int).tolist(),
            q.astype(int).tolist(),
            int(rng.uniform(60, 255)),
            1,
            cv2.LINE_AA,
        )
    return img / 255.0


def steel(seed: int, n: int = 512) -> Array:
    """Bright tube under a thin grey weld-through primer, wiped and handled."""
    base = np.ones((n, n, 3)) * (0.36, 0.365, 0.37)
    base *= (1 + 0.04 * noise(seed, n, 1.1, (1.0, 8.0)))[..., None]
    base = _mix(base, (0.25, 0.24, 0.23), _smooth(noise(seed + 1, n, 1.3), 0.4, 2.8) * 0.6)
    base = _mix(base, (0.30, 0.17, 0.09), _smooth(noise(seed + 2, n, 0.9), 2.7, 3.2) * 0.5)
    return np.clip(base, 0.02, 0.9).astype(np.float32)


def concrete(seed: int, n: int = 2048) -> Array:
    base = np.ones((n, n, 3)) * (0.33, 0.32, 0.30)
    base *= (1 + 0.03 * noise(seed, n, 0.8) + 0.10 * noise(seed + 1, n, 1.3))[..., None]
    base = _mix(base, (0.08, 0.07, 0.06), _smooth(noise(seed + 2, n, 1.4), 1.1, 2.4) * 0.75)
    base = _mix(base, (0.5, 0.49, 0.46), _smooth(noise(seed + 3, n, 1.2), 1.0, 2.6) * 0.4)
    crack = np.abs(noise(seed + 4, n, 1.8)) < 0.006
    base = _mix(base, (0.06, 0.055, 0.05), cv2.GaussianBlur(crack.astype(float), (3, 3), 0) * 0.7)
    return np.clip(base, 0.02, 0.9).astype(np.float32)


def blocks(seed: int, n: int = 2048, tile: float = 1800.0) -> Array:
    """Whitewashed block wall: courses of 225 mm, blocks of 450 mm; n texels span ``tile`` mm."""
    rng = np.random.default_rng(seed)
    mm = (np.arange(n) + 0.5) * tile / n
    yy, xx = np.meshgrid(mm, mm, indexing="ij")
    row = np.floor(yy / 225).astype(int)
    xs = xx + 225.0 * (row % 2)
    col = np.floor(xs / 450).astype(int) % int(tile / 450)
    wob = 1.5 * noise(seed + 7, n, 1.0)
    edge = (
        np.minimum(np.minimum(yy % 225, 225 - yy % 225), np.minimum(xs % 450, 450 - xs % 450)) + wob
    )
    tone = rng.normal(0, 0.05, (int(tile / 225), int(tile / 450)))[row, col]
    base = np.ones((n, n, 3)) * (0.56, 0.54, 0.49)
    base *= (1 + tone + 0.04 * noise(seed + 1, n, 1.0))[..., None]
    base = _mix(base, (0.33, 0.31, 0.28), 1 - _smooth(edge, 4, 9))
    base = _mix(base, (0.24, 0.21, 0.17), _smooth(noise(seed + 2, n, 1.4), 0.6, 2.6) * 0.6)
    return np.clip(base, 0.02, 0.9).astype(np.float32)


def planks(
    seed: int, colour: tuple[float, float, float], width: float, n: int = 1024, tile: float = 1200.0
) -> Array:
    """Boards running along the texture's u axis."""
    rng = np.random.default_rng(seed)
    mm = (np.arange(n) + 0.5) * tile / n
    k = np.floor(mm / width).astype(int)
    tone = rng.normal(0, 0.10, k.max() + 1)[k][:, None]
    grain = 0.10 * noise(seed + 1, n, 0.8, (12.0, 1.0))
    base = np.ones((n, n, 3)) * colour
    base *= np.clip(1 + tone + grain, 0.3, 2)[..., None]
    gap = np.minimum(mm % width, width - mm % width)[:, None] * np.ones((1, n))
    base = _mix(base, (0.03, 0.025, 0.02), 1 - _smooth(gap, 1.0, 3.5))
    base = _mix(base, (0.10, 0.08, 0.06), _smooth(noise(seed + 2, n, 1.4), 0.7, 2.6) * 0.6)
    return np.clip(base, 0.015, 0.9).astype(np.float32)


def plain(seed: int, colour: tuple[float, float, float], vary: float = 0.08, n: int = 512) -> Array:
    base = np.ones((n, n, 3)) * colour
    base *= (1 + vary * noise(seed, n, 0.9) + 0.3 * vary * noise(seed + 1, n, 0.5))[..., None]
    return np.clip(base, 0.01, 0.92).astype(np.float32)
