"""A tube's centre line as a function of poses: its straights and, with a known radius, its bends.

Lengths, angles and planes of bends are left to `tube`; what the line is held against to
`fitscan.fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.geometry.rotation import Array
from fitscan.shape.propagate import MarkerInput, Poses
from fitscan.shape.straight import CUFF_REACH_MM
from fitscan.shape.tube import TubeModel
from fitscan.survey.survey import Survey

__all__ = ["CentreLine", "Places"]


@dataclass(frozen=True)
class Places:
    """Places on a centre line, fixed to the tube.

    Attributes:
        piece: (n,) which piece: 2 i for straight i, 2 i + 1 for the bend behind it.
        at: (n,) mm from the middle of a straight's cuffs, or the share (0 to 1) of a bend.
        run: (n,) mm along the centre line from the tube's first measured place.
    """

    piece: Array
    at: Array
    run: Array

    def __len__(self) -> int:
        """How many."""
        return len(self.run)

    def take(self, rows: npt.NDArray[np.intp]) -> Places:
        """Some of the places."""
        return Places(self.piece[rows], self.at[rows], self.run[rows])


@dataclass(frozen=True)
class CentreLine:
    """The centre line of a tube.

    Attributes:
        tube: name; od_mm: outside diameter.
        model: the tube as a function of poses.
        names: of the pieces, by their number.
        spans: from where to where each piece is known, in the terms of `Places.at`.
        poses: as surveyed.
    """

    tube: str
    od_mm: float
    model: TubeModel
    names: dict[int, str]
    spans: dict[int, tuple[float, float]]
    poses: Poses

    @staticmethod
    def of(survey: Survey, tube: str, clr_mm: float | None = None) -> CentreLine:
        """Centre line of a tube; without a radius its bends are left open.

        Raises:
            InputError, DataError: as `fitscan.shape.tube.find_tube`.
        """
        clr_mm = survey.kit.clr_of(tube) if clr_mm is None else clr_mm
        model = TubeModel.of(survey, tube, clr_mm)
        cuffs = tuple(c for r in model.rules for c in r.cuffs)
        poses = MarkerInput(survey, cuffs).poses
        values = model.values(poses)
        names: dict[int, str] = {}
        spans: dict[int, tuple[float, float]] = {}
        for i, rule in enumerate(model.rules):
            number = rule.straight.number
            names[2 * i] = f"straight {number}"
            axis = rule.axis(poses)
            along = axis.along(np.array([poses[c].translation for c in rule.cuffs]))
            low, high = float(along.min()) - CUFF_REACH_MM, float(along.max()) + CUFF_REACH_MM
            if clr_mm is not None and i - 1 in model.bends:
                low = float(axis.along(values[f"tangents {i - 1}"][3:]))
            if clr_mm is not None and i in model.bends:
                high = float(axis.along(values[f"tangents {i}"][:3]))
                names[2 * i + 1] = f"bend {number}-{number + 1}"
                spans[2 * i + 1] = (0.0, 1.0)
            spans[2 * i] = (low, max(high, low))
        return CentreLine(tube, model.rules[0].straight.od_mm, model, names, spans, poses)

    @property
    def cuffs(self) -> tuple[int, ...]:
        """First ids of its cuffs."""
        return tuple(c for r in self.model.rules for c in r.cuffs)

    @property
    def radius_mm(self) -> float:
        """Of the tube's outside."""
        return 0.5 * self.od_mm

    @property
    def open_bends(self) -> bool:
        """Whether it has bends that nothing is known of for lack of a radius."""
        return bool(self.model.bends) and self.model.clr_mm is None

    def places(self, step_mm: float) -> Places:
        """Places all along it, no farther apart than a step within a piece."""
        piece, at, run = [], [], []
        done = 0.0
        values = self.model.values(self.poses)
        end: Array | None = None
        for number in sorted(self.spans):
            low, high = self.spans[number]
            i, bent = divmod(number, 2)
            length = float(values[f"arc {i}"][0]) if bent else high - low
            share = np.linspace(0.0, 1.0, max(2, int(np.ceil(length / step_mm)) + 1))
            first = Places(np.array([number]), np.array([low]), np.zeros(1))
            start = self.points(self.poses, first)[0]
            # An open bend is jumped over in a straight line.
            done += 0.0 if end is None else float(np.linalg.norm(start - end))
            piece.append(np.full(len(share), number))
            at.append(low + share * (high - low))
            run.append(done + share * length)
            done += length
            last = Places(np.array([number]), np.array([high]), np.zeros(1))
            end = self.points(self.poses, last)[0]
        return Places(np.concatenate(piece), np.concatenate(at), np.concatenate(run))

    def points(self, poses: Poses, places: Places) -> Array:
        """Points (n, 3) for poses, in the survey's frame."""
        return self.points_and_tangents(poses, places)[0]

    def points_and_tangents(self, poses: Poses, places: Places) -> tuple[Array, Array]:
        """Points (n, 3) and unit tangents (n, 3) for poses, in the survey's frame."""
        values = self.model.values(poses)
        points, tangents = np.empty((len(places), 3)), np.empty((len(places), 3))
        for number in np.unique(places.piece):
            i, bent = divmod(int(number), 2)
            rows = places.piece == number
            at = places.at[rows][:, None]
            if not bent:
                points[rows] = values[f"middle {i}"] + at * values[f"direction {i}"]
                tangents[rows] = values[f"direction {i}"]
                continue
            before, after = values[f"direction {i}"], values[f"direction {i + 1}"]
            angle = float(values[f"angle {i}"][0])
            inward = after - (after @ before) * before
            inward = inward / np.linalg.norm(inward)
            assert self.model.clr_mm is not None  # Bends are pieces only with a radius.
            radius = self.model.clr_mm
            centre = values[f"tangents {i}"][:3] + radius * inward
            cos, sin = np.cos(at * angle), np.sin(at * angle)
            points[rows] = centre + radius * (before * sin - inward * cos)
            tangents[rows] = before * cos + inward * sin
        return points, tangents
