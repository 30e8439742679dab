"""The Wren's stripped shell, its door, its half cage and the shed, as meshes.

Car axes: X forward, Y left, Z up, origin on the shed's floor midway between the rear wheels.
Markers, poses and shoots are left to ``scene``; colours and lamps to ``render``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from mesh import (
    Array,
    Mesh,
    bent,
    box,
    circle,
    cylinder,
    disc,
    join,
    line,
    revolve,
    rigid,
    rot,
    rounded,
    sheet,
    sweep,
    tube,
    unit,
)

HINGE = np.array([1800.0, 748.0, 640.0])
HINGE_AXIS = unit([0.018, -0.012, 1.0])
PAPER = 0.15
GROOVE = np.array([[640.0, 700.0], [1150.0, 640.0], [1700.0, 405.0]])  # x, z of the recess's line
GROOVE_Y, GROOVE_R, STUB_R = 603.0, 21.0, 19.0


def step(x: Array, a: float, b: float) -> Array:
    t = np.clip((x - a) / (b - a), 0, 1)
    return t * t * (3 - 2 * t)


def pulse(x: Array, a: float, b: float, soft: float) -> Array:
    return step(x, a - soft, a + soft) * (1 - step(x, b - soft, b + soft))


def floor_z(x: Array, y: Array) -> Array:
    """Height of the pressed floor pan: tunnel, kick-up, toe board, swages."""
    base = 420 - 150 * step(x, 320, 410) + 160 * step(x, 1690, 1910)
    tunnel = 420 * np.ones_like(x) * (1 - step(np.abs(y), 74, 122)) + 0.0
    low = 270 + 0 * x
    tz = low + (tunnel - low) * (1 - step(np.abs(y), 74, 122))
    z = np.maximum(base, tz * (x > 320) + base * (x <= 320))
    for x0, x1 in ((440, 850), (980, 1190), (1320, 1640)):
        for y0 in (200, 300, 400, 500, 600):
            z = z + 5.5 * pulse(x, x0, x1, 12) * pulse(np.abs(y), y0 - 11, y0 + 11, 6)
    for x0 in (-400, -180, 40):
        z = z + 6.0 * pulse(x, x0 - 12, x0 + 12, 7) * pulse(np.abs(y), 60, 360, 12)
    return z


def groove_depth(x: Array, z: Array) -> Array:
    """Distance (mm) from the recess's two-piece line, in the trim's plane."""
    d = np.full(np.shape(x), np.inf)
    for a, b in zip(GROOVE[:-1], GROOVE[1:], strict=True):
        ab = b - a
        t = np.clip(((x - a[0]) * ab[0] + (z - a[1]) * ab[1]) / (ab @ ab), -1, 2)
        t = np.clip(t, 0, 1)
        d = np.minimum(d, np.hypot(x - a[0] - t * ab[0], z - a[1] - t * ab[1]))
    return d


TRIM_X, TRIM_Z = (766.0, 1744.0), (428.0, 862.0)


def trim_y(x: Array, z: Array) -> Array:
    """The moulded trim's cabin face (y, mm) with the door shut; larger y is outboard."""
    edge = np.minimum(
        np.minimum(x - TRIM_X[0], TRIM_X[1] - x), np.minimum(z - TRIM_Z[0], TRIM_Z[1] - z)
    )
    r = 26.0
    q = np.clip((r - edge) / r, 0, 1)
    y = 606.0 + r * (1 - np.sqrt(np.clip(1 - q * q, 0, 1))) + 30 * step(q, 0.9, 1.0)
    d = groove_depth(x, z)
    y = y - 1.6 * pulse(d, 24, 36, 4)
    # Handle bowl, speaker, pocket, stiffening step along the top.
    y = y + 16 * (1 - step(np.hypot((x - 1330) / 92, (z - 775) / 30), 0.75, 1.05))
    rs = np.hypot(x - 1640, z - 640)
    y = y - 5 * pulse(rs, 66, 76, 3)
    y = y + 2.2 * (rs < 64) * (np.cos(x * 2 * np.pi / 10) * np.cos(z * 2 * np.pi / 10) > 0.35)
    pocket = pulse(x, 850, 1250, 14) * pulse(z, 448, 500, 9)
    y = y - 9 * pocket
    y = y + 4.0 * step(z, 842, 850)
    for k in range(5):
        y = y - 1.5 * pulse(x, 1290 + 24 * k, 1298 + 24 * k, 3) * pulse(z, 452, 520, 8)
    inside = np.clip(1 - (d / GROOVE_R) ** 2, 0, 1)
    groove = GROOVE_Y + GROOVE_R * np.sqrt(inside)
    # Blend the groove's shoulder over 2 mm so that it looks moulded, not cut.
    return np.where(d < GROOVE_R, np.maximum(groove, y), y)


