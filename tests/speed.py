"""Print how long each part of a survey takes, beside the least that any tool needs for the photos.

    python tests/speed.py sample_images/cage_tacked sample_images/cage_tacked_more \
      --kit sample_images/kit.toml

Several folders are timed as one shoot. The floor is decoding the same photos to grey and one OpenCV
detection with OpenCV's own settings, on all cores. Times are medians of runs that take turns, so
that a busy computer spoils both sides alike; beside the clock's seconds stand the processors' (all
processes), which it spoils less. With `--growth` the first look and simulated shoots grow from 25
to 400 photos, and to 200 markers; with `--colmap`, COLMAP's solver; with `--accuracy`,
`accuracy.py`.
"""

from __future__ import annotations

import argparse
import compileall
import os
import resource
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from unittest import mock

import cv2
import numpy as np
from scenes import lens_prior, small_scene, take_photos
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix, csr_matrix

from fitscan.adjust.problem import Block, Group, Values
from fitscan.adjust.solve import Options, solve
from fitscan.adjust.threads import one_thread
from fitscan.geometry.rotation import Array
from fitscan.lens.camera_file import CameraFile, read_camera
from fitscan.markers.kit import Kit, read_kit
from fitscan.survey import quality
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.photo_work import look
from fitscan.survey.priors import Priors
from fitscan.survey.quality import Finished
from fitscan.survey.restrict import restrict
from fitscan.survey.shoot import survey_folder
from fitscan.survey.state import State
from fitscan.survey.workers import run_all

Timed = tuple[float, float]
"""Seconds of the clock, seconds of the processors."""

ROOT = Path(__file__).resolve().parent.parent


def processors() -> float:
    """Seconds of all processors that this process and its finished children have used."""
    own = resource.getrusage(resource.RUSAGE_SELF)
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def timed(work: Callable[[], object]) -> Timed:
    clock, used = time.perf_counter(), processors()
    work()
    return time.perf_counter() - clock, processors() - used


def floor(photos: list[Path]) -> None:
    """Decode and detect once, a thread per core: OpenCV lets go of Python's lock."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)

    def one(path: Path) -> None:
        flags = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
        grey = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), flags)
        assert grey is not None
        cv2.aruco.ArucoDetector(dictionary, cv2.aruco.DetectorParameters()).detectMarkers(grey)

    cv2.setNumThreads(1)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        list(pool.map(one, photos))


class Peak:
    """Largest memory, in MB, of this process and all below it while the block runs (Linux).

    Decoded photos that lie in memory are counted whole, whether they are mapped or not.
    """

    def __enter__(self) -> Peak:
        self.mb = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(0.05):
            own = sum(memory_mb(p) for p in family(os.getpid()))
            self.mb = max(self.mb, own + shelves_mb())


def shelves_mb() -> float:
    """Files in memory that surveys keep meanwhile, see `fitscan.survey.shelf`."""
    sizes = []
    for file in Path("/dev/shm").glob("fitscan-*/*"):
        try:
            sizes.append(file.stat().st_size)
        except OSError:
            continue
    return sum(sizes) / 2**20


def family(process: int) -> list[int]:
    """A process and everything that it started."""
    out = [process]
    for task in Path(f"/proc/{process}/task").glob("*/children"):
        try:
            for child in task.read_text().split():
                out += family(int(child))
        except OSError:
            continue
    return out


def memory_mb(process: int) -> float:
    """Memory of a process, what several share split among them."""
    try:
        text = Path(f"/proc/{process}/smaps_rollup").read_text()
    except OSError:
        return 0.0
    return sum(float(x.split()[1]) for x in text.splitlines() if x.startswith("Pss:")) / 1024.0


def command(*words: str | Path) -> None:
    """A command as a person calls it, in a process of its own."""
    run = [sys.executable, "-m", "fitscan", *map(str, words), "--quiet"]
    subprocess.run(run, check=True, stdout=subprocess.DEVNULL, cwd=ROOT)


def one_survey(photos: Path, kit: Path, camera: Path | None, *more: str | Path) -> None:
    """The survey's command: workers start afresh."""
    own = ["--camera", str(camera)] if camera else []
    command("survey", photos, "--kit", kit, "--no-pictures", "--json", *own, *more)


