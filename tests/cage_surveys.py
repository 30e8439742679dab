"""Two surveys of one cage, before and after, whose truth is known; solved once for all tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scenes import (
    Door,
    Scene,
    cabin_cameras,
    cage_scene,
    door_kit,
    door_scene,
    survey_of,
    take_photos,
    true_survey,
    with_cameras,
    with_motions,
)

from fitscan.geometry.rigid import Rigid
from fitscan.survey.survey import Survey

__all__ = ["cage", "covered", "doors", "error_free", "known_after", "known_before", "surveyed"]

PHOTOS = 18


@lru_cache(maxsize=1)
def cage() -> Scene:
    """The cabin with eight cuffs and the car's axes."""
    return cage_scene(1, PHOTOS)


def surveyed(
    motions: Mapping[int, Rigid] | None = None, seed: int = 9, name: str = "now"
) -> Survey:
    """Photograph the cage anew, after some markers moved, and solve the shoot."""
    cams = cabin_cameras(np.random.default_rng(seed), PHOTOS)
    scene = with_motions(with_cameras(cage(), cams, seed), motions or {})
    return survey_of(take_photos(scene, seed), name="now")


@lru_cache(maxsize=1)
def known_before() -> Survey:
    """A record whose poses are the truth and whose covariance is a real survey's."""
    return true_survey(survey_of(take_photos(cage(), 1), name="record"), cage().poses)


@lru_cache(maxsize=1)
def _after() -> Survey:
    return surveyed()


def known_after(motions: Mapping[int, Rigid] | None = None) -> Survey:
    """The same for the second shoot, after some markers moved in the car."""
    return true_survey(_after(), with_motions(cage(), motions or {}).poses)


def error_free(survey: Survey, size: float = 1e-12) -> Survey:
    """The survey with a covariance that hardly matters, for questions about values."""
    return replace(survey, covariance=size * np.eye(len(survey.covariance)))


@lru_cache(maxsize=8)
def doors(stubs: int = 2, door: Door | None = None) -> tuple[Survey, Survey, Scene, Scene]:
    """Open and shut door as really surveyed, and their scenes."""
    kit = door_kit(stubs)
    opened = door_scene(opened=True, kit=kit, door=door)
    shut = door_scene(opened=False, kit=kit, door=door)
    return (
        survey_of(take_photos(opened, 1), name="open"),
        survey_of(take_photos(shut, 2), name="shut"),
        opened,
        shut,
    )


def covered(errors: np.ndarray, expanded: np.ndarray) -> float:
    """Share of errors that are within their expanded uncertainty."""
    return float(np.mean(np.abs(errors) <= expanded))