def mirror(m: Mesh, suffix: str = "_r") -> Mesh:
    return Mesh(m.name + suffix, m.material, m.v * [1, -1, 1], m.f[:, ::-1], m.uv + 317.0, m.smooth)


def _section(name: str, path: list, w: float, h: float, r: float, up: tuple, mat: str = "paint"):
    return sweep(name, mat, rounded(w, h, r), np.asarray(path, float), up)


def shell() -> list[Mesh]:
    """The stripped body shell, both sides."""
    g = np.arange(-600, 1911, 5.0)
    out = [
        sheet(
            "floor",
            "paint",
            lambda x, y: np.stack([x, y, floor_z(x, y)], -1),
            g,
            np.arange(-692, 692.1, 4.0),
        ),
        sheet(
            "firewall",
            "paint",
            lambda y, z: np.stack(
                [
                    1900
                    - 8 * pulse(np.abs(y), 200, 560, 15) * pulse(z, 520, 800, 15)
                    + 40 * np.exp(-((y / 100) ** 4)) * step(430 - z, -60, 60),
                    y,
                    z,
                ],
                -1,
            ),
            np.arange(-720, 720.1, 5.0),
            np.arange(415, 900.1, 5.0),
        ),
        sheet(
            "roof",
            "paint",
            lambda x, y: np.stack(
                [x, y, 1321 + 15 * (1 - (y / 575) ** 2) + 8 * (1 - ((x - 575) / 690) ** 2)], -1
            ),
            np.arange(-110, 1261, 10.0),
            np.arange(-580, 580.1, 10.0),
        ),
        _section(
            "header_front",
            [[1255, y, 1304 + 15 * (1 - (y / 575) ** 2)] for y in range(-590, 591, 59)],
            66,
            34,
            9,
            (0, 0, 1),
        ),
        _section(
            "header_rear",
            [[-95, y, 1302 + 15 * (1 - (y / 575) ** 2)] for y in range(-590, 591, 59)],
            80,
            40,
            9,
            (0, 0, 1),
        ),
        _section(
            "roof_bow",
            [[560, y, 1314 + 15 * (1 - (y / 575) ** 2)] for y in range(-580, 581, 58)],
            50,
            18,
            5,
            (0, 0, 1),
        ),
        _section("cowl", [[1850, -720, 892], [1850, 720, 892]], 110, 60, 14, (0, 0, 1)),
        _section("tail", [[-606, -690, 466], [-606, 690, 466]], 40, 110, 14, (0, 0, 1)),
    ]
    side = [
        _section("sill", [[300, 736, 325], [1880, 736, 325]], 92, 150, 16, (0, 0, 1)),
        _section(
            "bpillar", [[704, 733, 380], [700, 731, 640], [690, 722, 860]], 110, 106, 14, (0, 1, 0)
        ),
        _section("bpillar_up", [[690, 716, 845], [640, 600, 1310]], 92, 52, 12, (0, 1, 0.25)),
        _section("apillar", [[1842, 730, 380], [1830, 726, 905]], 96, 86, 14, (0, 1, 0)),
        _section(
            "apillar_up",
            [[1835, 705, 880], [1560, 640, 1130], [1230, 592, 1306]],
            62,
            54,
            12,
            (0, 1, 0),
        ),
        _section("roof_rail", [[1265, 590, 1304], [-110, 584, 1302]], 58, 62, 13, (0, 0, 1)),
        _section(
            "cpillar",
            [[-85, 588, 1310], [-340, 640, 1090], [-585, 690, 860]],
            90,
            56,
            12,
            (0, 1, 0),
        ),
        _section("waist", [[-590, 716, 866], [700, 722, 866]], 64, 46, 12, (0, 0, 1)),
        _section("hatch_post", [[-600, 690, 420], [-590, 695, 880]], 70, 60, 12, (0, 1, 0)),
        sheet(
            "quarter",
            "paint",
            lambda x, z: np.stack(
                [
                    x,
                    694
                    - 7 * pulse(x, 380, 600, 14) * pulse(z, 520, 780, 14)
                    - 7 * pulse(x, -520, -330, 14) * pulse(z, 640, 800, 14),
                    z,
                ],
                -1,
            ),
            np.arange(-600, 720, 6.0),
            np.arange(400, 880, 6.0),
        ),
        sheet(
            "quarter_out",
            "paint",
            lambda x, z: np.stack([x, 772 + 10 * np.cos((z - 600) / 190), z], -1),
            np.arange(-610, 752, 12.0),
            np.arange(270, 880.1, 12.0),
        ),
        _arch(),
        disc("wheelhouse", "hole", (0, 783.5, 290), (0, 1, 0), 292),
        sweep(
            "arch_lip",
            "paint",
            rounded(14, 22, 5),
            [
                [300 * np.cos(t), 780, 290 + 300 * np.sin(t)]
                for t in np.linspace(-0.1, np.pi + 0.1, 50)
            ],
            (0, 1, 0),
        ),
        _section("seat_front", [[1255, 118, 296], [1255, 692, 296]], 58, 58, 12, (0, 0, 1)),
        _section("seat_rear", [[912, 118, 296], [912, 692, 296]], 58, 58, 12, (0, 0, 1)),
        _section("chassis_leg", [[1880, 420, 440], [2700, 430, 470]], 80, 110, 14, (0, 0, 1)),
        sheet(
            "inner_wing",
            "paint",
            lambda x, z: np.stack(
                [x, 640 - 120 * pulse(x, 2150, 2560, 60) * step(z, 760, 560), z], -1
            ),
            np.arange(1890, 2700, 10.0),
            np.arange(450, 890, 10.0),
        ),
        sweep(
            "seam_sill",
            "sealer",
            circle(4.2, 10),
            _wobble(line([330, 690, 274], [1850, 690, 274], 240), 5),
            caps=False,
        ),
        sweep(
            "seam_arch",
            "sealer",
            circle(4.5, 10),
            _wobble(line([-280, 431, 422], [280, 431, 422], 90), 6),
            caps=False,
        ),
        sweep(
            "seam_rear",
            "sealer",
            circle(4.5, 10),
            _wobble(line([-590, 692, 424], [-300, 692, 424], 60), 7),
            caps=False,
        ),
    ]
    out += side + [mirror(m) for m in side]
    out += [
        sweep(
            "seam_fire",
            "sealer",
            circle(5, 10),
            _wobble(line([1893, -690, 428], [1893, -130, 428], 90), 8),
            caps=False,
        ),
        sweep(
            "seam_fire2",
            "sealer",
            circle(5, 10),
            _wobble(line([1893, 130, 428], [1893, 690, 428], 90), 9),
            caps=False,
        ),
    ]
    return out + _holes()