class SecondSurvey:
    """The same survey again where all photos but the last were surveyed before.

    Attributes:
        shoot: all photos.
        kept: what the survey of all but the last has left.
    """

    def __init__(self, photos: list[Path], kit: Path, camera: Path | None, folder: Path) -> None:
        self.shoot, self.kept, self._kit, self._camera = folder / "a", folder / "b", kit, camera
        self.shoot.mkdir()
        for photo in photos[:-1]:
            (self.shoot / photo.name).symlink_to(photo.resolve())
        one_survey(self.shoot, kit, camera, "--cache", self.kept)
        (self.shoot / photos[-1].name).symlink_to(photos[-1].resolve())

    def timed(self) -> Timed:
        with TemporaryDirectory() as name:
            cache = shutil.copytree(self.kept, Path(name) / "cache")
            return timed(lambda: one_survey(self.shoot, self._kit, self._camera, "--cache", cache))


def comparisons(shoot: Path, kit: Path, camera: Path | None, runs: int) -> None:
    """A recheck and a gap of saved surveys; this one with itself, which takes no less."""
    with TemporaryDirectory() as name:
        survey, record = Path(name) / "survey.json", Path(name) / "record.json"
        one_survey(shoot, kit, camera, "--out", survey)
        command("record", survey, "--part", "cage", "--on", "shell", "--out", record)
        bar = f"{survey}:door bar"
        print()
        for title, words in {
            "an interpreter that loads numpy and pydantic": None,
            "recheck, command to exit": ("recheck", record, survey, "--json"),
            "gap, command to exit": (
                "gap",
                "--bar",
                bar,
                "--target",
                bar,
                "--on",
                "shell",
                "--json",
            ),
        }.items():
            took = median_of([timed(partial(_run_or_load, words)) for _ in range(3 * runs)])
            print(f"{title:<44}{took[0]:8.2f} s{took[1]:8.2f} cpu s")


def _run_or_load(words: tuple[str | Path, ...] | None) -> None:
    if words is None:
        subprocess.run([sys.executable, "-c", "import numpy, pydantic"], check=True)
    else:
        command(*words)


def last_adjustment(
    photos: Path, kit: Kit, camera: CameraFile | None
) -> tuple[Finished, dict[str, float]]:
    """The adjustment that a survey ends with, and the seconds of its stages in a warm process."""
    kept: list[Finished] = []
    stages: dict[str, float] = {}
    last: list[tuple[str, float]] = []
    whole = quality.sum_up

    def keeping(name: str, finished: Finished, *rest: object) -> object:
        kept.append(finished)
        return whole(name, finished, *rest)  # type: ignore[arg-type]

    def tell(sentence: str, done: int, total: int) -> None:
        now = time.perf_counter()
        if last:
            stages[last[-1][0]] = stages.get(last[-1][0], 0.0) + now - last[-1][1]
        last.append((sentence, now))

    with mock.patch("fitscan.survey.build.sum_up", keeping):
        survey_folder(photos, kit, camera, progress=tell)
    tell("", 0, 0)
    return kept[-1], stages


def adjusted(network: Network, start: State, seen: SquareObservations) -> float:
    """Solve from start values and give the full covariance of all markers; the cost comes back."""
    with one_thread():
        solution = network.solve(start, seen, robust=None)
        network.covariance(solution).of("marker")
    return solution.cost


def by_scipy(groups: list[Group], blocks: list[Block]) -> float:
    """The same problem by SciPy's sparse trust region (trf, lsmr), with the same Jacobians."""
    sizes = [len(g.values) * g.tangent for g in groups]
    first = dict(zip((g.name for g in groups), np.cumsum([0, *sizes[:-1]]), strict=True))

    def values(x: Array) -> Values:
        out = {}
        for g in groups:
            part = x[first[g.name] : first[g.name] + len(g.values) * g.tangent]
            out[g.name] = g.step(g.values, part.reshape(len(g.values), g.tangent))
        return out

    def residual(x: Array) -> Array:
        return np.concatenate([b.residual(values(x)).ravel() for b in blocks])

    def jacobian(x: Array) -> csr_matrix:
        # Small steps from the start: the tangent there serves for the tangent here.
        at, rows, columns, entries = 0, [], [], []
        for block in blocks:
            linear = block.linearise(values(x))
            n, m = linear.residual.shape
            row = at + np.arange(n * m).reshape(n, m)
            for p in linear.parts:
                k = p.jacobian.shape[2]
                column = first[p.group] + p.index[:, None] * k + np.arange(k)
                rows.append(np.broadcast_to(row[:, :, None], p.jacobian.shape).ravel())
                columns.append(np.broadcast_to(column[:, None, :], p.jacobian.shape).ravel())
                entries.append(p.jacobian.ravel())
            at += n * m
        where = (np.concatenate(rows), np.concatenate(columns))
        return coo_matrix((np.concatenate(entries), where), shape=(at, sum(sizes))).tocsr()

    with one_thread():
        found = least_squares(
            residual, np.zeros(sum(sizes)), jacobian, method="trf", tr_solver="lsmr", x_scale="jac"
        )
    return float(found.cost)


