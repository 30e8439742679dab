"""Print how far surveys of rendered photos are from the truth, for any folder with truth files,
beside the same photos run through plain corners of OpenCV and of pyapriltags.

    python tests/accuracy.py sample_images [--camera camera.json] [--no-others]
        [--shoots door_open door_shut] [--gap BAR_SHOOT:TUBE TARGET_SHOOT:TUBE PART]
        [--recheck RECORD_SHOOT NOW_SHOOT PART ON]

The folder holds kit.toml, a folder of photos per shoot, and truth/<shoot>.json. Without --gap and
--recheck, the sample photos' own pairs are compared where the folder has them. The result is a
table in Markdown.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

import numpy as np
from plain_corners import DETECTORS, survey_with
from truth import Observed, Truth, accuracy, observed, read_truth
from truth_jobs import gap_error, recheck_error

from fitscan.errors import FitscanError
from fitscan.fit.gap import find_gap
from fitscan.fit.recheck import recheck
from fitscan.lens.camera_file import read_camera
from fitscan.markers.kit import Kit, read_kit
from fitscan.survey import build, quality
from fitscan.survey.quality import Finished
from fitscan.survey.shoot import survey_folder
from fitscan.survey.survey import Survey

OURS = "fitscan"
TARGETS = {
    "centres rms, max mm": "0.05, 0.2",
    "axis at cuffs, across, rms mm": "0.10",
    "direction over a straight, worst deg": "0.02",
    "scale error; U; 1.2 x the rules' U, per mille": "error and U in it",
    "cuff squares found": "90 %",
    "false observations left": "0",
    "gap, worst station mm; error over U": "0.15",
    "cage shift, worst axis mm; error over U": "0.05",
    "cage turn, worst axis deg; error over U": "0.005",
    "cuffs' shifts, worst mm; share within U": "",
}


@dataclass
class Column:
    """One way to survey the folder: its surveys, and what is said of each quantity."""

    name: str
    surveys: dict[str, Survey] = field(default_factory=dict)
    cells: dict[tuple[str, str], str] = field(default_factory=dict)


Way = Callable[[Path], tuple[Survey, Finished]]


def surveyed(run: Callable[[], Survey]) -> tuple[Survey, Finished]:
    """A survey with the adjustment that it was summed up from."""
    kept: list[Finished] = []
    whole = quality.sum_up

    def keeping(name: str, finished: Finished, *rest: object) -> Survey:
        kept.append(finished)
        return whole(name, finished, *rest)  # type: ignore[arg-type]

    with mock.patch.object(build, "sum_up", keeping):
        survey = run()
    return survey, kept[-1]


def rules_scale_u(kit: Kit, survey: Survey) -> float | None:
    """Relative standard uncertainty that the rules' own u leave to the scale, or None."""
    weight = [(r.length_mm / r.u_mm) ** 2 for r in kit.rule if all(map(survey.has, r.ids))]
    return float(1.0 / np.sqrt(np.sum(weight))) if weight else None


def fill(column: Column, shoot: str, truth: Truth, kit: Kit, seen: Observed, s: Survey) -> None:
    """Everything that one shoot shows."""
    a = accuracy(s, truth)

    def put(quantity: str, text: str) -> None:
        column.cells[shoot, quantity] = text

    put("centres rms, max mm", f"{a.centres_rms:.3f}, {a.centres_max:.3f}")
    put("axis at cuffs, across, rms mm", f"{a.axis_rms:.3f}")
    put("direction over a straight, worst deg", f"{a.direction_max:.4f}")
    own = rules_scale_u(kit, s)
    limit = f"{2.4e3 * own:.2f}" if own else "no rule"
    put(
        "scale error; U; 1.2 x the rules' U, per mille",
        f"{1e3 * a.scale_error:+.2f}; {2e3 * a.scale_u:.2f}; {limit}",
    )
    share = 100.0 * a.found_cuffs / max(a.visible_cuffs, 1)
    put("cuff squares found", f"{a.found_cuffs} of {a.visible_cuffs} ({share:.0f} %)")
    put(
        "false observations left",
        f"{seen.false} of {len(seen.off_px)} (worst centre {seen.off_px.max():.2f} px)",
    )