def _wobble(p: Array, seed: int) -> Array:
    rng = np.random.default_rng(seed)
    k = np.exp(-(np.linspace(-2, 2, 9) ** 2))
    n = np.stack([np.convolve(rng.normal(size=len(p)), k / k.sum(), "same") for _ in range(3)], -1)
    return p + n * 1.6


def _arch() -> Mesh:
    q = np.linspace(0, np.pi / 2, 6)
    prof = [[0, 0], [120, 0], [235, 0]]
    prof += [[235 + 28 * np.sin(t), -28 + 28 * np.cos(t)] for t in q]
    prof += [[263, -120], [263, -270]]
    m = revolve(
        "arch",
        "paint",
        np.array(prof, float),
        [0, 430, 392],
        [0, -1, 0],
        72,
        -0.1,
        np.pi + 0.1,
        (1, 0, 0),
    )
    return m


def _holes() -> list[Mesh]:
    """Drain holes with dark insides and a pressed lip, plugs, bolt heads, spot welds."""
    out = []
    spots = [
        ([560, 355, 270.35], [0, 0, 1], 13),
        ([560, -352, 270.35], [0, 0, 1], 13),
        ([1560, 452, 270.35], [0, 0, 1], 16),
        ([1560, -452, 270.35], [0, 0, 1], 16),
        ([120, 230, 420.35], [0, 0, 1], 18),
        ([-300, -250, 420.35], [0, 0, 1], 18),
    ]
    for p, n, r in spots:
        out.append(disc("hole", "hole", p, n, r))
        out.append(
            revolve(
                "lip",
                "paint",
                np.array([[r - 1, 0], [r, 2.0], [r + 2.5, 1.8], [r + 6, 0.0]]),
                np.array(p) - 0.3 * np.array(n),
                n,
                40,
            )
        )
    for s in (1, -1):
        for z in (470.0, 760.0):
            out.append(
                disc("belt", "hole", [700, s * (678.0 if z < 600 else 674.0), z], [0, -s, 0], 8)
            )
        for x in (912, 1255):
            for y in (180, 420, 600):
                c = np.array([x, s * y, 324.5])
                out.append(cylinder("bolt", "bright", c, c + [0, 0, 7], 8.5, 1.0))
        rows = [(line([360, s * 700, 400.2], [1820, s * 700, 400.2], 38), [0, 0, 1])]
        rows.append((line([360, s * 765, 400.2], [1820, s * 765, 400.2], 38), [0, 0, 1]))
        for pts, n in rows:
            out += [disc("spot", "spot", p, n, 3.2, 1.6, 12) for p in pts]
    # Wires stub out of the firewall, taped.
    for k, (y, z) in enumerate([(180, 700), (-420, 640), (470, 700)]):
        path = bent([[1905, y, z], [1840, y + 10, z], [1815, y + 25, z - 130]], 24, 4)
        out.append(sweep(f"loom{k}", "rubber", circle(9, 20), path))
        out.append(cylinder("grommet", "rubber", [1884, y, z], [1894, y, z], 22))
    return out