def shaken(state: State) -> State:
    """Start values as far off as the first placing leaves them: 2 mm and half a degree."""
    rng = np.random.default_rng(5)
    groups = {g.name: g for g in state.groups()}
    out = {g.name: g.values for g in state.groups()}
    for name in ("photo", "marker"):
        step = np.zeros((len(groups[name].values), groups[name].tangent))
        step[:, :3] = rng.normal(0, 0.005, (len(step), 3))
        step[:, 3:6] = rng.normal(0, 2.0, (len(step), 3))
        out[name] = groups[name].step(groups[name].values, step)
    return State.of(out)


def compare(finished: Finished, base: float) -> None:
    """Adjustment with covariance against SciPy, from the same start, on the same squares."""
    network, seen = finished.cleaned.network, finished.cleaned.seen
    start = shaken(finished.cleaned.state)
    blocks = network.blocks(seen, robust=None)
    costs: dict[str, float] = {}
    ways: dict[str, Callable[[], None]] = {
        "adjustment and covariance": lambda: costs.update(ours=adjusted(network, start, seen)),
        "SciPy trf, no covariance": lambda: costs.update(scipy=by_scipy(start.groups(), blocks)),
    }
    squares, markers = len(seen), len(network.markers)
    print(f"\n{len(network.photos)} photos, {markers} markers, {squares} squares")
    for name, way in ways.items():
        line(name, median_of([timed(way) for _ in range(3)]), base)
    print(f"half square sums: ours {costs['ours']:.6f}, SciPy {costs['scipy']:.6f}")


def beside_colmap() -> None:
    """One processor, plain corners, lens known, both from the truth until a billionth is left."""
    from colmap_shoots import colmaps_shoot, exact, shoot

    print("\nphotos  markers  squares  ours s  ours with covariance s  COLMAP s")
    for photos, more in ((8, 0), (27, 0), (27, 200 - 32), (54, 0)):
        _, network, start, given = shoot(photos, more)
        runs = []
        for _ in range(5):
            options = exact()
            options.ceres.solver_options.function_tolerance = 1e-9  # as `Options.tolerance`
            options.ceres.solver_options.num_threads = 1
            _, adjuster = colmaps_shoot(photos, options, more)
            with one_thread():
                clock = time.process_time()
                solution = network.solve(start, given, robust=None)
                solved = time.process_time()
                network.covariance(solution).of("marker")
                known = time.process_time()
            adjuster.solve()
            runs.append((solved - clock, known - clock, time.process_time() - known))
        ours, both, theirs = np.median(runs, axis=0)
        sizes = f"{photos:6}{len(network.markers):9}{len(given):9}"
        print(f"{sizes}{ours:8.3f}{both:24.3f}{theirs:10.3f}")


def growth(photos: list[Path]) -> None:
    """The first look at photos given again and again, and the adjustment of simulated shoots."""
    print("\nphotos  first look cpu s")
    for count in (25, 50, 100, 200, 400):
        calls = [(photos[i % len(photos)], None, None) for i in range(count)]
        took = timed(lambda calls=calls: run_all(look, calls, 1, lambda *_: None, ""))  # type: ignore[misc]
        print(f"{count:6}{took[1]:18.2f}")
    print("\nphotos  markers  squares  adjustment cpu s  covariance cpu s")
    for count, more in (*((n, 0) for n in (25, 50, 100, 200, 400)), (27, 162), (100, 162)):
        simulated(count, more)


