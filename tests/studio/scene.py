"""The demo scenario's shoots: the kit, where every marker is, what moved between the shoots.

Everything is drawn from named seeds, so the same code gives the same truth on every machine.
Meshes of the car are left to ``wren``, the phone to ``camera``, pixels to ``render``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

import texture
import wren
from camera import Shot, rng, shot
from mesh import (
    Array,
    Mesh,
    box,
    circle,
    cylinder,
    grid_faces,
    hit,
    line,
    rigid,
    rot,
    sheet,
    sweep,
    tube,
    unit,
)

ACROSS, ALONG = 0.997, 0.9985
INK_EDGE = 0.04
PAPER = 0.15
SHOOTS = ("cage_tacked", "cage_refit", "door_open", "door_shut")
MORE = {"cage_tacked_more": "cage_tacked"}
"""Further photos of a shoot, from stations of their own."""
CUFF = {
    45.0: dict(columns=7, rows=2, side=15.0, pitch=20.0),
    38.0: dict(columns=6, rows=2, side=15.0, pitch=20.0),
}


@dataclass(frozen=True)
class Marker:
    """A printed thing and where it is. ``pose`` is world_from_marker (4, 4)."""

    kind: str
    first: int
    part: str
    pose: Array
    side: float
    reach: float = 0.0
    name: str = ""
    od: float = 0.0
    tube: str = ""
    straight: int = 0
    skew: float = 0.0
    radius: float = 0.0
    note: str = ""

    @property
    def ids(self) -> list[int]:
        if self.kind != "cuff":
            return [self.first]
        c = CUFF[self.od]
        return list(range(self.first, self.first + c["columns"] * c["rows"]))

    def moved(self, t: Array) -> Marker:
        return replace(self, pose=t @ self.pose)

    def cell(self, mid: int) -> tuple[float, float]:
        """Nominal centre of one tag on the unrolled strip (round, along), mm."""
        if self.kind != "cuff":
            return 0.0, 0.0
        c = CUFF[self.od]
        r, j = divmod(mid - self.first, c["columns"])
        w = texture.cuff_extent(self.od, c["rows"], c["pitch"], c["side"])[0]
        return ((j + 0.5) / c["columns"] - 0.5) * w, ((c["rows"] - 1) / 2 - r) * c["pitch"]

    def surface(self, xy: Array) -> Array:
        """Nominal sheet coordinates (N, 2) to world (N, 3), printed scale and wrap included."""
        u, v = xy[:, 0] * ACROSS, xy[:, 1] * ALONG
        if self.kind != "cuff":
            local = np.stack([u, v, 0 * u], -1)
        else:
            a = np.deg2rad(self.skew)
            s, t = u * np.cos(a) - v * np.sin(a), u * np.sin(a) + v * np.cos(a)
            th = np.pi + s / self.radius
            local = np.stack([self.radius * np.cos(th), self.radius * np.sin(th), t], -1)
        return local @ self.pose[:3, :3].T + self.pose[:3, 3]

    def normal(self, mid: int) -> Array:
        """Outward normal (3) at a tag's centre, world."""
        cx, cy = self.cell(mid)
        p = self.surface(np.array([[cx, cy], [cx + 0.1, cy], [cx, cy + 0.1]]))
        return unit(np.cross(p[1] - p[0], p[2] - p[0]))

    def corners(self, mid: int) -> Array:
        """World corners (4, 3): top left, top right, bottom right, bottom left, without ink."""
        h = self.side / 2
        return self.surface(
            np.array(self.cell(mid)) + h * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        )

    def tip(self) -> Array:
        return self.surface(np.array([[0.0, -self.reach]]))[0]

    def paper(self) -> tuple[Mesh, texture.Sheet]:
        """The sheet as a mesh with unit texture coordinates (v up), and its print."""
        if self.kind == "cuff":
            c = CUFF[self.od]
            s = texture.cuff_sheet(
                self.first, self.od, c["columns"], c["rows"], c["side"], c["pitch"], INK_EDGE
            )
            nu, nv = 257, 3
        else:
            label = f"{self.part} {self.first:03d}"
            s = texture.flat_sheet(self.first, self.side, INK_EDGE, self.kind, self.reach, label)
            nu, nv = 2, 2
        u, v = np.linspace(0, 1, nu), np.linspace(0, 1, nv)
        uu, vv = np.meshgrid(u, v, indexing="ij")
        xy = np.stack([s.x0 + uu * (s.x1 - s.x0), s.y0 + vv * (s.y1 - s.y0)], -1).reshape(-1, 2)
        uv = np.stack([uu, vv], -1).reshape(-1, 2)
        m = Mesh(f"paper{self.first}", "paper", self.surface(xy), grid_faces(nu, nv), uv)
        return m, s


@dataclass(frozen=True)
class Shoot:
    """One shoot: its markers, meshes, shots, and what was done to the scene."""

    name: str
    markers: list[Marker]
    meshes: list[Mesh]
    shots: list[Shot]
    events: dict = field(default_factory=dict)
    tubes: list[dict] = field(default_factory=list)


# ---------------------------------------------------------------- sticking paper on things


