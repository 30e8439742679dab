"""Writes the kit and the truth beside the photos: poses, lenses, lines, and who sees what.

Occlusion is found by casting rays from a grid on every tag to the camera through the same meshes
that are rendered. Nothing here is ever read by the tool.
"""

from __future__ import annotations

import json
from pathlib import Path

import mitsuba as mi
import numpy as np

import camera
import scene
from render import load

Array = np.ndarray
WORLD = (
    "car axes after ISO 8855: X forward, Y left, Z up, mm; origin on the shed's floor midway "
    "between the rear wheels; the shell stands still in it, in every shoot"
)


def occluded(sc: object, eye: Array, points: Array) -> Array:
    """Whether something stands between points (N, 3), lifted off their paper, and the eye."""
    d = eye - points
    dist = np.linalg.norm(d, axis=1)
    d = d / dist[:, None]
    ray = mi.Ray3f(
        o=mi.Point3f(*points.astype(np.float32).T),
        d=mi.Vector3f(*d.astype(np.float32).T),
        maxt=mi.Float(dist.astype(np.float32) - 2.0),
        time=0.0,
        wavelengths=[],
    )
    return np.array(sc.ray_test(ray)).astype(bool)


def seen(sc: object, shoot: scene.Shoot, s: camera.Shot) -> list[dict]:
    """Every tag in the frame of a shot, nearer than 88 degrees to edge-on and not fully hidden."""
    eye = -s.cam_from_world[:3, :3].T @ s.cam_from_world[:3, 3]
    rows, pts = [], []
    g = (np.arange(8) + 0.5) / 8 - 0.5
    gx, gy = (a.ravel() for a in np.meshgrid(g, g))
    for m in shoot.markers:
        for mid in m.ids:
            n = m.normal(mid)
            corners = m.corners(mid)
            c = m.surface(np.array([m.cell(mid)]))[0]
            obl = np.degrees(np.arccos(np.clip(n @ scene.unit(eye - c), -1, 1)))
            px, _ = camera.view(s, corners)
            if obl > 88 or not camera.inside(px).all():
                continue
            p = m.surface(np.array(m.cell(mid)) + m.side * np.stack([gx, gy], -1))
            pts.append(p + 0.35 * n)
            side = float(np.linalg.norm(px - np.roll(px, 1, 0), axis=1).mean())
            cpx = camera.view(s, c[None])[0][0]
            rows.append(
                dict(
                    id=mid,
                    centre_px=cpx.round(4).tolist(),
                    corners_px=px.round(4).tolist(),
                    side_px=round(side, 2),
                    obliquity_deg=round(float(obl), 2),
                    distance_mm=round(float(np.linalg.norm(eye - c)), 1),
                )
            )
    if not rows:
        return []
    hid = occluded(sc, eye, np.concatenate(pts)).reshape(len(rows), 64).mean(1)
    for r, h in zip(rows, hid, strict=True):
        r["occluded"] = round(float(h), 3)
    return [r for r in rows if r["occluded"] < 0.999]


def _mat(a: Array) -> list:
    return [[round(float(v), 9) for v in row] for row in a]


def _shot(s: camera.Shot) -> dict:
    le = s.lens
    return dict(
        cam_from_world=_mat(s.cam_from_world),
        lens=dict(
            fx=le.fx,
            fy=le.fy,
            cx=le.cx,
            cy=le.cy,
            k1=le.k1,
            k2=le.k2,
            p1=le.p1,
            p2=le.p2,
            k3=le.k3,
            focal_factor=s.focal_factor,
            principal_shift_px=list(s.shift),
        ),
        orientation=6 if s.portrait else 1,
        focus_mm=s.focus_mm,
        shake_px=s.blur_px,
    )


def _marker(m: scene.Marker) -> dict:
    d = dict(kind=m.kind, part=m.part, world_from_marker=_mat(m.pose))
    if m.kind == "pointer":
        d |= dict(name=m.name, tip_in_world=m.tip().round(6).tolist())
    if m.kind == "cuff":
        c = scene.CUFF[m.od]
        ang = [
            float(np.degrees(np.pi + m.cell(i)[0] * scene.ACROSS / m.radius))
            for i in m.ids[: c["columns"]]
        ]
        d |= dict(
            tube=m.tube,
            straight=m.straight,
            ids=m.ids,
            skew_deg=m.skew,
            ink_radius_mm=m.radius,
            column_angles_deg=[round(a, 5) for a in ang],
        )
    return d


def _common() -> dict:
    le = camera.Lens()
    return dict(
        world=WORLD,
        pixel="(0, 0) is the centre of the first pixel; sensor orientation",
        corners="of the printed black square without the ink's growth: top left, top right, "
        "bottom right, bottom left",
        printer=dict(across=scene.ACROSS, along=scene.ALONG),
        ink=dict(
            growth_per_edge_mm=scene.INK_EDGE, note="black grows outwards by this at every edge"
        ),
        lens_nominal=vars(le) | dict(model="Brown, OpenCV's terms", aperture_mm=camera.APERTURE_MM),
    )


