"""Triangle meshes of simple things: rounded boxes, sweeps, tubes, pressed sheets, discs.

Units are millimetres; texture coordinates are millimetres too, a material says its tile size.
What the things mean in the car or the shed is left to ``wren`` and ``scene``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Mesh:
    """Vertices (N, 3) mm, triangles (M, 3), texture coordinates (N, 2) mm, material name."""

    name: str
    material: str
    v: Array
    f: Array
    uv: Array
    smooth: bool = True
    tint: float = 1.0

    def moved(self, world_from_local: Array) -> Mesh:
        """The same mesh after a rigid motion (4, 4)."""
        t = world_from_local
        return replace(self, v=self.v @ t[:3, :3].T + t[:3, 3])


def unit(a: Array | Sequence[float]) -> Array:
    a = np.asarray(a, float)
    return a / np.linalg.norm(a)


def rigid(r: Array, t: Array | Sequence[float]) -> Array:
    m = np.eye(4)
    m[:3, :3] = r
    m[:3, 3] = t
    return m


def rot(axis: Array | Sequence[float], angle: float) -> Array:
    """Rotation matrix (Rodrigues' formula), angle in radians."""
    x, y, z = unit(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k)


def vertex_normals(v: Array, f: Array) -> Array:
    """Area-and-angle weighted normals (N, 3)."""
    e = v[f]
    n = np.cross(e[:, 1] - e[:, 0], e[:, 2] - e[:, 0])
    out = np.zeros_like(v)
    for i in range(3):
        a = e[:, (i + 1) % 3] - e[:, i]
        b = e[:, (i + 2) % 3] - e[:, i]
        la = np.linalg.norm(a, axis=1)
        lb = np.linalg.norm(b, axis=1)
        w = 1.0 / np.maximum(la * la * lb * lb, 1e-12)
        for k in range(3):
            out[:, k] += np.bincount(f[:, i], n[:, k] * w, minlength=len(v))
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def grid_faces(nu: int, nv: int, close_u: bool = False) -> Array:
    """Triangles of a vertex grid stored u-major."""
    iu = np.arange(nu if close_u else nu - 1)
    iv = np.arange(nv - 1)
    a, b = np.meshgrid(iu, iv, indexing="ij")
    a2 = (a + 1) % nu
    p, q, r, s = a * nv + b, a2 * nv + b, a2 * nv + b + 1, a * nv + b + 1
    return np.concatenate(
        [np.stack([p, q, r], -1).reshape(-1, 3), np.stack([p, r, s], -1).reshape(-1, 3)]
    )


def sheet(
    name: str, material: str, fn: Callable[[Array, Array], Array], u: Array, v: Array
) -> Mesh:
    """A surface fn(U, V) -> (nu, nv, 3) over the grid of u and v; texture coordinates u, v."""
    uu, vv = np.meshgrid(u, v, indexing="ij")
    p = fn(uu, vv)
    return Mesh(
        name,
        material,
        p.reshape(-1, 3),
        grid_faces(len(u), len(v)),
        np.stack([uu, vv], -1).reshape(-1, 2),
    )


def join(name: str, meshes: Sequence[Mesh]) -> Mesh:
    """Several meshes of one material as one."""
    n = np.cumsum([0] + [len(m.v) for m in meshes])
    return Mesh(
        name,
        meshes[0].material,
        np.concatenate([m.v for m in meshes]),
        np.concatenate([m.f + k for m, k in zip(meshes, n[:-1], strict=True)]),
        np.concatenate([m.uv for m in meshes]),
        meshes[0].smooth,
    )


def box(
    name: str,
    material: str,
    size: Sequence[float],
    at: Array | Sequence[float] = (0, 0, 0),
    r: Array | None = None,
    bevel: float = 2.0,
) -> Mesh:
    """A box with rounded edges, size (3,) mm, centred at ``at``."""
    h = np.asarray(size, float) / 2
    bevel = float(min(bevel, 0.49 * min(size)))
    arc = bevel * (1 - np.cos(np.linspace(0, np.pi / 4, 4)))
    parts = []
    for ax in range(3):
        i, j = (ax + 1) % 3, (ax + 2) % 3
        gi = _edge_grid(h[i], bevel)
        gj = _edge_grid(h[j], bevel)
        for s in (-1.0, 1.0):
            a, b = np.meshgrid(gi, gj, indexing="ij")
            p = np.empty((*a.shape, 3))
            p[..., ax] = s * h[ax]
            p[..., i], p[..., j] = a, b
            inner = np.clip(p, -(h - bevel), h - bevel)
            d = p - inner
            d /= np.maximum(np.linalg.norm(d, axis=-1, keepdims=True), 1e-9)
            f = grid_faces(len(gi), len(gj))
            if s < 0:
                f = f[:, ::-1]
            uv = np.stack([a + 500 * ax, b], -1).reshape(-1, 2)
            parts.append(Mesh(name, material, (inner + bevel * d).reshape(-1, 3), f, uv))
    del arc
    m = join(name, parts)
    return m.moved(rigid(np.eye(3) if r is None else r, at))


def _edge_grid(h: float, bevel: float) -> Array:
    t = h - bevel + bevel * np.tan(np.linspace(0, np.pi / 4, 4))
    return np.concatenate([-t[::-1], t])


def rounded(w: float, h: float, r: float, n: int = 5) -> Array:
    """Closed rounded-rectangle profile (P, 2), anticlockwise."""
    out = []
    for k, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        for t in np.linspace(0, np.pi / 2, n):
            ang = k * np.pi / 2 + t
            out.append([sx * (w / 2 - r) + r * np.cos(ang), sy * (h / 2 - r) + r * np.sin(ang)])
    return np.array(out)


def circle(r: float, n: int = 96) -> Array:
    t = np.arange(n) * 2 * np.pi / n
    return r * np.stack([np.cos(t), np.sin(t)], -1)


def frames_along(path: Array, up: Array | Sequence[float]) -> tuple[Array, Array, Array]:
    """Tangents and two transported normals (N, 3) along a polyline."""
    d = np.gradient(path, axis=0)
    t = d / np.linalg.norm(d, axis=1, keepdims=True)
    n1 = np.empty_like(t)
    n0 = np.asarray(up, float)
    for i in range(len(t)):
        n0 = n0 - t[i] * (n0 @ t[i])
        n0 = unit(n0)
        n1[i] = n0
    return t, n1, np.cross(t, n1)


def sweep(
    name: str,
    material: str,
    profile: Array,
    path: Array | Sequence[Sequence[float]],
    up: Sequence[float] = (0, 0, 1),
    caps: bool = True,
) -> Mesh:
    """Closed profile (P, 2) along a path (N, 3); profile x runs along tangent x up, y along up."""
    path = np.asarray(path, float)
    _, n1, n2 = frames_along(path, up)
    k = len(profile)
    # Mitre: stretch across the bisector so that a box section keeps its size round a corner.
    seg = np.diff(path, axis=0)
    seg /= np.linalg.norm(seg, axis=1, keepdims=True)
    v = path[None] - profile[:, :1, None] * n2[None] + profile[:, 1:, None] * n1[None]
    closed = np.concatenate([v, v[:1]])
    per = np.concatenate(
        [[0], np.cumsum(np.linalg.norm(np.diff(np.vstack([profile, profile[:1]]), axis=0), axis=1))]
    )
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    uv = np.stack(np.meshgrid(per, length, indexing="ij"), -1).reshape(-1, 2)
    f = grid_faces(k + 1, len(path))
    parts = [Mesh(name, material, closed.reshape(-1, 3), f, uv)]
    if caps:
        for i, s in ((0, 1), (-1, -1)):
            ring = v[:, i]
            c = ring.mean(0)
            vv = np.vstack([ring, c])
            idx = np.arange(k)
            ff = np.stack([idx, (idx + 1) % k, np.full(k, k)], -1)[:, ::s]
            parts.append(Mesh(name, material, vv, ff, np.vstack([profile, [0, 0]])))
    return join(name, parts)


def bent(points: Sequence[Sequence[float]], clr: float, step: float = 6.0) -> Array:
    """A polyline whose inner corners are arcs of centre-line radius ``clr``, sampled densely."""
    p = np.asarray(points, float)
    out = [p[0]]
    last = p[0]
    for i in range(1, len(p) - 1):
        a, b = unit(p[i - 1] - p[i]), unit(p[i + 1] - p[i])
        ang = np.pi - np.arccos(np.clip(a @ b, -1, 1))
        setback = clr * np.tan(ang / 2)
        s, e = p[i] + a * setback, p[i] + b * setback
        centre = p[i] + unit(a + b) * (clr / np.cos(ang / 2))
        n = max(2, int(np.linalg.norm(s - last) / step))
        out += list(last + (s - last) * np.linspace(0, 1, n + 1)[1:, None])
        u0, u1 = s - centre, e - centre
        m = max(6, int(clr * ang / step))
        for w in np.linspace(0, 1, m + 1)[1:]:
            out.append(centre + (np.sin((1 - w) * ang) * u0 + np.sin(w * ang) * u1) / np.sin(ang))
        last = e
    n = max(2, int(np.linalg.norm(p[-1] - last) / step))
    out += list(last + (p[-1] - last) * np.linspace(0, 1, n + 1)[1:, None])
    return np.array(out)


def line(a: Sequence[float], b: Sequence[float], n: int = 2) -> Array:
    a, b = np.asarray(a, float), np.asarray(b, float)
    return a + (b - a) * np.linspace(0, 1, n)[:, None]


def tube(name: str, material: str, path: Array, od: float, n: int = 96) -> Mesh:
    t = unit(path[-1] - path[0])
    up = [0, 0, 1] if abs(t[2]) < 0.9 else [1, 0, 0]
    return sweep(name, material, circle(od / 2, n), path, up)


def disc(
    name: str,
    material: str,
    at: Sequence[float],
    normal: Sequence[float],
    r: float,
    r_in: float = 0.0,
    n: int = 40,
) -> Mesh:
    """A flat disc or ring."""
    z = unit(normal)
    x = unit(np.cross(z, [0.3, 0.5, 0.81]))
    y = np.cross(z, x)
    c = circle(1.0, n)
    c = np.vstack([c, c[:1]])
    d = c[:, :1] * x + c[:, 1:] * y
    v = np.stack([d * r_in, d * r], 1) + np.asarray(at, float)
    uv = np.stack([c * r_in, c * r], 1)
    return Mesh(name, material, v.reshape(-1, 3), grid_faces(n + 1, 2)[:, ::-1], uv.reshape(-1, 2))


def revolve(
    name: str,
    material: str,
    profile: Array,
    at: Sequence[float],
    axis: Sequence[float],
    n: int = 64,
    start: float = 0.0,
    stop: float = 2 * np.pi,
    x_axis: Sequence[float] | None = None,
) -> Mesh:
    """Profile (P, 2) of (radius, height along axis) turned about the axis."""
    z = unit(axis)
    x = unit(np.cross(z, [0.3, 0.5, 0.81]) if x_axis is None else x_axis)
    y = np.cross(z, x)
    ang = np.linspace(start, stop, n + 1)
    d = np.cos(ang)[:, None] * x + np.sin(ang)[:, None] * y
    v = d[:, None] * profile[None, :, :1] + z * profile[None, :, 1:] + np.asarray(at, float)
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(profile, axis=0), axis=1))])
    rad = max(float(profile[:, 0].max()), 1.0)
    uv = np.stack(np.meshgrid(ang * rad, arc, indexing="ij"), -1)
    return Mesh(
        name, material, v.reshape(-1, 3), grid_faces(n + 1, len(profile)), uv.reshape(-1, 2)
    )