def stick(
    m: Mesh,
    near: Array,
    normal: Array,
    up: Array,
    ext: tuple[float, ...],
    turn: float = 0.0,
    on: Array | None = None,
) -> Array:
    """world_from_tag of paper pressed on a surface: the plane that touches it from outside.

    ``near`` (3) is close to the surface, ``normal`` (3) points away from it, ``up`` is roughly +y;
    ``turn`` (degrees) the hand's error. ``ext`` x0, x1, y0, y1 of the paper.
    """
    n = unit(normal)
    tri = m.v[m.f]
    m = replace(m, f=m.f[((tri.min(1) < near + 110) & (tri.max(1) > near - 110)).all(1)])
    t = hit(m, np.asarray(near, float) + 60 * n, -n)
    if t is None:
        raise ValueError(f"no surface of {m.name} under {near}")
    p = np.asarray(near, float) + (60 - t) * n
    gx, gy = np.meshgrid(np.linspace(ext[0], ext[1], 7), np.linspace(ext[2], ext[3], 7))
    for _ in range(3):
        y = unit(np.asarray(up, float) - n * (n @ np.asarray(up, float)))
        y = rot(n, np.deg2rad(turn)) @ y
        x = np.cross(y, n)
        pts = p + gx.reshape(-1, 1) * x + gy.reshape(-1, 1) * y
        d = [hit(m, q + 40 * n, -n) for q in pts]
        got = np.array([v is not None for v in d])
        h = np.array([40 - v for v in d if v is not None])
        a = np.stack([gx.ravel()[got], gy.ravel()[got], np.ones(got.sum())], -1)
        c = np.linalg.lstsq(a, h, rcond=None)[0]
        if _ < 2:
            n = unit(n - c[0] * x - c[1] * y)
    lift = float((h - a[:, :2] @ c[:2]).max()) + 0.12
    return rigid(np.stack([x, y, n], -1), p + n * lift)


SHELL = [
    # id, mesh, near, normal, up, where
    (0, "floor", (-390, 8, 420), (0, 0, 1), (1, 0, 0), "rear floor, centre line"),
    (1, "floor", (1600, -6, 420), (0, 0, 1), (1, 0, 0), "tunnel, front"),
    (2, "floor", (600, 248, 270), (0, 0, 1), (1, 0, 0), "floor, left rear"),
    (3, "floor", (600, -252, 270), (0, 0, 1), (1, 0, 0), "floor, right rear"),
    (4, "floor", (1085, 452, 270), (0, 0, 1), (1, 0, 0), "floor, left middle"),
    (5, "floor", (1085, -548, 270), (0, 0, 1), (1, 0, 0), "floor, right middle"),
    (6, "floor", (1480, 348, 270), (0, 0, 1), (1, 0, 0), "floor, left front"),
    (7, "floor", (1480, -352, 270), (0, 0, 1), (1, 0, 0), "floor, right front"),
    (8, "floor", (185, 312, 420), (0, 0, 1), (1, 0, 0), "rear floor, left"),
    (9, "floor", (-100, -230, 420), (0, 0, 1), (1, 0, 0), "rear floor, right"),
    (10, "floor", (930, -2, 420), (0, 0, 1), (1, 0, 0), "tunnel, middle"),
    (11, "arch", (-40, 430, 545), (0, -1, 0), (0, 0, 1), "left arch"),
    (12, "arch_r", (-30, -430, 540), (0, 1, 0), (0, 0, 1), "right arch"),
    (13, "sill", (1030, 690, 338), (0, -1, 0), (0, 0, 1), "left sill"),
    (14, "sill_r", (1090, -690, 338), (0, 1, 0), (0, 0, 1), "right sill"),
    (15, "sill", (1520, 690, 340), (0, -1, 0), (0, 0, 1), "left sill, front"),
    (16, "sill_r", (1500, -690, 340), (0, 1, 0), (0, 0, 1), "right sill, front"),
    (17, "quarter", (480, 690, 640), (0, -1, 0), (0, 0, 1), "left quarter"),
    (18, "quarter_r", (480, -690, 640), (0, 1, 0), (0, 0, 1), "right quarter"),
    (19, "quarter", (-420, 690, 720), (0, -1, 0), (0, 0, 1), "left rear quarter"),
    (20, "quarter_r", (-420, -690, 720), (0, 1, 0), (0, 0, 1), "right rear quarter"),
    (21, "firewall", (1900, 380, 620), (-1, 0, 0), (0, 0, 1), "firewall, left"),
    (22, "firewall", (1900, -270, 600), (-1, 0, 0), (0, 0, 1), "firewall, right"),
    (23, "roof_rail", (930, 555, 1304), (0, -1, 0), (0, 0, 1), "left roof rail"),
    (24, "roof_rail_r", (960, -555, 1304), (0, 1, 0), (0, 0, 1), "right roof rail"),
    (25, "roof_rail", (150, 555, 1302), (0, -1, 0), (0, 0, 1), "left roof rail, rear"),
    (26, "roof_rail_r", (170, -555, 1302), (0, 1, 0), (0, 0, 1), "right roof rail, rear"),
    (27, "bpillar", (700, 680, 600), (0, -1, 0), (0, 0, 1), "left pillar"),
    (28, "bpillar_r", (700, -680, 600), (0, 1, 0), (0, 0, 1), "right pillar"),
    (29, "sill_r", (1450, -736, 400), (0, 0, 1), (0, 1, 0), "right sill, top"),
]
DATUM = {"rear": 0, "front": 1, "right": 28, "left": 27}
SHELL_POINTERS = [
    (40, "floor", (760, 152, 270), (0, 0, 1), (1, 0, 0), "seat mount left"),
    (41, "floor", (1140, -155, 270), (0, 0, 1), (-1, 0, 0), "seat mount right"),
    (42, "quarter_r", (560, -690, 740), (0, 1, 0), (0, 0, 1), "belt hole right"),
]
TRIM = [
    (50, 850, 800),
    (51, 1080, 805),
    (52, 1500, 806),
    (53, 1420, 665),
    (54, 1665, 775),
    (55, 830, 562),
    (56, 1040, 560),
    (57, 1312, 482),
]
LIPS = [
    (64, 950.0, 1, "upper lip 1"),
    (65, 1235.0, 1, "upper lip 2"),
    (66, 1530.0, 1, "upper lip 3"),
    (67, 985.0, -1, "lower lip 1"),
    (68, 1420.0, -1, "lower lip 2"),
]
RULES = [(90, 91, 800.0), (92, 93, 900.0)]
# tube, straight, distance along the straight from its start as a share, first id, seam (degrees)
CUFFS = [
    ("main hoop", 1, 0.255, 100, 100.0),
    ("main hoop", 1, 0.885, 114, 80.0),
    ("main hoop", 2, 0.22, 128, 170.0),
    ("main hoop", 2, 0.78, 142, 190.0),
    ("main hoop", 3, 0.115, 156, 260.0),
    ("main hoop", 3, 0.715, 170, 280.0),
    ("left stay", 1, 0.27, 190, 200.0),
    ("left stay", 1, 0.76, 202, 160.0),
    ("right stay", 1, 0.25, 214, 170.0),
    ("right stay", 1, 0.78, 226, 190.0),
    ("harness bar", 1, 0.175, 238, 200.0),
    ("harness bar", 1, 0.74, 250, 170.0),
    ("diagonal", 1, 0.155, 262, 180.0),
    ("diagonal", 1, 0.66, 274, 200.0),
    ("door bar", 1, 0.25, 286, 90.0),
    ("door bar", 1, 0.86, 298, 90.0),
    ("door bar", 2, 0.14, 310, 90.0),
    ("door bar", 2, 0.70, 322, 90.0),
]
STUB = "door bar seat"
STUBS = [(1, 0.55, 300.0, 340, 352), (2, 0.345, 280.0, 364, 376)]


