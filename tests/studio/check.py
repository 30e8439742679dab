"""Checks the truth against the pictures: do printed edges and corners lie where the truth says?

    python check.py --light cage_tacked 0 [--tags 6]   trace a few tags' surroundings without noise
    python check.py --photos DIR TRUTH.json       measure the finished JPEGs (tone moves edges)
    python check.py --board DIR TRUTH.json              OpenCV's ChArUco corners against the truth

The projection used here is written out again with OpenCV's own ``projectPoints`` so that a slip in
``camera`` shows up. Edges are the half-way crossings of grey profiles across the black border.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np

Array = np.ndarray


def project(photo: dict, world: Array) -> Array:
    t = np.array(photo["cam_from_world"])
    le = photo["lens"]
    k = np.array([[le["fx"], 0, le["cx"]], [0, le["fy"], le["cy"]], [0, 0, 1]])
    d = np.array([le["k1"], le["k2"], le["p1"], le["p2"], le["k3"]])
    px, _ = cv2.projectPoints(
        world.reshape(-1, 1, 3).astype(float), cv2.Rodrigues(t[:3, :3])[0], t[:3, 3], k, d
    )
    return px.reshape(-1, 2)


def ink_corners(truth: dict, mid: int) -> Array:
    """World corners of the black square including the ink's growth."""
    c = np.array(truth["tags"][str(mid)]["corners_in_world"])
    e = truth["ink"]["growth_per_edge_mm"]
    out = c.copy()
    for i in range(4):
        for j in (i - 1, (i + 1) % 4):
            d = c[i] - c[j]
            out[i] += e * d / np.linalg.norm(d)
    return out