# ---------------------------------------------------------------- cage

OD = {
    "main hoop": 45.0,
    "left stay": 38.0,
    "right stay": 38.0,
    "harness bar": 38.0,
    "diagonal": 38.0,
    "door bar": 38.0,
}


def leg(z: float, side: float) -> Array:
    """A point of a main hoop leg's axis before anything moved."""
    a, b = np.array([700.0, 645.0, 275.0]), np.array([563.7, 540.0, 1245.0])
    p = a + (b - a) * (z - 275.0) / 970.0
    return p * [1, side, 1]


def cage_points() -> dict[str, tuple[list[Array], float]]:
    """Corner points and bend radius of every bar's axis, as drawn."""
    bar = [
        np.array([GROOVE[0, 0], 605 - 2.2, GROOVE[0, 1] + 0.2]),
        np.array([GROOVE[1, 0] + 0.9, 605 - 3.9, GROOVE[1, 1] - 1.6]),
        np.array([GROOVE[2, 0] + 6, 605 - 11.0, GROOVE[2, 1] + 1.9]),
    ]
    return {
        "main hoop": ([leg(275, 1), leg(1245, 1), leg(1245, -1), leg(275, -1)], 135.0),
        "left stay": ([leg(1190, 1) * [1, 0.96, 1], np.array([-330.0, 385.0, 424.0])], 0.0),
        "right stay": ([leg(1190, -1) * [1, 0.96, 1], np.array([-330.0, -385.0, 424.0])], 0.0),
        "harness bar": ([leg(905, 1), leg(905, -1)], 0.0),
        "diagonal": ([leg(1150, 1), leg(360, -1)], 0.0),
        "door bar": (bar, 114.0),
    }