def rule_length(k: int) -> tuple[float, float]:
    """True centre distance of rule k and what the tape said, mm."""
    g = rng("rule", k)
    true = RULES[k][2] + g.uniform(-0.8, 0.8)
    return true, round(true + g.normal(0, 0.2), 1)


def straights(points: list[Array], clr: float) -> list[tuple[Array, Array]]:
    """Start and end (3) of every straight of a bent bar."""
    p = [np.asarray(v, float) for v in points]
    cut = [0.0] * len(p)
    for i in range(1, len(p) - 1):
        a, b = unit(p[i - 1] - p[i]), unit(p[i + 1] - p[i])
        cut[i] = clr * np.tan((np.pi - np.arccos(a @ b)) / 2)
    return [
        (p[i] + unit(p[i + 1] - p[i]) * cut[i], p[i + 1] - unit(p[i + 1] - p[i]) * cut[i + 1])
        for i in range(len(p) - 1)
    ]


# ---------------------------------------------------------------- what moved


@dataclass(frozen=True)
class CageMove:
    """Weld pull, then a rigid motion. Pull: legs' feet towards each other, fading upwards."""

    world_from_drawn: Array
    foot_pull_mm: float

    def __call__(self, p: Array) -> Array:
        p = np.asarray(p, float)
        down = np.clip((1245.0 - p[:, 2]) / 970.0, 0, 1.2)
        near = np.exp(-(((p[:, 0] - 640.0) / 420.0) ** 2))
        q = p.copy()
        q[:, 1] -= self.foot_pull_mm * np.tanh(p[:, 1] / 250.0) * down**2 * near
        t = self.world_from_drawn
        return q @ t[:3, :3].T + t[:3, 3]


def cage_move(refit: bool) -> CageMove:
    if not refit:
        return CageMove(np.eye(4), 0.0)
    centre = np.array([500.0, 0.0, 800.0])
    r = rot((0.5, -0.3, 0.8), np.deg2rad(0.15))
    return CageMove(rigid(r, centre - r @ centre + [2.1, -0.8, 1.4]), 0.6)


def cuff(
    tube_name: str,
    straight: int,
    a: Array,
    b: Array,
    share: float,
    first: int,
    seam: float,
    od: float,
    part: str,
    move: Callable[[Array], Array],
) -> Marker:
    """A cuff wrapped at a share of a straight, with the hand's skew and the paper's looseness."""
    g = rng("cuff", first)
    c = a + (b - a) * share
    d = unit(b - a)
    p = move(np.stack([c, c - 20 * d, c + 20 * d]))
    z = unit(p[2] - p[1])
    ref = np.array([0, 0, 1.0]) if abs(z[2]) < 0.8 else np.array([1.0, 0, 0])
    x0 = unit(ref - z * (z @ ref))
    x = rot(z, np.deg2rad(seam + g.normal(0, 4))) @ x0
    skew = float(np.clip(g.normal(0, 0.3), -0.7, 0.7))
    loose = float(min(abs(g.normal(0, 0.03)), 0.08))
    return Marker(
        "cuff",
        first,
        part,
        rigid(np.stack([x, np.cross(z, x), z], -1), p[0]),
        CUFF[od]["side"],
        od=od,
        tube=tube_name,
        straight=straight,
        skew=skew,
        radius=od / 2 + PAPER + loose,
    )