def compare(
    column: Column, truths: dict[str, Truth], gap: list[str] | None, back: list[str] | None
) -> None:
    """The two jobs."""
    if gap is not None:
        (bar_shoot, bar), (target_shoot, target) = (g.split(":") for g in gap[:2])
        if bar_shoot in column.surveys and target_shoot in column.surveys:
            opened, shut = column.surveys[target_shoot], column.surveys[bar_shoot]
            try:
                found = find_gap(shut, bar, opened, target, gap[2])
                e = gap_error(found, opened, truths[target_shoot], truths[bar_shoot])
                worst = max(np.abs(v).max() for v in (e.across, e.out, e.total))
                text = f"{worst:.3f}; {np.abs(e.normalised).max():.2f} ({len(e.total)} stations)"
            except FitscanError as error:
                text = error.what
            column.cells["both", "gap, worst station mm; error over U"] = text
    if back is None or not {back[0], back[1]} <= set(column.surveys):
        return
    try:
        result = recheck(column.surveys[back[0]], column.surveys[back[1]], back[2], back[3])
    except FitscanError as error:
        column.cells["both", "cage shift, worst axis mm; error over U"] = error.what
        return
    r = recheck_error(result, truths[back[0]], truths[back[1]])
    for name, off, u, digits in (
        ("shift, worst axis mm", r.shift, result.shift_expanded_mm, 3),
        ("turn, worst axis deg", r.turn, result.turn_expanded_deg, 4),
    ):
        text = f"{np.abs(off).max():.{digits}f}; {np.abs(off / u).max():.2f}"
        column.cells["both", f"cage {name}; error over U"] = text
    share = 100.0 * np.mean(np.abs(r.normalised) < 1.0)
    text = f"{r.cuffs.max():.3f}; {share:.0f} %"
    column.cells["both", "cuffs' shifts, worst mm; share within U"] = text


def report(columns: list[Column]) -> None:
    """Print the table."""
    names = [c.name for c in columns]
    print("| shoot | quantity | target | " + " | ".join(names) + " |")
    print("|---" * (3 + len(names)) + "|")
    for key in dict.fromkeys(k for c in columns for k in c.cells):
        cells = " | ".join(c.cells.get(key, "-") for c in columns)
        print(f"| {key[0]} | {key[1]} | {TARGETS.get(key[1], '')} | {cells} |")


def main() -> None:
    """Survey every shoot that has a truth file in every way, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("camera_file", type=Path, nargs="?")
    parser.add_argument("--camera", type=Path)
    parser.add_argument("--shoots", nargs="*")
    parser.add_argument("--no-others", action="store_true")
    parser.add_argument("--gap", nargs=3)
    parser.add_argument("--recheck", nargs=4)
    options = parser.parse_args()
    folder: Path = options.folder
    kit = read_kit(folder / "kit.toml")
    chosen = options.camera or options.camera_file
    camera = read_camera(chosen) if chosen else None
    truths = {
        path.stem: read_truth(path)
        for path in sorted((folder / "truth").glob("*.json"))
        if (folder / path.stem).is_dir() and path.stem in (options.shoots or [path.stem])
    }
    ways: dict[str, Callable[[Path], Survey]] = {OURS: lambda f: survey_folder(f, kit, camera)}
    if not options.no_others:
        for name, detector in DETECTORS.items():
            ways[name] = lambda f, d=detector: survey_with(d, f, kit, camera)  # type: ignore[misc]
    columns = []
    for name, way in ways.items():
        column = Column(name)
        columns.append(column)
        for shoot, truth in truths.items():
            begin = time.monotonic()
            try:
                survey, finished = surveyed(lambda w=way, s=shoot: w(folder / s))  # type: ignore[misc]
            except (FitscanError, ImportError) as error:
                column.cells[shoot, "centres rms, max mm"] = str(error).splitlines()[0]
                continue
            column.surveys[shoot] = survey
            fill(column, shoot, truth, kit, observed(finished, truth), survey)
            column.cells[shoot, "seconds"] = f"{time.monotonic() - begin:.0f}"
        gap = options.gap or ["door_shut:door bar", "door_open:door bar seat", "trim"]
        back = options.recheck or ["cage_tacked", "cage_refit", "cage", "shell"]
        compare(column, truths, gap, back)
    report(columns)


if __name__ == "__main__":
    main()
