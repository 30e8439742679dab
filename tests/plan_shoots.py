"""Shoots that are short of a photo, and a rough list of the cabin, for the tests of plans."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from scenes import Scene, Shots, cage_scene, survey_of, take_photos, with_cameras

from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.survey.state import rigid_of
from fitscan.survey.survey import Survey

__all__ = ["PLACES", "SHORT", "one_sided", "scene", "world_from_survey"]

SHORT = 100
"""The cuff that the one-sided shoot shows in two photos only."""

PLACES = """
ground_mm = -300.0

[[tag]]
ids = [0, 4, 8, 12, 16, 20]
start = [-900, 700, 300]
end = [900, 700, 700]
faces = "right"

[[tag]]
ids = [1, 5, 9, 13, 17, 21]
start = [-900, -700, 700]
end = [900, -700, 300]
faces = "left"

[[tag]]
ids = [2, 6, 10, 14]
start = [-700, 300, 0]
end = [800, -300, 0]
faces = "up"

[[tag]]
ids = [50, 51]
start = [-400, -300, 30]
end = [400, -300, 30]
faces = "up"

[[tube]]
name = "main hoop"
straight = 1
start = [180, 550, 100]
end = [60, 550, 1000]

[[tube]]
name = "main hoop"
straight = 3
start = [180, -550, 100]
end = [60, -550, 1000]

[[block]]
start = [-1000, 760, -200]
end = [1000, 780, 250]
"""


@lru_cache(maxsize=1)
def scene() -> Scene:
    return cage_scene(seed=6, photos=14)


@lru_cache(maxsize=1)
def shots() -> Shots:
    return take_photos(scene(), 7)


@lru_cache(maxsize=1)
def one_sided() -> Survey:
    """A survey in which all but two photos, which stood side by side, have missed one cuff."""
    seen = shots()
    row = seen.scene.markers.index(SHORT)
    photos = np.unique(seen.geometry.photo[seen.geometry.marker == row])
    eyes = {p: eye(seen.scene, int(p)) for p in photos}
    pairs = [
        (float(np.linalg.norm(eyes[a] - eyes[b])), a, b) for a in photos for b in photos if a < b
    ]
    _, first, second = min(pairs)
    keep = (seen.geometry.marker != row) | np.isin(seen.geometry.photo, [first, second])
    return survey_of(seen.only(keep), name="one-sided")


def eye(where: Scene, photo: int) -> np.ndarray:
    """Where a photo of a scene was taken."""
    cam = rigid_of(where.state.photo[photo])
    return np.asarray(-cam.rotation.T @ cam.translation)


def world_from_survey(survey: Survey) -> Rigid:
    """The scene seen from a survey of it."""
    here = np.array([p.translation for p in survey.poses])
    there = np.array([scene().poses[m].translation for m in survey.markers])
    return align_points(here, there, with_scale=False).b_from_a


def survey_with(survey: Survey, cam_from_survey: Rigid) -> Survey:
    """The one-sided shoot with one more photo, really adjusted."""
    cams = [rigid_of(row) for row in scene().state.photo]
    cams.append(cam_from_survey @ world_from_survey(survey).inverse())
    larger = with_cameras(scene(), cams)
    photo = larger.state.photo.copy()
    photo[:-1] = scene().state.photo
    larger = replace(larger, state=replace(larger.state, photo=photo))
    seen = take_photos(larger, 7)
    row = scene().markers.index(SHORT)
    given = {p.name: set(p.tags) for p in survey.photos}
    allowed = np.array(
        [
            m != row or p == len(cams) - 1 or int(t) in given.get(f"photo{p:02d}.jpg", set())
            for m, p, t in zip(seen.geometry.marker, seen.geometry.photo, seen.geometry.tag_id,
                               strict=True)
        ]
    )  # fmt: skip
    return survey_of(seen.only(allowed), name="one more")