def cage(refit: bool) -> tuple[list[Marker], list[dict]]:
    move = cage_move(refit)
    marks, tubes = [], []
    for name, (pts, clr) in wren.cage_points().items():
        for k, (a, b) in enumerate(straights(pts, clr), 1):
            tubes.append(_axis(name, k, "cage", a, b, move))
            for n, st, share, first, seam in CUFFS:
                if n == name and st == k:
                    marks.append(cuff(n, k, a, b, share, first, seam, wren.OD[n], "cage", move))
    return marks, tubes


def _axis(name: str, k: int, part: str, a: Array, b: Array, move: Callable[[Array], Array]) -> dict:
    """Best line through a straight after it moved, and how far it bends off that line."""
    p = move(line(a, b, 81))
    c = p.mean(0)
    d = np.linalg.svd(p - c)[2][0]
    d *= np.sign(d @ (p[-1] - p[0]))
    off = (p - c) - np.outer((p - c) @ d, d)
    return dict(
        tube=name,
        straight=k,
        part=part,
        point=c.tolist(),
        direction=d.tolist(),
        start=p[0].tolist(),
        end=p[-1].tolist(),
        bow_mm=float(np.linalg.norm(off, axis=1).max()),
    )


# ---------------------------------------------------------------- the parts


def shell_markers(meshes: list[Mesh], knocked: bool) -> list[Marker]:
    by = {m.name: m for m in meshes}
    out = []
    for mid, mesh, near, normal, up, where in SHELL:
        g = rng("stick", mid)
        flip = 180.0 if mid in (4, 9, 16) else 0.0
        pose = stick(
            by[mesh],
            np.array(near),
            np.array(normal),
            np.array(up),
            texture.flat_extent(40.0),
            g.normal(0, 3.0) + flip,
        )
        if knocked and mid == KNOCKED:
            pose = pose @ rigid(rot((0, 0, 1), np.deg2rad(1.2)), [2.6, 1.5, 0.0])
        out.append(Marker("tag", mid, "shell", pose, 40.0, note=where))
    for mid, mesh, near, normal, up, name in SHELL_POINTERS:
        pose = stick(
            by[mesh],
            np.array(near),
            np.array(normal),
            np.array(up),
            texture.flat_extent(20.0, "pointer", 25.0),
            rng("stick", mid).normal(0, 2),
        )
        out.append(Marker("pointer", mid, "shell", pose, 20.0, 25.0, name))
    return out


KNOCKED = 4


def trim_markers(trim: Mesh) -> list[Marker]:
    """Tags and pointers on the door's trim, door shut."""
    out = []
    for mid, x, z in TRIM:
        pose = stick(
            trim,
            np.array([x, 606, z]),
            np.array([0, -1.0, 0]),
            np.array([0, 0, 1.0]),
            texture.flat_extent(30.0),
            rng("stick", mid).normal(0, 3),
        )
        out.append(Marker("tag", mid, "trim", pose, 30.0))
    for mid, x, s, name in LIPS:
        k = 0 if x < wren.GROOVE[1, 0] else 1
        a, b = wren.GROOVE[k], wren.GROOVE[k + 1]
        d = unit(b - a)
        n = np.array([-d[1], d[0]]) * s
        lip = a + d * ((x - a[0]) / d[0]) + n * (wren.GROOVE_R + 0.3)
        c = lip + n * 25.0 * ALONG
        pose = stick(
            trim,
            np.array([c[0], 606, c[1]]),
            np.array([0, -1.0, 0]),
            np.array([n[0], 0, n[1]]),
            texture.flat_extent(20.0, "pointer", 25.0),
        )
        out.append(Marker("pointer", mid, "trim", pose, 20.0, 25.0, name))
    return out


def seat_line(straight: int) -> tuple[Array, Array]:
    """The seated axis with the door shut: the stub rests in the groove's bottom."""
    y = wren.GROOVE_Y + wren.GROOVE_R - wren.STUB_R - PAPER - 0.1
    p = np.stack([wren.GROOVE[:, 0], np.full(3, y), wren.GROOVE[:, 1]], -1)
    return p[straight - 1], p[straight]


def stub(k: int) -> tuple[Array, Array]:
    """Ends of stub k, door shut; it lies a trifle askew in the moulding."""
    straight, share, length, *_ = STUBS[k]
    a, b = seat_line(straight)
    d = unit(b - a)
    c = a + (b - a) * share
    g = rng("stub", k)
    ends = np.stack([c - d * length / 2, c + d * length / 2])
    return tuple(ends + np.stack([g.normal(0, 0.15, 3), g.normal(0, 0.15, 3)]) * [0.3, 0.3, 1])


def stub_parts() -> tuple[list[Mesh], list[Marker], list[dict]]:
    meshes, marks, tubes = [], [], []
    for k, (straight, _, length, f0, f1) in enumerate(STUBS):
        a, b = stub(k)
        n = 24
        meshes.append(tube(f"stub{straight}", "bright", line(a, b, n), 38.0))
        for first, s in ((f0, 0.20), (f1, 0.80)):
            marks.append(
                cuff(STUB, straight, a, b, s, first, 90.0 + 90.0, 38.0, "trim", lambda p: p)
            )
        for s in (0.44, 0.56) if length > 290 else (0.5,):
            meshes.append(_tape(a + (b - a) * s, unit(b - a)))
        tubes.append(_axis(STUB, straight, "trim", a, b, lambda p: p))
    return meshes, marks, tubes