def cage_meshes(move: Callable[[Array], Array]) -> list[Mesh]:
    """Bars, foot plates, weld beads; ``move`` maps drawn points (N, 3) to where they are."""
    out = []
    for name, (pts, clr) in cage_points().items():
        path = bent(pts, clr, 8.0) if clr else line(pts[0], pts[1], 160)
        out.append(tube(name, "tube", move(path), OD[name]))
    for s in (1, -1):
        foot = leg(276, s)
        out.append(
            box("plate", "plate", (140, 96, 4), move(foot[None] + [0, -s * 6, -1])[0], bevel=1.2)
        )
        out.append(_bead(move, leg(281, s), leg(400, s), 22.5))
        for dx in (-52, 52):
            for dy in (-34, 24):
                c = move((foot + [dx, s * dy - s * 6, 1])[None])[0]
                out.append(cylinder("bolt", "bright", c, c + [0, 0, 9], 8.5, 1.0))
        rear = np.array([-330.0, s * 385.0, 424.0])
        out.append(
            box("plate", "plate", (110, 110, 4), move(rear[None] + [-10, 0, 1.0])[0], bevel=1.2)
        )
        up = leg(1190, s) * [1, 0.96, 1]
        out.append(_bead(move, rear + unit(up - rear) * 8, up, 19.0))
        out.append(_bead(move, up + unit(rear - up) * 26, rear, 19.0))
        h = leg(905, s)
        out.append(_bead(move, h + [0, -s * 24, 0], h + [0, -s * 90, 0], 19.0))
    d0, d1 = leg(1150, 1), leg(360, -1)
    u = unit(d1 - d0)
    out.append(_bead(move, d0 + u * 36, d1, 19.0))
    out.append(_bead(move, d1 - u * 36, d0, 19.0))
    b = cage_points()["door bar"][0]
    out.append(_bead(move, b[0] + unit(b[1] - b[0]) * 26, b[1], 19.0))
    end = b[2]
    out.append(_bead(move, end + unit(b[1] - end) * 14, b[1], 19.0))
    out.append(
        box(
            "barfoot",
            "plate",
            (110, 100, 5),
            move(end[None] + [0, 8, -6])[0],
            rot((0, 1, 0), 0.2),
            bevel=1.2,
        )
    )
    out.append(box("barbox", "paint", (120, 110, 66), end + [2, 34, -41], bevel=8))
    return out


def _bead(move: Callable[[Array], Array], a: Array, b: Array, r: float) -> Mesh:
    """A weld's ripple round a bar at a, bar direction towards b."""
    a, b = move(np.stack([a, b]))
    z = unit(b - a)
    x = unit(np.cross(z, [0.3, 0.5, 0.81]))
    y = np.cross(z, x)
    t = np.linspace(0, 2 * np.pi, 260)
    ring = a + (r + 0.8) * (np.cos(t)[:, None] * x + np.sin(t)[:, None] * y)
    ring = ring + z * (0.9 * np.abs(np.sin(t * 26)))[:, None]
    m = sweep("bead", "weld", circle(3.6, 12), ring, tuple(z), caps=False)
    return m