def cylinder(
    name: str, material: str, a: Sequence[float], b: Sequence[float], r: float, bevel: float = 1.5
) -> Mesh:
    """A solid cylinder from a to b with rounded rims."""
    a, b = np.asarray(a, float), np.asarray(b, float)
    h = float(np.linalg.norm(b - a))
    bevel = min(bevel, r / 2, h / 3)
    q = np.linspace(0, np.pi / 2, 4)
    lo = np.stack([r - bevel + bevel * np.sin(q), bevel - bevel * np.cos(q)], -1)
    hi = np.stack([r - bevel + bevel * np.cos(q), h - bevel + bevel * np.sin(q)], -1)
    prof = np.vstack([[[0, 0]], lo, hi, [[0, h]]])
    return revolve(name, material, prof, a, b - a, 48)


def hit(mesh: Mesh, origin: Array, direction: Array) -> float | None:
    """Distance to the first triangle met by a ray (Moeller and Trumbore's test), or None."""
    e = mesh.v[mesh.f]
    e1, e2 = e[:, 1] - e[:, 0], e[:, 2] - e[:, 0]
    p = np.cross(direction, e2)
    det = np.einsum("ij,ij->i", e1, p)
    ok = np.abs(det) > 1e-12
    inv = np.where(ok, 1.0 / np.where(ok, det, 1.0), 0.0)
    s = origin - e[:, 0]
    u = np.einsum("ij,ij->i", s, p) * inv
    q = np.cross(s, e1)
    w = (q @ direction) * inv
    t = np.einsum("ij,ij->i", e2, q) * inv
    good = ok & (u >= -1e-9) & (w >= -1e-9) & (u + w <= 1 + 1e-9) & (t > 1e-6)
    return float(t[good].min()) if good.any() else None