def _tape(c: Array, d: Array) -> Mesh:
    """Masking tape over a stub, ends pressed on the trim."""
    w = 12.0
    x = unit(np.cross(d, [0, 1.0, 0]))
    t = np.linspace(-1.9, 1.9, 41)
    arc = np.stack([19.3 * np.sin(t), -19.3 * np.cos(t)], -1)
    keep = arc[:, 1] < -(c[1] - 605.2) + 6.0
    arc = arc[keep]
    left = np.array([[-34.0, 605.2 - c[1]], [-22.0, 604.2 - c[1]]])
    prof = np.vstack([left, arc, left[::-1] * [-1, 1]])
    u = np.arange(len(prof)) * 1.0
    v = np.array([-w, 0, w])
    p = c + prof[:, None, :1] * x + prof[:, None, 1:] * np.array([0, 1.0, 0]) + v[None, :, None] * d
    uv = np.stack(np.meshgrid(u * 2, v, indexing="ij"), -1)
    return Mesh("tape", "tape", p.reshape(-1, 3), grid_faces(len(prof), 3), uv.reshape(-1, 2))


# Foot on the floor, leaning on the scuttle's rear edge.
LEAN = ((1610, 425, 680), (0.612, 0.01, 0.791), (-0.791, 0.0, 0.612))
LAMP_AT, LAMP_N = (1690.0, -250.0, 385.0), (-0.86, 0.12, 0.5)
RULE_AT = {
    # centre, direction, normal of the bar's face
    "cage_tacked": [
        ((1080, -352, 326), (1, 0.02, 0), (0, 0, 1)),
        ((240, 30, 426.6), (1, -0.03, 0), (0, 0, 1)),
    ],
    "cage_refit": [
        ((1085, 330, 326), (1, -0.03, 0), (0, 0, 1)),
        ((255, -35, 426.6), (1, 0.04, 0), (0, 0, 1)),
    ],
    "door_open": [((1200, 737, 400.6), (-1, 0.004, 0), (0, 0, 1)), LEAN],
    "door_shut": [
        ((1015, 375, 326), (1, 0.006, 0), (0, 0, 1)),
        ((1132, 260, 326), (1, 0.01, 0), (0, 0, 1)),
    ],
}


def rules(shoot: str) -> tuple[list[Mesh], list[Marker]]:
    meshes, marks = [], []
    for k, (c, d, n) in enumerate(RULE_AT[shoot]):
        i, j, _ = RULES[k]
        true = rule_length(k)[0]
        c, d, n = np.array(c, float), unit(d), unit(n)
        y = np.cross(n, d)
        meshes.append(
            box(f"rule{k}", "alu", (true + 78, 64, 4), c + 2 * n, np.stack([d, y, n], -1), 0.8)
        )
        for mid, s in ((i, -1), (j, 1)):
            g = rng("stick", mid)
            a = np.deg2rad(g.normal(0, 1.5))
            x = d * np.cos(a) + y * np.sin(a)
            pose = rigid(np.stack([x, np.cross(n, x), n], -1), c + d * s * true / 2 + n * 4.12)
            marks.append(Marker("tag", mid, "loose", pose, 40.0))
    return meshes, marks


def clutter(shoot: str) -> tuple[list[Mesh], dict]:
    """Work lamp, things left in the car; in the first shoot a cable and a rag hide tags in part."""
    out, ev = [], {}
    n = unit(LAMP_N)
    y = unit(np.cross([0, 0, 1.0], n))
    r = np.stack([n, y, np.cross(n, y)], -1)
    out.append(box("lampbody", "yellow", (56, 250, 190), np.array(LAMP_AT) - 29.5 * n, r, bevel=10))
    out.append(
        box("lampfoot", "steelbar", (150, 200, 16), (LAMP_AT[0] + 20, LAMP_AT[1], 283), bevel=4)
    )
    out += [
        cylinder("roll", "tape_roll", (480, -560, 270), (480, -560, 295), 48, 2),
        box("marker_pen", "blue", (130, 14, 14), (1150, -210, 278), rot((0, 0, 1), 0.7), bevel=6),
        box("spanner", "bright", (190, 22, 7), (760, -430, 280), rot((0, 0, 1), -0.5), bevel=3),
    ]
    if shoot == "cage_tacked":
        pts = [
            (1780, -330, 282),
            (1560, -520, 278),
            (1250, -560, 338),
            (1000, -470, 330),
            (780, -240, 281),
            (640, -262, 280),
            (540, -238, 282),
            (420, -330, 290),
            (300, -340, 428),
            (-150, -300, 430),
            (-560, -250, 434),
        ]
        out.append(sweep("cable", "cable", circle(4.6, 16), _spline(pts)))
        out.append(_rag(np.array([1222.0, -684.0, 352.0])))
        ev["occluded_tags"] = [{"id": 3, "by": "cable"}, {"id": 14, "by": "rag"}]
    else:
        pts = [
            (1780, -330, 282),
            (1600, -600, 279),
            (1250, -640, 338),
            (915, -640, 336),
            (600, -620, 280),
            (420, -600, 300),
        ]
        out.append(sweep("cable", "cable", circle(4.6, 16), _spline(pts)))
    return out, ev