# ---------------------------------------------------------------- door


def door_meshes() -> list[Mesh]:
    """The left door with its trim, in the shut place (car axes)."""
    x = np.arange(TRIM_X[0], TRIM_X[1] + 0.1, 2.0)
    z = np.arange(TRIM_Z[0], TRIM_Z[1] + 0.1, 2.0)
    trim = sheet("trim", "trim", lambda a, b: np.stack([a, trim_y(a, b), b], -1), x, z)
    trim = Mesh(trim.name, trim.material, trim.v, trim.f[:, ::-1], trim.uv)
    skin = sheet(
        "door_skin",
        "paint",
        lambda a, b: np.stack(
            [a, 774 + 9 * np.cos((b - 600) / 190) - 3 * pulse(b, 690, 720, 8), b], -1
        ),
        np.arange(756, 1794, 8.0),
        np.arange(412, 884, 6.0),
    )
    out = [trim, skin]
    out.append(box("door_rear", "paint", (14, 96, 462), (764, 728, 648), bevel=5))
    out.append(box("door_front", "paint", (14, 96, 462), (1784, 728, 648), bevel=5))
    out.append(box("door_low", "paint", (1030, 92, 14), (1274, 728, 421), bevel=5))
    out.append(box("door_top", "paint", (1030, 100, 16), (1274, 724, 876), bevel=5))
    out.append(box("door_inner", "paint", (1024, 4, 450), (1274, 682, 648), bevel=1.5))
    out.append(box("trim_back", "trim", (976, 40, 12), (1255, 664, 858), bevel=5))
    out.append(box("trim_back", "trim", (976, 44, 12), (1255, 660, 433), bevel=5))
    out.append(box("latch", "bright", (6, 46, 80), (756, 716, 700), bevel=2))
    for zz in (520, 780):
        out.append(box("hinge", "steelbar", (60, 30, 44), (1798, 744, zz), bevel=4))
    out.append(box("pull", "trim", (150, 12, 22), (1330, 612, 775), bevel=5))
    for xx, zz in ((800, 470), (800, 830), (1710, 830), (1710, 560), (1280, 445)):
        c = np.array([xx, float(trim_y(np.array(xx * 1.0), np.array(zz * 1.0))), zz])
        out.append(cylinder("screw", "bright", c + [0, 0.5, 0], c + [0, -1.6, 0], 6, 0.8))
    return out


def door_turn(angle_deg: float) -> Array:
    """world_from_shut: the door swung open by an angle about its hinge line (4, 4)."""
    r = rot(HINGE_AXIS, -np.deg2rad(angle_deg))
    return rigid(r, HINGE - r @ HINGE)


# ---------------------------------------------------------------- shed


def shed() -> list[Mesh]:
    out = [
        sheet(
            "ground",
            "concrete",
            lambda x, y: np.stack([x, y, 0 * x], -1),
            np.array([-3600.0, 4600.0]),
            np.array([-3000.0, 3000.0]),
        ),
        sheet(
            "wall_front",
            "blocks",
            lambda y, z: np.stack([0 * y + 4600, y, z], -1),
            np.array([-3000.0, 3000.0]),
            np.array([0.0, 3000.0]),
        ),
        sheet(
            "wall_right",
            "blocks",
            lambda x, z: np.stack([x, 0 * x - 3000, z], -1),
            np.array([-3600.0, 4600.0]),
            np.array([0.0, 3000.0]),
        ),
        sheet(
            "wall_left",
            "planks",
            lambda z, x: np.stack([x, 0 * x + 3000, z], -1),
            np.array([0.0, 3000.0]),
            np.array([-3600.0, 4600.0]),
        ),
        sheet(
            "wall_back",
            "planks",
            lambda z, y: np.stack([0 * y - 3600, y, z], -1),
            np.array([0.0, 3000.0]),
            np.array([-3000.0, 3000.0]),
        ),
        sheet(
            "ceiling",
            "boards",
            lambda x, y: np.stack([x, y, 0 * x + 3000], -1),
            np.array([-3600.0, 4600.0]),
            np.array([-3000.0, 3000.0]),
        ),
    ]
    for x in np.arange(-3200, 4600, 900.0):
        out.append(box("rafter", "timber", (70, 6000, 170), (x, 0, 2915), bevel=4))
    # Big back door's frame and cross brace.
    for y in (-1300, 0, 1300):
        out.append(box("ledge", "timber", (40, 120, 2400), (-3580, y, 1200), bevel=4))
    for z in (400, 2000):
        out.append(box("ledge", "timber", (44, 2700, 120), (-3576, 0, z), bevel=4))
    out += _bench() + _stands() + _clutter()
    return out