def shoot_truth(name: str) -> dict:
    shoot = scene.build(name)
    sc = load(shoot)
    by = {m.first: m for m in shoot.markers}
    out = _common() | dict(shoot=name, events=shoot.events, tubes=shoot.tubes)
    out["markers"] = {str(k): _marker(m) for k, m in sorted(by.items())}
    out["tags"] = {
        str(i): dict(
            centre_in_world=m.surface(np.array([m.cell(i)]))[0].round(6).tolist(),
            normal=m.normal(i).round(8).tolist(),
            corners_in_world=m.corners(i).round(6).tolist(),
        )
        for m in shoot.markers
        for i in m.ids
    }
    out["rules"] = [
        dict(
            ids=list(r[:2]), true_length_mm=scene.rule_length(k)[0], tape_mm=scene.rule_length(k)[1]
        )
        for k, r in enumerate(scene.RULES)
    ]
    out["datum"] = {
        k: dict(id=v, in_world=by[v].pose[:3, 3].round(6).tolist()) for k, v in scene.DATUM.items()
    }
    if name == "door_shut":
        out["seated_axis_gap"] = gap(shoot)
    out["photos"] = {s.name: _shot(s) | dict(visible=seen(sc, shoot, s)) for s in shoot.shots}
    return out


def gap(shoot: scene.Shoot) -> list[dict]:
    """Distance of the bar's axis from the seated axis along each stub's length, door shut."""
    out = []
    _, _, seats = scene.stub_parts()
    for seat in seats:
        k = seat["straight"]
        bar = next(t for t in shoot.tubes if t["tube"] == "door bar" and t["straight"] == k)
        a, b = np.array(seat["start"]), np.array(seat["end"])
        p, d = np.array(bar["point"]), np.array(bar["direction"])
        q = np.linspace(a, b, 7)
        off = q - p
        off = off - np.outer(off @ d, d)
        u = scene.unit(b - a)
        out.append(
            dict(
                straight=k,
                seat_start=a.tolist(),
                seat_end=b.tolist(),
                gap_mm=np.linalg.norm(off, axis=1).round(4).tolist(),
                bar_minus_seat=(-off).round(4).tolist(),
                angle_deg=float(np.degrees(np.arccos(np.clip(abs(u @ d), -1, 1)))),
            )
        )
    return out


def board_truth() -> dict:
    shoot = scene.board_scene()
    t = scene.world_from_board()
    pts = scene.board_points() @ t[:3, :3].T + t[:3, 3]
    out = _common() | dict(
        shoot="board",
        board=scene.BOARD | dict(dictionary="DICT_5X5_100", layout="OpenCV, not legacy"),
        world_from_board=_mat(t),
        corners="all 8 x 11 line crossings, row by row from the top left, with the outline's",
        spoiled=[shoot.shots[scene.BENT].name],
        spoiled_how="the sheet had come off its plate at the top left corner; corners_px are of "
        "the sheet as it was bent",
        photos={},
    )
    flat = scene.board_points()
    for k, s in enumerate(shoot.shots):
        up = scene.lift(flat[:, :2])[:, None] * -t[:3, 2] if k == scene.BENT else 0.0
        px, _ = camera.view(s, pts + up)
        out["photos"][s.name] = _shot(s) | dict(
            cam_from_board=_mat(s.cam_from_world @ t),
            corners_px=px.round(4).tolist(),
            inside=camera.inside(px).tolist(),
        )
    return out


def write(out: Path, shoots: list[str]) -> None:
    (out / "truth").mkdir(parents=True, exist_ok=True)
    (out / "kit.toml").write_text(scene.kit_toml(), encoding="utf-8")
    for name in shoots:
        data = board_truth() if name == "board" else shoot_truth(name)
        path = out / "truth" / f"{name}.json"
        path.write_text(json.dumps(data, separators=(",", ":")) + "\n", encoding="utf-8")
        if name != "board":
            report(data)


def report(data: dict) -> None:
    """How often each marker is seen well: a quick look before hours of rendering."""
    count: dict[str, list[int]] = {}
    owner = {i: k for k, m in data["markers"].items() for i in m.get("ids", [int(k)])}
    for p in data["photos"].values():
        got: dict[str, int] = {}
        for v in p["visible"]:
            if v["occluded"] < 0.02 and v["obliquity_deg"] < 65 and v["side_px"] > 18:
                got[owner[v["id"]]] = got.get(owner[v["id"]], 0) + 1
        for k, n in got.items():
            count.setdefault(k, []).append(n)
    print(
        data["shoot"],
        {
            n: sum(
                v["occluded"] < 0.02 and v["obliquity_deg"] < 65 and v["side_px"] > 18
                for v in p["visible"]
            )
            for n, p in data["photos"].items()
        },
    )
    for k, m in data["markers"].items():
        c = count.get(k, [])
        print(
            f"  {k:>4} {m['kind']:8}{m['part']:7}{m.get('tube', m.get('name', '')):14}"
            f"{m.get('straight', '')} photos {len(c):2d} {'' if m['kind'] != 'cuff' else c}"
        )