def _spline(pts: list[tuple[float, float, float]]) -> Array:
    """Catmull-Rom curve through the points."""
    p = np.array([pts[0], *pts, pts[-1]], float)
    out = []
    for i in range(1, len(p) - 2):
        t = np.linspace(0, 1, 24, endpoint=False)[:, None]
        a, b, c, d = p[i - 1], p[i], p[i + 1], p[i + 2]
        out.append(
            0.5
            * (
                2 * b
                + (c - a) * t
                + (2 * a - 5 * b + 4 * c - d) * t**2
                + (3 * b - a - 3 * c + d) * t**3
            )
        )
    return np.vstack([*out, p[-1:]])


def _rag(at: Array) -> Mesh:
    """A cloth hung over the right sill's inner edge."""
    n1 = texture.noise(31, 128, 1.6)
    u = np.linspace(-130, 60, 100)
    v = np.linspace(-150, 190, 120)

    def fn(uu: Array, vv: Array) -> Array:
        i = ((uu + 200) / 3).astype(int) % 128
        j = ((vv + 200) / 3).astype(int) % 128
        w = 5.0 * n1[i, j] + 7 * np.sin(uu / 17 + vv / 60)
        drop = np.maximum(vv, 0)
        top = np.minimum(vv, 0)
        bend = 9 * np.exp(-np.abs(vv) / 15)
        return np.stack(
            [
                at[0] + uu + 0.15 * vv,
                at[1] + top + 7 + np.maximum(w, -5) * (drop > 0) * 0.9 - bend * 0.3,
                402
                + 6
                - drop * (0.62 + 0.12 * np.sin(uu / 40))
                + np.maximum(w, -4) * (top < 0) * 0.8
                + 0 * uu,
            ],
            -1,
        )

    return sheet("rag", "rag", fn, u, v)


# ---------------------------------------------------------------- shoots

DOOR_ANGLE = {"cage_tacked": 58.0, "cage_refit": 71.0, "door_open": 65.0, "door_shut": 0.0}


def build(name: str) -> Shoot:
    """The whole scene of a shoot."""
    if name in MORE:
        return replace(build(MORE[name]), name=name, shots=shots(name))
    refit = name != "cage_tacked"
    move = cage_move(refit)
    shell = wren.shell()
    marks = shell_markers(shell, knocked=refit)
    cage_marks, tubes = cage(refit)
    door = wren.door_meshes()
    trim = next(m for m in door if m.name == "trim")
    tm = trim_markers(trim)
    turn = wren.door_turn(DOOR_ANGLE[name])
    if name == "door_open":
        sm, sk, st = stub_parts()
        door, tm = door + sm, tm + sk
        tubes += [_turned(t, turn) for t in st]
    rm, rk = rules(name)
    cm, ev = clutter(name)
    meshes = shell + wren.cage_meshes(move) + [m.moved(turn) for m in door] + wren.shed() + rm + cm
    marks = marks + cage_marks + [m.moved(turn) for m in tm] + rk
    ev |= {
        "door_angle_deg": DOOR_ANGLE[name],
        "hinge_point": wren.HINGE.tolist(),
        "hinge_axis": wren.HINGE_AXIS.tolist(),
        "world_from_door_shut": turn.tolist(),
        "stubs_in_recess": name == "door_open",
        "cage_world_from_tacked": move.world_from_drawn.tolist(),
        "cage_foot_pull_each_mm": move.foot_pull_mm,
        "knocked_tags": [{"id": KNOCKED, "shift_in_tag_mm": [2.6, 1.5, 0.0], "turn_deg": 1.2}]
        if refit
        else [],
    }
    return Shoot(name, marks, meshes, shots(name), ev, tubes)


def _turned(t: dict, m: Array) -> dict:
    out = dict(t)
    for k in ("point", "start", "end"):
        out[k] = (m[:3, :3] @ np.array(t[k]) + m[:3, 3]).tolist()
    out["direction"] = (m[:3, :3] @ np.array(t["direction"])).tolist()
    return out