def _bench() -> list[Mesh]:
    out = [box("bench", "timber", (2600, 620, 60), (1200, -2660, 880), bevel=5)]
    for x in (0, 1200, 2400):
        out.append(box("bench_leg", "timber", (80, 80, 850), (x, -2440, 425), bevel=5))
        out.append(box("bench_leg", "timber", (80, 80, 850), (x, -2900, 425), bevel=5))
    out.append(box("bench_shelf", "timber", (2500, 560, 30), (1200, -2660, 300), bevel=4))
    out.append(box("toolbox", "red", (460, 250, 240), (400, -2700, 1030), bevel=8))
    out.append(box("toolbox_top", "red", (430, 220, 60), (400, -2700, 1180), bevel=20))
    out.append(box("vice_a", "steelbar", (120, 220, 150), (1900, -2520, 985), bevel=14))
    out.append(box("vice_b", "steelbar", (150, 70, 90), (1900, -2370, 1000), bevel=10))
    out.append(cylinder("vice_s", "bright", (1900, -2340, 990), (1900, -2230, 990), 16))
    rng = np.random.default_rng(77)
    for k in range(14):
        x = 800 + 70 * k + rng.uniform(-15, 15)
        h = rng.uniform(90, 190)
        out.append(
            cylinder(
                "can",
                ["blue", "red", "yellow", "white", "steelbar"][k % 5],
                (x, -2850, 910),
                (x, -2850, 910 + h),
                rng.uniform(25, 32),
            )
        )
    out.append(box("board", "timber", (1800, 18, 900), (1200, -2985, 1700), bevel=3))
    for k in range(16):
        x = 420 + 105 * k
        ln = rng.uniform(160, 380)
        out.append(
            box(
                "tool",
                ["steelbar", "bright", "yellow"][k % 3],
                (rng.uniform(16, 34), 10, ln),
                (x, -2968, 2020 - ln / 2),
                bevel=4,
            )
        )
        out.append(cylinder("nail", "steelbar", (x, -2985, 2028), (x, -2950, 2028), 3))
    for k, (x, m) in enumerate([(300, "blue"), (900, "white"), (1500, "red"), (2050, "yellow")]):
        out.append(box("crate", m, (360, 300, 200), (x, -2680, 420 + 2 * k), bevel=8))
    return out


def _stands() -> list[Mesh]:
    out = []
    for x in (380, 1700):
        for y in (-730, 730):
            for k in range(3):
                out.append(
                    box(
                        "block",
                        "timber",
                        (240 if k % 2 else 120, 120 if k % 2 else 240, 82),
                        (x, y, 41 + 83 * k),
                        bevel=4,
                    )
                )
    return out


