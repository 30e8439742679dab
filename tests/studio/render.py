"""Command line of the studio: renders shoots to JPEG photos and writes the kit and the truth.

    python render.py --shoot cage_tacked --out DIR [--photos 0,3] [--size 4000] [--spp 64]
    python render.py --truth --out DIR            (kit and truth only, no pictures)

Light is traced with Mitsuba 3; rays start from the distorted pixel itself, so that no picture is
resampled. What is in the scene is left to ``scene``.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import datetime
import multiprocessing
import os
import time
from pathlib import Path
from types import SimpleNamespace

import drjit as dr
import mitsuba as mi
import numpy as np

for _v in ("cuda_ad_rgb", "llvm_ad_rgb") if multiprocessing.parent_process() is None else ():
    if os.environ.get("STUDIO_VARIANT", _v) == _v and _v in mi.variants():
        try:
            mi.set_variant(_v)
            dr.eval(mi.Float([1.0]) + 1)
            break
        except Exception as error:  # noqa: BLE001 - no card here: try the processor
            print(f"{_v}: {error}")

import camera  # noqa: E402
import develop  # noqa: E402
import scene  # noqa: E402
import texture  # noqa: E402
from mesh import Mesh, grid_faces, join, vertex_normals  # noqa: E402

CAR = (0.105, 0.20, 0.225)


def _bitmap(img: np.ndarray, tile: float) -> dict:
    img = np.ascontiguousarray(img if img.ndim == 3 else img[..., None], dtype=np.float32)
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(img),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "repeat",
        "to_uv": mi.ScalarTransform4f().scale([1 / tile, 1 / tile, 1]),
    }


def _pbr(
    img: np.ndarray,
    tile: float,
    rough: float,
    spec: float = 0.5,
    metal: float = 0.0,
    coat: float = 0.0,
) -> dict:
    b = {
        "type": "principled",
        "base_color": _bitmap(img, tile),
        "roughness": rough,
        "specular": spec,
        "metallic": metal,
    }
    if coat:
        b |= {"clearcoat": coat, "clearcoat_gloss": 0.85}
    return {"type": "twosided", "bsdf": b}


def _matte(img: np.ndarray, tile: float) -> dict:
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _bitmap(img, tile)}}


def materials() -> dict[str, dict]:
    """Every material's reflectance; textures tile over the given millimetres."""
    p = texture.plain
    m = {
        "paint": _pbr(texture.paint(1, CAR), 900, 0.34, 0.5, 0, 0.35),
        "tube": _pbr(texture.steel(2), 300, 0.42, 0.5, 0.55),
        "plate": _pbr(texture.steel(3), 260, 0.45, 0.5, 0.5),
        "weld": _pbr(p(4, (0.16, 0.15, 0.15), 0.2), 60, 0.35, 0.5, 0.8),
        "bright": _pbr(p(5, (0.62, 0.62, 0.62), 0.05), 120, 0.32, 0.5, 0.9),
        "alu": _pbr(texture.steel(6) * 1.7, 260, 0.38, 0.5, 0.75),
        "steelbar": _pbr(p(7, (0.20, 0.21, 0.22), 0.15), 150, 0.45, 0.5, 0.5),
        "sealer": _matte(p(8, (0.52, 0.50, 0.44), 0.10), 90),
        "hole": _matte(p(9, (0.006, 0.006, 0.006), 0.05), 90),
        "spot": _pbr(p(10, (0.05, 0.09, 0.10), 0.1), 90, 0.5, 0.3),
        "trim": _pbr(texture.paint(11, (0.050, 0.050, 0.054), 0.16), 700, 0.45, 0.45),
        "rubber": _pbr(p(12, (0.022, 0.022, 0.023), 0.25), 260, 0.65, 0.3),
        "cable": _pbr(p(13, (0.40, 0.10, 0.02), 0.1), 90, 0.45, 0.4),
        "rag": _matte(p(14, (0.42, 0.16, 0.13), 0.22), 160),
        "tape": _matte(p(15, (0.62, 0.53, 0.33), 0.06), 60),
        "tape_roll": _matte(p(16, (0.60, 0.52, 0.33), 0.10), 60),
        "timber": _matte(texture.planks(17, (0.36, 0.25, 0.15), 190.0), 1200),
        "planks": _matte(texture.planks(18, (0.30, 0.23, 0.16), 150.0), 1200),
        "boards": _matte(texture.planks(19, (0.42, 0.35, 0.26), 120.0), 1200),
        "concrete": _pbr(texture.concrete(20), 2600, 0.6, 0.25),
        "blocks": _matte(texture.blocks(21), 1800),
        "red": _pbr(p(22, (0.42, 0.035, 0.03)), 300, 0.35, 0.5, 0, 0.3),
        "blue": _pbr(p(23, (0.04, 0.10, 0.30)), 300, 0.4, 0.5),
        "yellow": _pbr(p(24, (0.62, 0.40, 0.04)), 300, 0.45, 0.5),
        "green": _pbr(p(25, (0.10, 0.17, 0.12)), 500, 0.45, 0.5),
        "maroon": _pbr(p(26, (0.22, 0.03, 0.035)), 500, 0.45, 0.5),
        "white": _pbr(p(27, (0.66, 0.65, 0.62)), 300, 0.5, 0.4),
        "card": _matte(p(28, (0.42, 0.30, 0.18)), 300),
        "hose": _pbr(p(29, (0.55, 0.12, 0.05)), 200, 0.5, 0.4),
    }
    return m