STATIONS: dict[str, list[tuple]] = {
    # eye, target, portrait
    "cage": [
        ((1260, 1480, 1130), (560, 0, 790), False),
        ((1150, 1050, 980), (760, -280, 660), True),
        ((1560, 1250, 1080), (1080, -80, 420), False),
        ((880, 1650, 1080), (1000, 0, 680), False),
        ((1290, -1460, 1120), (540, 0, 790), False),
        ((1130, -1040, 960), (760, 300, 660), True),
        ((1540, -1280, 1080), (1060, 120, 440), False),
        ((850, -1600, 1100), (1020, 100, 680), False),
        ((-1330, 250, 1450), (150, 0, 600), True),
        ((-1200, -420, 1320), (60, 100, 480), False),
        ((-1060, 430, 1250), (200, -330, 560), False),
        ((-1050, -480, 1200), (250, 380, 620), False),
        ((2230, 150, 1400), (700, 0, 600), False),
        ((1960, -420, 1280), (600, 120, 620), True),
        ((1950, 430, 1450), (1080, -150, 400), False),
        ((1450, 320, 960), (250, -330, 900), False),
        ((1470, -340, 950), (250, 300, 890), False),
        ((330, -160, 1150), (1500, 60, 470), False),
    ],
    "cage_tacked_more": [
        ((1430, 1380, 1220), (820, -60, 560), False),
        ((980, 1240, 900), (620, -120, 760), True),
        ((1400, -1400, 1200), (800, 60, 560), False),
        ((960, -1220, 920), (640, 120, 740), True),
        ((-1260, -120, 1380), (120, 40, 540), False),
        ((-1120, 120, 1180), (180, -60, 640), True),
        ((2080, -160, 1360), (860, 60, 520), False),
        ((1560, 40, 1040), (250, 20, 820), False),
        ((420, 200, 1180), (1420, -80, 440), False),
    ],
    "door_open": [
        ((700, 1500, 1150), (1560, 1000, 600), False),
        ((520, 1250, 950), (1560, 1000, 600), False),
        ((900, 1150, 760), (1560, 1150, 620), False),
        ((860, 1380, 1150), (1540, 1150, 600), True),
        ((760, 1750, 1050), (1330, 850, 500), False),
        ((1020, 1000, 1020), (1600, 1150, 620), True),
        ((620, 1020, 1250), (1600, 1000, 540), False),
        ((900, 1850, 980), (1300, 900, 520), False),
        ((700, 1900, 1400), (1250, 750, 420), False),
        ((1060, 250, 1080), (1560, 1050, 560), False),
        ((980, 1480, 1450), (1330, 680, 420), True),
        ((1180, -150, 1130), (1520, 850, 500), False),
    ],
    "door_shut": [
        ((1150, -700, 1000), (1230, 600, 560), False),
        ((820, -560, 1080), (1330, 600, 560), False),
        ((1500, -560, 1050), (1000, 600, 560), False),
        ((1150, -250, 1080), (1180, 600, 600), False),
        ((1320, -300, 640), (1130, 600, 600), False),
        ((1000, -1100, 1200), (1150, 500, 480), False),
        ((1950, -150, 1250), (1050, 550, 520), False),
        ((250, -100, 1120), (1300, 560, 480), False),
        ((1250, -60, 1150), (1280, 600, 520), True),
        ((950, -350, 700), (1300, 600, 620), False),
        ((1650, -200, 900), (1000, 600, 600), False),
        ((760, -1000, 900), (1350, 450, 520), False),
    ],
}
START = {
    "board": ("2031-03-14 09:12:20", 11),
    "cage_tacked": ("2031-03-14 10:41:05", 38),
    "cage_tacked_more": ("2031-03-14 10:44:49", 57),
    "cage_refit": ("2031-03-21 16:22:40", 143),
    "door_open": ("2031-03-21 16:55:12", 166),
    "door_shut": ("2031-03-21 17:09:31", 183),
}


def photo_name(shoot: str, k: int) -> str:
    return f"P{1040000 + START[shoot][1] + k + (1 if k > 6 else 0)}.jpg"


def shots(name: str) -> list[Shot]:
    key = name if name in STATIONS else "cage"
    out = []
    order = list(range(len(STATIONS[key])))
    g = rng("stations", name)
    for k, i in enumerate(order):
        eye, target, portrait = STATIONS[key][i]
        wander = g.normal(0, 45 if name == "cage_refit" else 8, 3)
        blur = 2.6 if (name, k) in {("cage_tacked", 9), ("cage_refit", 3)} else None
        out.append(
            shot(
                name,
                k,
                photo_name(name, k),
                np.array(eye, float) + wander,
                np.array(target, float),
                portrait,
                blur_px=blur,
            )
        )
    return out


# ---------------------------------------------------------------- the board

BOARD = dict(columns=7, rows=10, square=26.0, marker=19.0)


def board_points() -> Array:
    """All chessboard corners (8 * 11, 3) in the board's frame: x right, y down, printed scale."""
    c, r, s = BOARD["columns"], BOARD["rows"], BOARD["square"]
    i, j = np.meshgrid(np.arange(c + 1), np.arange(r + 1))
    return np.stack([i * s * ACROSS, j * s * ALONG, 0.0 * i], -1).reshape(-1, 3)


BENT = 11  # the photo whose sheet had come off its plate at a corner


def lift(xy: Array) -> Array:
    """How far (mm) the loosened sheet stands off the plate at board coordinates (N, 2)."""
    w, h = BOARD["columns"] * BOARD["square"], BOARD["rows"] * BOARD["square"]
    t = np.clip(((w - xy[:, 0]) / w + (h - xy[:, 1]) / h - 0.75) / 1.25, 0, 1.3)
    return 14.0 * t**2


def world_from_board() -> Array:
    """The board lies on the bench, tipped up on a block; x right, y down, z into the paper."""
    w, h = BOARD["columns"] * BOARD["square"] * ACROSS, BOARD["rows"] * BOARD["square"] * ALONG
    n = unit([0, 0.25, 1.0])
    x = unit(np.cross([0, 1.0, 0], [0, 0, 1.0]) * -1)
    x = unit(np.array([-1.0, 0.03, 0]) - n * (n @ np.array([-1.0, 0.03, 0])))
    y = -np.cross(n, x)
    centre = np.array([1150.0, -2520.0, 960.0])
    return rigid(np.stack([x, y, np.cross(x, y)], -1), centre - x * w / 2 - y * h / 2)


