"""A survey asked about photos that it does not have: its network again, and what stands in the way.

Which photos to ask about is left to `advise`; the covariance to `fitscan.survey.foresee`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.plan.sight import seen_squares
from fitscan.plan.spots import Spot, photo_rows
from fitscan.plan.stage import Stage, bars_of, discs_of
from fitscan.plan.wish import Functional
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.survey.foresee import Foresight, Information, foresight_of, information
from fitscan.survey.gauge import told_blocks
from fitscan.survey.survey import PhotoEntry, Survey

__all__ = ["Lookout", "Offer"]

_LEAST_MARKERS = 4
"""Of fewer one could not say later where the photo was taken."""


@dataclass(frozen=True)
class Offer:
    """A photo that could be taken.

    Attributes:
        spot: from where.
        information: what it would say.
        squares: how many it would show.
        markers: ids that it would show.
    """

    spot: Spot
    information: Information
    squares: int
    markers: tuple[int, ...]


@dataclass(frozen=True)
class Lookout:
    """A survey, ready to be asked.

    Attributes:
        survey: whose.
        first: its adjustment, set up again.
        foresight: the same with the photos that were added since.
        stage: what stands where, in the survey's frame.
        axes: the car's, if known.
        photos: those that were used.
        eyes: (n, 3) where they were taken.
    """

    survey: Survey
    first: Foresight
    foresight: Foresight
    stage: Stage
    axes: CarAxes
    photos: tuple[PhotoEntry, ...]
    eyes: Array

    @staticmethod
    def of(survey: Survey) -> Lookout:
        """Set up a survey's network again.

        Raises:
            DataError: its photos do not hang together, or its datum is degenerate.
        """
        poses = dict(zip(survey.markers, survey.poses, strict=True))
        stage = Stage(survey.kit, poses, bars_of(survey.kit, poses), discs_of(survey.kit, poses))
        used = tuple(p for p in survey.photos if p.refused is None and p.cam_from_survey)
        eyes = np.array([_eye(p.cam_from_survey) for p in used if p.cam_from_survey is not None])
        built = foresight_of(survey)
        return Lookout(survey, built, built, stage, car_axes(survey), used, eyes)

    def offers(self, spots: list[Spot], must: frozenset[int] = frozenset()) -> list[Offer]:
        """What photos would say, of those that show a marker of `must` (any if empty)."""
        network, state = self.foresight.network, self.foresight.state
        rows = photo_rows(spots)
        if must:
            first = seen_squares(self.stage, network, state, rows, only=must)
            keep = np.unique(first.photo)
            spots, rows = [spots[i] for i in keep], rows[keep]
        if not spots:
            return []
        squares = seen_squares(self.stage, network, state, rows)
        # A photo of few markers is not worth the work of asking what it would say.
        shown = np.unique(squares.photo * len(network.markers) + squares.marker)
        count = np.bincount(shown // len(network.markers), minlength=len(spots))
        enough = np.flatnonzero(count >= _LEAST_MARKERS)
        squares = squares.take(np.isin(squares.photo, enough))
        squares = replace(squares, photo=np.searchsorted(enough, squares.photo))
        out = []
        for c, info in enumerate(information(self.foresight, rows[enough], squares)):
            if info is not None:
                own = squares.photo == c
                ids = sorted({network.markers[i] for i in squares.marker[own]})
                out.append(Offer(spots[enough[c]], info, int(own.sum()), tuple(ids)))
        return out

    def expanded(self, what: Functional, *, scale: bool) -> float:
        """U (k = 2) mm as the survey itself knows it."""
        s = self.survey
        rows = what.over(s.markers, self.stage.poses, scale=scale)
        return what.expanded(rows @ s.covariance @ rows.T)

    def after(self, rows: Array, what: Functional, offers: Sequence[Offer]) -> list[float]:
        """U (k = 2) mm with one more photo, each of some, of a functional's rows (r, K)."""
        infos = [o.information for o in offers]
        return [what.expanded(c) for c in self.foresight.seen_from_each(rows, infos)]

    def grown(self, offer: Offer) -> Lookout:
        """The same after a photo was taken."""
        return replace(self, foresight=self.foresight.grown(offer.information))

    @cached_property
    def each(self) -> Array:
        """U (n,) k = 2, mm, of every marker's centre, scale aside."""
        centres = np.array([self.stage.poses[m].translation for m in self.survey.markers])
        blocks = told_blocks(self.foresight.of_markers, centres, scale=False)[:, 3:, 3:]
        worst = np.clip(np.linalg.eigvalsh(blocks)[:, -1], 0.0, None)
        return np.asarray(COVERAGE * np.sqrt(worst))

    def sights(self, marker: int) -> Array:
        """Rows of the photos that show a marker."""
        ids = set(self.foresight.network.layout.markers[marker])
        return np.array([i for i, p in enumerate(self.photos) if ids & set(p.tags)], dtype=np.intp)


def _eye(cam: Rigid) -> Array:
    return np.asarray(-cam.rotation.T @ cam.translation)