def to_mi(m: Mesh, bsdf: object, name: str) -> object:
    props = mi.Properties()
    props["bsdf"] = bsdf
    out = mi.Mesh(
        name,
        vertex_count=len(m.v),
        face_count=len(m.f),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=props,
    )
    p = mi.traverse(out)
    p["vertex_positions"] = mi.Float(np.ascontiguousarray(m.v, np.float32).ravel())
    p["vertex_normals"] = mi.Float(
        np.ascontiguousarray(vertex_normals(m.v, m.f), np.float32).ravel()
    )
    p["vertex_texcoords"] = mi.Float(np.ascontiguousarray(m.uv, np.float32).ravel())
    p["faces"] = mi.UInt32(np.ascontiguousarray(m.f, np.uint32).ravel())
    p.update()
    return out


def _lamp(centre: tuple, normal: tuple, up: tuple, w: float, h: float, rgb: tuple) -> dict:
    t = mi.ScalarTransform4f().look_at(
        origin=list(centre),
        target=[c + n for c, n in zip(centre, normal, strict=True)],
        up=list(up),
    )
    return {
        "type": "rectangle",
        "to_world": t @ mi.ScalarTransform4f().scale([w / 2, h / 2, 1]),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": list(rgb)}},
    }


def lamps(name: str) -> dict[str, dict]:
    sky, tube, led = (
        np.array((0.80, 0.93, 1.10)),
        np.array((1.0, 0.98, 0.90)),
        np.array((1.0, 0.95, 0.86)),
    )
    out = {}
    for k, (x, y) in enumerate(
        [(-1700, 1500), (-1700, -1500), (900, 1700), (900, -1500), (3200, 900), (3200, -1000)]
    ):
        out[f"sky{k}"] = _lamp((x, y, 2990), (0, 0, -1), (1, 0, 0), 1100, 800, tuple(sky * 9))
    for k, y in enumerate((-550, 550)):
        out[f"tube{k}"] = _lamp((700, y, 2700), (0, 0, -1), (0, 1, 0), 60, 1400, tuple(tube * 45))
        out[f"tubeb{k}"] = _lamp(
            (-1200, y, 2700), (0, 0, -1), (0, 1, 0), 60, 1400, tuple(tube * 45)
        )
    if name != "board":
        out["work"] = _lamp(
            scene.LAMP_AT, tuple(scene.unit(scene.LAMP_N)), (0, 1, 0), 150, 210, tuple(led * 18)
        )
        out["bow"] = _lamp((560, 0, 1300), (0, 0, -1), (1, 0, 0), 700, 34, tuple(led * 75))
        out["front"] = _lamp(
            (2500, 500, 1900), (-0.7, -0.2, -0.5), (0, 1, 0), 300, 220, tuple(led * 45)
        )
        out["rear"] = _lamp(
            (-1700, 700, 1900), (0.75, -0.2, -0.5), (0, 1, 0), 300, 220, tuple(led * 45)
        )
        if name.startswith("door"):
            out["side"] = _lamp(
                (-200, 2300, 2000), (0.55, -0.35, -0.5), (1, 0, 0), 300, 220, tuple(led * 30)
            )
    else:
        out["desk"] = _lamp(
            (600, -2100, 2300), (0.2, -0.2, -1), (1, 0, 0), 500, 300, tuple(led * 14)
        )
    return out


_MATS: dict[str, object] = {}