def board_scene(bent: bool = False) -> Shoot:
    t = world_from_board()
    s = texture.board_sheet(ink=INK_EDGE, cols=7, rows=10, square=26.0, marker=19.0)
    centre = t[:3, 3] + t[:3, 0] * 91 * ACROSS + t[:3, 1] * 130 * ALONG
    n = -t[:3, 2]
    r = np.stack([t[:3, 0], -t[:3, 1], n], -1)
    plate = box("plate", "alu", (228, 318, 4), centre - n * 2.15, r, 0.8)
    block = box(
        "block",
        "timber",
        (120, 90, 44),
        [centre[0] + 20, centre[1] - 60, 932],
        rot((0, 0, 1), 0.1),
        4,
    )
    return Shoot(
        "board",
        [],
        [*wren.shed(), plate, block],
        board_shots(centre, r),
        {"sheet": s, "r": r, "centre": centre, "bent": bent},
    )


def board_shots(centre: Array, r: Array) -> list[Shot]:
    """Fourteen views: tilts up to 45 degrees, rotations, all corners of the frame."""
    # tilt, direction of tilt, roll, distance, aim offset (share of half frame)
    plan = [
        (4, 0, 0, 480, 0, 0),
        (28, 20, 6, 520, 0.25, 0.2),
        (32, 140, 90, 540, -0.3, 0.25),
        (38, 250, 12, 560, 0.3, -0.3),
        (44, 70, -8, 580, -0.1, 0),
        (20, 200, 178, 620, 0.5, 0.45),
        (25, 310, 84, 640, -0.5, -0.45),
        (15, 100, 2, 650, 0.55, -0.5),
        (35, 180, -12, 600, -0.55, 0.5),
        (42, 0, 95, 560, 0.2, 0.1),
        (30, 280, -88, 520, 0, -0.2),
        (10, 45, 45, 560, 0, 0),
        (26, 60, 3, 600, 0, 0.1),
        (36, 330, 40, 560, 0.1, 0),
    ]
    out = []
    for k, (tilt, az, roll, dist, ox, oy) in enumerate(plan):
        a, e = np.deg2rad(az), np.deg2rad(tilt)
        dist *= 0.82
        d = r @ np.array([np.sin(e) * np.cos(a), np.sin(e) * np.sin(a), np.cos(e)])
        eye = centre + d * dist
        f = -d
        up = r[:, 1]
        right = unit(np.cross(f, up))
        down = np.cross(f, right)
        c, s_ = np.cos(np.deg2rad(roll)), np.sin(np.deg2rad(roll))
        x, y = c * right + s_ * down, -s_ * right + c * down
        eye = eye - x * ox * dist * 0.85 - y * oy * dist * 0.42
        pose = np.eye(4)
        pose[:3, :3] = np.stack([x, y, f])
        pose[:3, 3] = -pose[:3, :3] @ eye
        base = shot(
            "board",
            k,
            f"board_{k + 1:02d}.jpg",
            eye,
            centre,
            False,
            focus_mm=dist * 1.0,
            shake_mm=0.0,
            blur_px=None,
        )
        out.append(replace(base, cam_from_world=pose, portrait=False))
    return out


# ---------------------------------------------------------------- kit


def kit_toml() -> str:
    """The kit as a person would write it: nominal sizes, the tape's reading, no printer's scale."""
    s = [
        "# The kit of the demo shoots. Sizes are nominal: the printer's scale was never checked.\n"
    ]
    for mid, *_, where in SHELL:
        s.append(f'[[tag]]\nid = {mid}\nside_mm = 40.0\npart = "shell"  # {where}\n')
    for mid, *_ in TRIM:
        s.append(f'[[tag]]\nid = {mid}\nside_mm = 30.0\npart = "trim"\n')
    for i, j, _ in RULES:
        s += [f'[[tag]]\nid = {m}\nside_mm = 40.0\npart = "loose"\n' for m in (i, j)]
    for mid, *_, name in SHELL_POINTERS:
        s.append(_pointer(mid, "shell", name))
    for mid, _, _, name in LIPS:
        s.append(_pointer(mid, "trim", name))
    for name, st, _, first, _ in CUFFS:
        s.append(_cuff(first, wren.OD[name], "cage", name, st))
    for st, _, _, f0, f1 in STUBS:
        s += [_cuff(f, 38.0, "trim", STUB, st) for f in (f0, f1)]
    for k, (i, j, _) in enumerate(RULES):
        s.append(f"[[rule]]\nids = [{i}, {j}]\nlength_mm = {rule_length(k)[1]}\nu_mm = 0.2\n")
    s.append(
        "# X runs from rear to front, Z is X x (right to left), the origin is midway rear to front."
    )
    s.append("[datum]\n" + "\n".join(f"{k} = {v}" for k, v in DATUM.items()) + "\n")
    return "\n".join(s)


def _pointer(mid: int, part: str, name: str) -> str:
    return (
        f"[[pointer]]\nid = {mid}\nside_mm = 20.0\nreach_mm = 25.0\n"
        f'part = "{part}"\nname = "{name}"\n'
    )


def _cuff(first: int, od: float, part: str, name: str, straight: int) -> str:
    c = CUFF[od]
    return (
        f"[[cuff]]\nfirst_id = {first}\nod_mm = {od}\n"
        f"columns = {c['columns']}\nrows = {c['rows']}\n"
        f'side_mm = {c["side"]}\nrow_pitch_mm = {c["pitch"]}\npart = "{part}"\ntube = "{name}"\n'
        f"straight = {straight}\n"
    )