def edge_offsets(grey: Array, truth: dict, photo: dict, mid: int, origin: Array) -> Array | None:
    """Signed distances (px, outwards) of measured border edges from the truth: (4, n)."""
    c = ink_corners(truth, mid)
    cell = np.linalg.norm(c[1] - c[0]) / 8
    mean = c.mean(0)
    out = []
    for i in range(4):
        a, b = c[i], c[(i + 1) % 4]
        inward = mean - (a + b) / 2
        inward /= np.linalg.norm(inward)
        row = []
        for s in np.linspace(0.08, 0.92, 60):
            p = a + (b - a) * s
            q = project(photo, np.stack([p, p + 0.3 * inward])) - origin
            n = (q[0] - q[1]) / np.linalg.norm(q[0] - q[1])
            reach = 0.6 * cell / 0.3 * np.linalg.norm(q[0] - q[1])
            t = np.arange(-reach, reach, 0.1)
            xy = (q[0] + t[:, None] * n).astype(np.float32)
            if xy.min() < 2 or (xy > np.array(grey.shape[::-1]) - 3).any():
                return None
            g = cv2.remap(grey, xy[None, :, 0], xy[None, :, 1], cv2.INTER_LINEAR).ravel()
            lo, hi = g[: len(g) // 5].mean(), g[-(len(g) // 5) :].mean()
            k = np.flatnonzero((g[:-1] < (lo + hi) / 2) & (g[1:] >= (lo + hi) / 2))
            if hi < 1.5 * lo or len(k) != 1:
                row.append(np.nan)
                continue
            f = ((lo + hi) / 2 - g[k[0]]) / (g[k[0] + 1] - g[k[0]])
            row.append(t[k[0]] + 0.1 * f)
        out.append(row)
    return np.array(out)


def corner_errors(off: Array, truth: dict, photo: dict, mid: int) -> Array:
    """Corner displacements (4, 2) px from lines through the measured edges."""
    c = project(photo, ink_corners(truth, mid))
    lines = []
    s = np.linspace(0.08, 0.92, off.shape[1])
    world = ink_corners(truth, mid)
    for i in range(4):
        a, b = world[i], world[(i + 1) % 4]
        p = project(photo, a + (b - a) * s[:, None])
        d = p[-1] - p[0]
        n = np.array([d[1], -d[0]]) / np.linalg.norm(d)
        if n @ (c.mean(0) - p.mean(0)) > 0:
            n = -n
        ok = np.isfinite(off[i])
        fit = np.polyfit(s[ok], off[i][ok], 1)
        lines.append((n, fit))
    out = []
    for i in range(4):
        (n0, f0), (n1, f1) = lines[i - 1], lines[i]
        out.append(np.linalg.solve(np.stack([n0, n1]), [np.polyval(f0, 1.0), np.polyval(f1, 0.0)]))
    return np.array(out)


def summary(name: str, edges: list[Array], corners: list[Array]) -> None:
    e = np.concatenate([a.ravel() for a in edges])
    e = e[np.isfinite(e)]
    m = np.array([a.mean(0) for a in corners])
    c = np.concatenate(corners)
    print(
        f"{name}: {len(edges)} tags; edge offset outwards mean {e.mean():+.4f} "
        f"median {np.median(e):+.4f} "
        f"robust sigma {1.4826 * np.median(np.abs(e - np.median(e))):.4f} px; "
        f"corners rms {np.sqrt((c**2).mean()):.4f} px; "
        f"tag centres mean ({m[:, 0].mean():+.4f}, {m[:, 1].mean():+.4f}) "
        f"rms {np.sqrt((m**2).mean()):.4f} px"
    )


def light_check(shoot_name: str, k: int, tags: int, spp: int) -> None:
    """Trace windows round the best flat tags of a photo and measure them in linear light."""
    import render
    import scene
    import truth as truth_module

    shoot = scene.build(shoot_name)
    sc = render.load(shoot)
    t = truth_module.shoot_truth(shoot_name)
    s = shoot.shots[k]
    photo = t["photos"][s.name]
    flat = {m.first for m in shoot.markers if m.kind != "cuff"}
    good = [
        v
        for v in photo["visible"]
        if v["id"] in flat and v["occluded"] == 0 and v["obliquity_deg"] < 60
    ]
    good.sort(key=lambda v: -v["side_px"])
    edges, corners = [], []
    for v in good[:tags]:
        c = np.array(v["corners_px"])
        lo = np.floor(c.min(0) - 14).astype(int)
        w, h = (np.ceil(c.max(0) + 14).astype(int) - lo).tolist()
        pic = render.trace(sc, s, 4000, spp, window=(int(lo[0]), int(lo[1]), w, h))
        grey = (
            pic[..., 3].astype(np.float32) if spp < 0 else pic[..., :3].mean(-1).astype(np.float32)
        )
        for kind, img in (("light", grey), ("reflectance", pic[..., 3].astype(np.float32))):
            off = edge_offsets(img, t, photo, v["id"], lo.astype(float))
            if off is None:
                continue
            ce = corner_errors(off, t, photo, v["id"])
            print(
                f"  {s.name} tag {v['id']:3d} {v['side_px']:.0f} px {kind}: "
                f"edges {np.nanmean(off, 1).round(3)} centre {ce.mean(0).round(3)}"
            )
            if kind == "light":
                edges.append(off)
                corners.append(ce)
    summary(f"{shoot_name} photo {k}, linear light, {spp} rays a pixel", edges, corners)


def photo_check(folder: Path, truth_path: Path) -> None:
    t = json.loads(truth_path.read_text(encoding="utf-8"))
    flat = {int(k) for k, m in t["markers"].items() if m["kind"] != "cuff"}
    edges, corners = [], []
    for name, photo in t["photos"].items():
        path = folder / name
        if not path.exists():
            print(f"  {name}: not there")
            continue
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        if grey is None or grey.shape != (3000, 4000):
            raise ValueError(f"{path}: not a picture of 4000 x 3000 pixels")
        grey = grey.astype(np.float32)
        for v in photo["visible"]:
            if (
                v["id"] in flat
                and v["occluded"] == 0
                and v["obliquity_deg"] < 60
                and v["side_px"] > 55
            ):
                off = edge_offsets(grey, t, photo, v["id"], np.zeros(2))
                if off is not None and np.isfinite(off).mean(1).min() > 0.6:
                    edges.append(off)
                    corners.append(corner_errors(off, t, photo, v["id"]))
    summary(f"{t['shoot']}, finished photos", edges, corners)


def board_check(folder: Path, truth_path: Path) -> None:
    t = json.loads(truth_path.read_text(encoding="utf-8"))
    d = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    b = cv2.aruco.CharucoBoard((7, 10), 26.0, 19.0, d)
    det = cv2.aruco.CharucoDetector(b)
    every = []
    for name, photo in t["photos"].items():
        img = cv2.imread(str(folder / name), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        if img is None:
            print(f"  {name}: not there")
            continue
        c, ids, *_ = det.detectBoard(img)
        if ids is None:
            print(f"  {name}: no corner found")
            continue
        ids = np.asarray(ids).ravel()
        true = np.array(photo["corners_px"]).reshape(11, 8, 2)[1:-1, 1:-1].reshape(-1, 2)[ids]
        e = np.asarray(c).reshape(-1, 2) - true
        print(
            f"  {name}: {len(ids)} corners, mean ({e[:, 0].mean():+.3f}, {e[:, 1].mean():+.3f}), "
            f"rms {np.sqrt((e**2).mean()):.3f} px"
        )
        if name not in t["spoiled"]:
            every.append(e)
    e = np.concatenate(every)
    print(
        f"board: {len(e)} corners, mean ({e[:, 0].mean():+.4f}, {e[:, 1].mean():+.4f}), "
        f"rms {np.sqrt((e**2).mean()):.4f} px"
    )


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--light", nargs=2, metavar=("SHOOT", "PHOTO"))
    ap.add_argument("--photos", nargs=2, type=Path, metavar=("DIR", "TRUTH"))
    ap.add_argument("--board", nargs=2, type=Path, metavar=("DIR", "TRUTH"))
    ap.add_argument("--tags", type=int, default=6)
    ap.add_argument("--spp", type=int, default=256)
    a = ap.parse_args()
    if a.light:
        light_check(a.light[0], int(a.light[1]), a.tags, a.spp)
    if a.photos:
        photo_check(*a.photos)
    if a.board:
        board_check(*a.board)


if __name__ == "__main__":
    main()