def load(shoot: scene.Shoot) -> object:
    """The shoot as a Mitsuba scene."""
    if not _MATS:
        _MATS.update({k: mi.load_dict(v) for k, v in materials().items()})
    mats = _MATS
    d: dict = {"type": "scene"} | lamps(shoot.name)
    groups: dict[str, list[Mesh]] = {}
    for m in shoot.meshes:
        groups.setdefault(m.material, []).append(m)
    for k, ms in groups.items():
        d[f"m_{k}"] = to_mi(join(k, ms), mats[k], k)
    papers = [m.paper() for m in shoot.markers]
    if shoot.name == "board":
        papers.append(board_paper(shoot))
    for i, (m, s) in enumerate(papers):
        # A bitmap's first row lies at v = 0, a sheet's top at v = 1 (checked by check.py).
        tex = _bitmap(s.image[::-1], 1.0) | {"wrap_mode": "clamp"}
        bsdf = mi.load_dict({"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": tex}})
        d[f"p{i}"] = to_mi(m, bsdf, f"p{i}")
    return mi.load_dict(d)


def board_paper(shoot: scene.Shoot) -> tuple[Mesh, texture.Sheet]:
    e = shoot.events
    s = e["sheet"]
    u = np.linspace(0, 1, 61)
    uu, vv = np.meshgrid(u, u, indexing="ij")
    uv = np.stack([uu, vv], -1).reshape(-1, 2)
    xy = (np.array([s.x0, s.y0]) + uv * [s.x1 - s.x0, s.y1 - s.y0]) * [scene.ACROSS, scene.ALONG]
    v = e["centre"] + xy[:, :1] * e["r"][:, 0] + xy[:, 1:] * e["r"][:, 1]
    if e["bent"]:
        v = (
            v
            + scene.lift(xy * [1, -1] + [91.0 * scene.ACROSS, 130.0 * scene.ALONG])[:, None]
            * e["r"][:, 2]
        )
    return Mesh("board", "paper", v, grid_faces(61, 61), uv), s


def rays(shot: camera.Shot, px: object, py: object) -> tuple:
    """Undistorted x / z, y / z of full-size pixel coordinates (drjit floats)."""
    le = SimpleNamespace(**{k: dr.opaque(mi.Float, v) for k, v in vars(shot.lens).items()})
    xd, yd = (px - le.cx) / le.fx, (py - le.cy) / le.fy
    x, y = mi.Float(xd), mi.Float(yd)
    for _ in range(9):
        r = x * x + y * y
        d = 1 + r * (le.k1 + r * (le.k2 + r * le.k3))
        dx = 2 * le.p1 * x * y + le.p2 * (r + 2 * x * x)
        dy = le.p1 * (r + 2 * y * y) + 2 * le.p2 * x * y
        x, y = (xd - dx) / d, (yd - dy) / d
    return x, y


