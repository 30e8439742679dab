"""The truth of rendered photos, and how far a survey is from it.

The tool itself never reads these files.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import angle_between
from fitscan.survey.quality import Finished
from fitscan.survey.survey import Survey

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """What was rendered.

    Attributes:
        content: the whole file.
        poses: world_from_marker by id.
    """

    content: dict[str, Any]
    poses: dict[int, Rigid]

    def straight(self, tube: str, number: int) -> tuple[Array, Array]:
        """Point (3,) and unit direction (3,) of a straight's axis in the world."""
        for t in self.content["tubes"]:
            if t["tube"] == tube and t["straight"] == number:
                return np.array(t["point"]), np.array(t["direction"])
        raise KeyError((tube, number))


def read_truth(path: Path) -> Truth:
    """Read a truth file."""
    content = json.loads(path.read_text(encoding="utf-8"))
    poses = {}
    for key, marker in content["markers"].items():
        matrix = np.array(marker["world_from_marker"])
        poses[int(key)] = Rigid(matrix[:3, :3], matrix[:3, 3])
    return Truth(content, poses)


@dataclass(frozen=True)
class Accuracy:
    """A survey against its truth; lengths in mm, angles in deg.

    Attributes:
        centres_rms, centres_max: of marker centres after a similarity.
        axis_rms: of cuffs across their tube, after the same similarity.
        direction_max: of straights with two cuffs or more.
        scale_error: relative; scale_u: the survey's own standard uncertainty of it.
        visible_cuffs, found_cuffs: cuff squares of 20 px or more seen at less than 60 deg and
            free, and how many of them were measured.
        worst: id of the marker that is off most.
    """

    centres_rms: float
    centres_max: float
    axis_rms: float
    direction_max: float
    scale_error: float
    scale_u: float
    visible_cuffs: int
    found_cuffs: int
    worst: int


def accuracy(survey: Survey, truth: Truth) -> Accuracy:
    """Compare."""
    markers = [m for m in survey.markers if m in truth.poses]
    found = np.array([survey.poses[survey.row(m)].translation for m in markers])
    true = np.array([truth.poses[m].translation for m in markers])
    fit = align_points(found, true, with_scale=True)
    off = fit.apply(found) - true
    size = np.linalg.norm(off, axis=1)
    across, directions = [], []
    cuffs = {c.first_id: c for c in survey.kit.cuff}
    straights: dict[tuple[str, int], list[Array]] = {}
    for i, m in enumerate(markers):
        if m in cuffs:
            along = truth.poses[m].rotation[:, 2]
            across.append(np.linalg.norm(off[i] - (off[i] @ along) * along))
            key = (cuffs[m].tube, cuffs[m].straight)
            straights.setdefault(key, []).append(fit.apply(found[i]))
    for (tube, number), places in straights.items():
        if len(places) > 1:
            run = places[-1] - places[0]
            direction = truth.straight(tube, number)[1]
            angle = angle_between(run, direction)
            directions.append(np.degrees(min(angle, np.pi - angle)))
    visible, seen = _cuff_squares(survey, truth)
    return Accuracy(
        float(np.sqrt(np.mean(size**2))),
        float(size.max()),
        float(np.sqrt(np.mean(np.square(across)))) if across else 0.0,
        float(max(directions, default=0.0)),
        fit.scale - 1.0,
        survey.quality.scale_u,
        visible,
        seen,
        markers[int(size.argmax())],
    )


@dataclass(frozen=True)
class Observed:
    """The squares of a finished adjustment against the truth.

    Attributes:
        off_px: (n,) distance of each square's centre from its true place; of those that are there.
        side_px: (n,) true mean side.
        false: how many are false: not in the picture there, or hidden by more than half, or
            centred elsewhere by more than `FALSE_PX` and a fiftieth of the side.
        names: photo and id of the false ones.
    """

    off_px: Array
    side_px: Array
    false: int
    names: tuple[tuple[str, int], ...]


FALSE_PX, FALSE_SHARE, FALSE_HIDDEN = 0.5, 0.02, 0.5


def observed(finished: Finished, truth: Truth) -> Observed:
    """Hold every square that stayed in the adjustment against the truth's pictures."""
    seen, photos = finished.cleaned.seen, finished.cleaned.network.photos
    centres = seen.observed[:, :8].reshape(-1, 4, 2).mean(axis=1)
    off, sides, names = [], [], []
    for row, centre in enumerate(centres):
        photo, tag_id = photos[int(seen.geometry.photo[row])], int(seen.geometry.tag_id[row])
        visible = {t["id"]: t for t in truth.content["photos"][photo]["visible"]}
        tag = visible.get(tag_id)
        if tag is None:
            names.append((photo, tag_id))
            continue
        miss = float(np.linalg.norm(centre - np.mean(tag["corners_px"], axis=0)))
        off.append(miss)
        sides.append(tag["side_px"])
        if tag["occluded"] > FALSE_HIDDEN or miss > max(FALSE_PX, FALSE_SHARE * tag["side_px"]):
            names.append((photo, tag_id))
    return Observed(np.array(off), np.array(sides), len(names), tuple(names))


def _cuff_squares(survey: Survey, truth: Truth) -> tuple[int, int]:
    on_cuffs = {i for c in survey.kit.cuff for i in c.ids}
    measured = {p.name: set(p.tags) for p in survey.photos}
    visible = seen = 0
    for name, photo in truth.content["photos"].items():
        for tag in photo["visible"]:
            fair = tag["side_px"] >= 20 and tag["obliquity_deg"] < 60 and tag["occluded"] < 0.02
            if tag["id"] in on_cuffs and fair:
                visible += 1
                seen += tag["id"] in measured.get(name, set())
    return visible, seen