def simulated(photos: int, more: int) -> None:
    """One line: a simulated shoot of the cabin with more tags than usual on its shell."""
    shots = take_photos(small_scene(3, photos, more=more), 3)
    scene = shots.scene
    network = Network.of(
        scene.kit, [f"{i}" for i in range(photos)], list(scene.markers), scene.lens,
        lens_prior(scene.lens).covariance, Priors(),
    )  # fmt: skip
    whitening = np.linalg.inv(np.linalg.cholesky(shots.covariance))
    rank = np.full(len(shots.geometry), 9, dtype=np.intp)
    seen = SquareObservations(shots.geometry, shots.observed, whitening, shots.px_per_mm, rank)
    part = restrict(network, scene.state, seen, np.ones(len(seen), dtype=bool))
    network, seen, start = part.network, part.seen, shaken(part.state)
    with one_thread():
        groups = start.groups()
        clock = time.process_time()
        solution = solve(groups, network.blocks(seen, robust=None), Options(eliminate="photo"))
        middle = time.process_time()
        network.covariance(solution).of("marker")
    end = time.process_time()
    sizes = f"{photos:6}{len(network.markers):9}{len(seen):9}"
    print(f"{sizes}{middle - clock:18.2f}{end - middle:18.2f}")


def median_of(runs: list[Timed]) -> Timed:
    return median(r[0] for r in runs), median(r[1] for r in runs)


def line(name: str, took: Timed, base: float) -> None:
    print(f"{name:<44}{took[0]:8.2f} s{took[1]:8.2f} cpu s{took[0] / base:8.2f} x floor")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=Path, nargs="+")
    parser.add_argument("--kit", type=Path, required=True)
    parser.add_argument("--camera", type=Path)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--accuracy", action="store_true")
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--colmap", action="store_true")
    options = parser.parse_args()
    with TemporaryDirectory() as name:
        for photo in sorted(p for folder in options.photos for p in folder.glob("*.jpg")):
            (Path(name) / photo.name).symlink_to(photo.resolve())
        print_all(Path(name), options)


def print_all(shoot: Path, options: argparse.Namespace) -> None:
    # As an installer does it: where Python may not write, each process would do it anew.
    compileall.compile_dir(str(ROOT / "fitscan"), quiet=1)
    photos = sorted(shoot.glob("*.jpg"))
    print(f"{len(photos)} photos, {os.cpu_count()} cores, OpenCV {cv2.__version__}\n")
    # A run of its own: looking at the memory of several processes takes half a core.
    with Peak() as memory:
        one_survey(shoot, options.kit, options.camera)
    floors, wholes, seconds = [], [], []
    with TemporaryDirectory() as name:
        second = SecondSurvey(photos, options.kit, options.camera, Path(name))
        for _ in range(options.runs):
            floors.append(timed(lambda: floor(photos)))
            wholes.append(timed(lambda: one_survey(shoot, options.kit, options.camera)))
            seconds.append(second.timed())
    base = median_of(floors)[0]
    line("floor: decode and one detection", median_of(floors), base)
    line("whole survey, command to exit", median_of(wholes), base)
    print(f"memory at most, all processes: {memory.mb:.0f} MB")
    line("again, one photo more than before", median_of(seconds), base)
    shares = [b[0] / a[0] for a, b in zip(wholes, seconds, strict=True)]
    print(
        f"  of a whole survey's time: {median(shares):.2f} ({min(shares):.2f} to {max(shares):.2f})"
    )
    comparisons(shoot, options.kit, options.camera, options.runs)
    camera = read_camera(options.camera) if options.camera else None
    finished, stages = last_adjustment(shoot, read_kit(options.kit), camera)
    print("\nstages, one run:")
    for name, took in stages.items():
        print(f"  {name:<42}{took:8.2f} s")
    compare(finished, base)
    if options.growth:
        growth(photos)
    if options.colmap:
        beside_colmap()
    if options.accuracy:
        folder = options.photos[0].resolve().parent
        words = [str(folder), *([str(options.camera)] if options.camera else [])]
        print(flush=True)
        subprocess.run([sys.executable, str(ROOT / "tests/accuracy.py"), *words], check=True)


if __name__ == "__main__":
    main()