def trace(
    sc: object,
    shot: camera.Shot,
    width: int,
    spp: int,
    depth: int = 5,
    window: tuple[int, int, int, int] | None = None,
) -> np.ndarray:
    """Linear light, first hits' reflectance and normals (h, w, 12), means over each pixel's square.

    Channels: light, reflectance, normal in the camera, depth, a number of the shape, and the
    light's mean squared plus the variance of that mean (the grain).

    ``window`` (x0, y0, w, h) renders only these pixels of the picture.
    """
    k = camera.WIDTH / width
    x0, y0, w, h = window or (0, 0, width, round(camera.HEIGHT / k))
    n = w * h
    idx = dr.arange(mi.UInt32, n)
    iw = dr.opaque(mi.UInt32, w)
    ix = mi.Float(idx % iw) + dr.opaque(mi.Float, x0)
    iy = mi.Float(idx // iw) + dr.opaque(mi.Float, y0)
    kk = dr.opaque(mi.Float, k)
    integ = mi.load_dict({"type": "path", "max_depth": depth, "rr_depth": 4})
    sampler = mi.load_dict({"type": "independent"})
    g = np.random.default_rng(shot.seed)
    m = int(np.ceil(np.sqrt(spp)))
    cells, off = camera.subpixel_cells(shot.seed, spp)
    cells = cells - off
    r0 = shot.cam_from_world[:3, :3].T
    eye = -r0 @ shot.cam_from_world[:3, 3]
    acc = [dr.opaque(mi.Float, 0.0, n) for _ in range(12)]

    def const(v: float) -> mi.Float:
        # Everything that changes is made opaque: a literal would compile a new kernel each pass.
        return dr.opaque(mi.Float, float(v))

    for i in range(spp):
        sampler.seed(int(g.integers(1, 2**31)), n)
        # The hand turns the phone a little while the shutter is open, symmetrically.
        turn_angle = ((i + 0.5) / spp - 0.5) * shot.blur_px / shot.lens.fx
        turn = scene.rot((np.sin(shot.blur_dir), np.cos(shot.blur_dir), 0.05), turn_angle)
        rr = mi.Matrix3f(*[const(v) for v in (r0 @ turn).ravel()])
        sx, sy = cells[i]
        u = sampler.next_2d()
        px = (ix + const(sx) + u.x * const(1 / m)) * kk - 0.5
        py = (iy + const(sy) + u.y * const(1 / m)) * kk - 0.5
        x, y = rays(shot, px, py)
        lens = mi.warp.square_to_uniform_disk(sampler.next_2d()) * const(camera.APERTURE_MM / 2)
        zf = const(shot.focus_mm)
        o = mi.Vector3f(lens.x, lens.y, 0)
        dvec = dr.normalize(rr @ (mi.Vector3f(x * zf, y * zf, zf) - o))
        org = rr @ o + mi.Vector3f(*[const(v) for v in eye])
        ray = mi.RayDifferential3f(mi.Ray3f(mi.Point3f(org), dvec))
        spec, _, _ = integ.sample(sc, sampler, ray)
        si = sc.ray_intersect(ray)
        refl = dr.select(si.is_valid(), si.bsdf(ray).eval_diffuse_reflectance(si), 0.0)
        nn = rr.T @ dr.select(si.is_valid(), si.sh_frame.n, 0.0)
        for c in range(3):
            v = spec[c]
            acc[c] += dr.select(dr.isfinite(v), dr.minimum(v, 40.0), 0.0)
            acc[3 + c] += refl[c]
            acc[6 + c] += nn[c]
        own = mi.Float(dr.reinterpret_array(mi.UInt32, si.shape)) * 0.6180339887
        far = dr.select(si.is_valid(), dr.minimum(si.t, 9000.0), 9000.0)
        acc[9] += far
        acc[10] += dr.select(si.is_valid(), own - dr.floor(own), 0.0)
        grey = dr.minimum((spec[0] + spec[1] + spec[2]) / 3, 40.0)
        acc[11] += dr.select(dr.isfinite(grey), grey * grey, 0.0)
        dr.eval(acc)
    out = np.stack([np.array(a) for a in acc], -1).reshape(h, w, 12) / np.float32(spp)
    mean = out[..., :3].mean(-1)
    out[..., 11] = mean**2 + np.maximum(out[..., 11] - mean**2, 0) / max(spp - 1, 1)
    return out


def quiet(picture: np.ndarray) -> np.ndarray:
    """Remove the renderer's own grain: (h, w, 12) to linear light (h, w, 3).

    Light is divided by the first hit's reflectance, what is left is averaged over like neighbours
    (an edge-avoiding a-trous filter guided by normal, depth, shape and the grain's variance) and
    multiplied back. Paper is purely diffuse, so a printed edge comes from the reflectance alone,
    untouched by the filter. The phone's own noise is added later.
    """
    xp = np
    if mi.variant() == "cuda_ad_rgb":
        import cupy as xp
    p = xp.asarray(picture)
    light, refl, nn, z, ident, sq = (
        p[..., :3],
        p[..., 3:6],
        p[..., 6:9],
        p[..., 9],
        p[..., 10],
        p[..., 11],
    )
    base = refl + 0.03
    e = light / base
    lum = light.mean(-1)
    var = xp.maximum(sq - lum**2, 0) / base.mean(-1) ** 2
    e, var = _despike(xp, e), xp.minimum(var, (2 * e.mean(-1)) ** 2)
    logz = xp.log(xp.maximum(z, 1.0))
    for step in (1, 2, 4, 8, 16):
        e, var = _atrous(xp, e, var, nn, logz, ident, step)
    out = e * base
    return out if xp is np else xp.asnumpy(out)


def _shift(xp: object, a: object, dy: int, dx: int) -> object:
    return xp.roll(a, (dy, dx), (0, 1))


def _despike(xp: object, e: object) -> object:
    """Cap pixels at three times the mean of their eight neighbours."""
    around = sum(_shift(xp, e, dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx) / 8
    cap = xp.maximum(3 * around, 1e-4)
    return xp.minimum(e, cap)


def _atrous(
    xp: object, e: object, var: object, nn: object, z: object, ident: object, step: int
) -> tuple:
    lum = e.mean(-1)
    v = var
    for ax in (0, 1):
        v = 0.25 * xp.roll(v, 1, ax) + 0.5 * v + 0.25 * xp.roll(v, -1, ax)
    spread = 1.0 / (2.5 * xp.sqrt(v) + 1e-4 + 0.01 * lum)
    gz = (
        xp.abs(xp.roll(z, -1, 1) - xp.roll(z, 1, 1)) + xp.abs(xp.roll(z, -1, 0) - xp.roll(z, 1, 0))
    ) / 2 + 2e-4
    k = (0.375, 0.25, 0.0625)
    tot, total, tv = e * k[0] ** 2, xp.full(z.shape, k[0] ** 2, xp.float32), v * 0 + var * k[0] ** 4
    for dy in range(-2, 3):
        for dx in range(-2, 3):
            if not dy and not dx:
                continue
            sy, sx = dy * step, dx * step
            w = xp.abs(_shift(xp, lum, sy, sx) - lum) * spread
            w += ((_shift(xp, nn, sy, sx) - nn) ** 2).sum(-1) * 60
            w += xp.abs(_shift(xp, z, sy, sx) - z) / (gz * 2 * (abs(sx) + abs(sy)))
            w += xp.abs(_shift(xp, ident, sy, sx) - ident) * 60
            w = (k[abs(dy)] * k[abs(dx)]) * xp.exp(-w)
            tot = tot + w[..., None] * _shift(xp, e, sy, sx)
            total += w
            tv = tv + w * w * _shift(xp, var, sy, sx)
    return tot / total[..., None], tv / total**2


def _develop(job: tuple) -> str:
    light, shot, when, path, quality, clean = job
    import cv2

    cv2.setNumThreads(2)
    rgb, gain = develop.develop(light, shot, clean)
    develop.write_jpeg(rgb, shot, gain, when, Path(path), quality)
    return f"{path} {Path(path).stat().st_size // 1024} KiB"


def run(args: argparse.Namespace) -> None:
    out = Path(args.out)
    with concurrent.futures.ProcessPoolExecutor(
        args.jobs, mp_context=multiprocessing.get_context("spawn")
    ) as pool:
        waiting = []
        for name in args.shoot:
            t0 = time.time()
            shoot = scene.board_scene() if name == "board" else scene.build(name)
            sc = load(shoot)
            print(f"{name}: scene ready in {time.time() - t0:.1f} s", flush=True)
            folder = out / ("calibration" if name == "board" else name)
            folder.mkdir(parents=True, exist_ok=True)
            when = datetime.datetime.fromisoformat(scene.START[name][0])
            wanted = (
                range(len(shoot.shots))
                if args.photos is None
                else [int(v) for v in args.photos.split(",")]
            )
            for k in wanted:
                t0 = time.time()
                s = shoot.shots[k]
                now = (
                    load(scene.board_scene(bent=True))
                    if name == "board" and k == scene.BENT
                    else sc
                )
                picture = trace(now, s, args.size, args.spp)
                t1 = time.time()
                light = quiet(picture)
                t2 = time.time()
                if args.keep:
                    np.save(
                        folder / f"{s.name[:-4]}.npy",
                        np.concatenate([light, picture], -1)[1000:1700, 1500:2500].astype(
                            np.float16
                        ),
                    )
                stamp = when + datetime.timedelta(
                    seconds=11 * k + int(camera.rng("pause", name, k).integers(0, 7))
                )
                waiting.append(
                    pool.submit(
                        _develop,
                        (
                            light.astype(np.float32),
                            s,
                            stamp,
                            str(folder / s.name),
                            args.quality,
                            args.clean,
                        ),
                    )
                )
                print(
                    f"  {s.name} traced in {t1 - t0:.1f} s, quieted in {t2 - t1:.1f} s",
                    flush=True,
                )
        for w in waiting:
            print("  ", w.result(), flush=True)


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--shoot", action="append", choices=[*scene.SHOOTS, *scene.MORE, "board"])
    ap.add_argument("--photos", help="comma-separated photo numbers, from 0")
    ap.add_argument("--out", required=True)
    ap.add_argument("--size", type=int, default=4000, help="picture width in pixels")
    ap.add_argument("--spp", type=int, default=64, help="rays a pixel")
    ap.add_argument("--quality", type=int, default=84)
    ap.add_argument("--jobs", type=int, default=2, help="processes that develop")
    ap.add_argument("--clean", action="store_true", help="no noise, sharpening or tone curve")
    ap.add_argument("--keep", action="store_true", help="keep the middle of the light as .npy")
    ap.add_argument("--truth", action="store_true", help="write kit and truth, no pictures")
    args = ap.parse_args()
    args.shoot = args.shoot or [*scene.SHOOTS, "board"]
    if args.truth:
        import truth

        truth.write(Path(args.out), args.shoot)
    else:
        run(args)


if __name__ == "__main__":
    main()