def _clutter() -> list[Mesh]:
    out = []
    rng = np.random.default_rng(5)
    ty = np.array(
        [[190, 0], [270, 4], [292, 22], [300, 50], [300, 130], [292, 158], [270, 176], [190, 180]],
        float,
    )
    for k in range(4):
        out.append(
            revolve(
                "tyre",
                "rubber",
                ty,
                [3700 + rng.uniform(-12, 12), 2350 + rng.uniform(-12, 12), 180 * k],
                [0, 0, 1],
                72,
            )
        )
    for k in range(2):
        out.append(revolve("tyre", "rubber", ty, [3500, -2300 + 5 * k, 180 * k], [0, 0, 1], 72))
    out.append(cylinder("drum", "blue", (3900, 1500, 0), (3900, 1500, 860), 285, 12))
    for z in (280, 560):
        out.append(
            cylinder("drum_ring", "blue", (3900, 1500, z - 10), (3900, 1500, z + 10), 293, 8)
        )
    out.append(cylinder("gas", "green", (4350, 700, 0), (4350, 700, 1350), 110, 60))
    out.append(cylinder("gas2", "maroon", (4350, 440, 0), (4350, 440, 1150), 110, 60))
    out.append(cylinder("ext", "red", (-3400, 1900, 60), (-3400, 1900, 560), 85, 40))
    out.append(box("cabinet", "green", (900, 450, 1700), (2500, 2740, 850), bevel=10))
    for z in (300, 720, 1140, 1560):
        out.append(box("drawer", "green", (820, 20, 370), (2500, 2506, z), bevel=8))
        out.append(box("pull", "bright", (160, 14, 16), (2500, 2490, z + 60), bevel=4))
    for y in (2700, 2850):
        for x in (-900, 700):
            out.append(box("rack", "timber", (60, 60, 1900), (x, y, 950), bevel=4))
    for z in (500, 1100, 1700):
        out.append(box("rack_shelf", "timber", (1750, 360, 28), (-100, 2790, z), bevel=3))
        for k in range(7):
            h = rng.uniform(110, 330)
            out.append(
                box(
                    "carton",
                    ["card", "card", "white", "blue", "card", "yellow", "card"][k],
                    (rng.uniform(120, 220), 240, h),
                    (-850 + 235 * k, 2790, z + 14 + h / 2),
                    rot((0, 0, 1), rng.uniform(-0.2, 0.2)),
                    bevel=4,
                )
            )
    for k in range(4):
        out.append(
            tube(
                "stock",
                "tube",
                line([-2300 + 60 * k, 2900, 0], [-2200 + 75 * k, 2960, 2700]),
                38,
                40,
            )
        )
    # The other door of the car leans on the right wall; a plank and a bucket lie about.
    m = join(
        "old_door",
        [
            box("d", "paint", (1000, 60, 470), (0, 0, 0), bevel=22),
            box("d", "paint", (960, 18, 40), (0, -16, 500), bevel=6),
            box("d", "paint", (40, 18, 300), (-470, -16, 370), bevel=6),
            box("d", "paint", (300, 18, 36), (330, -16, 400), rot((0, 1, 0), 0.7), bevel=6),
        ],
    )
    out.append(m.moved(rigid(rot((1, 0, 0), 0.16), [-1500, -2870, 250])))
    out.append(
        box("plank", "timber", (2200, 180, 34), (-1200, 1900, 17), rot((0, 0, 1), 0.1), bevel=3)
    )
    out.append(
        revolve(
            "bucket",
            "yellow",
            np.array(
                [
                    [0, 2],
                    [120, 2],
                    [150, 290],
                    [156, 292],
                    [156, 300],
                    [148, 300],
                    [116, 8],
                    [0, 8],
                ],
                float,
            ),
            [2500, -1700, 0],
            [0, 0, 1],
            48,
        )
    )
    path = np.array(
        [
            [
                2900 + 160 * np.cos(t) * (1 + 0.03 * np.sin(3.1 * t)),
                -1200 + 160 * np.sin(t),
                9 + 1.6 * t + 3 * np.sin(2.3 * t),
            ]
            for t in np.linspace(0, 2 * np.pi * 6, 500)
        ]
    )
    out.append(sweep("hose", "hose", circle(8, 14), path))
    return out
