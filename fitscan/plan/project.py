"""A shoot that is to be planned: what stands where, the phone, and where one could hold it.

It comes from a rough list or from an earlier survey; choosing photos is left to `greedy`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.camera_file import CameraFile, read_camera
from fitscan.lens.match import SESSION_FOCAL_SIGMA
from fitscan.lens.model import Lens
from fitscan.markers.kit import Kit, read_kit
from fitscan.markers.layout import Layout
from fitscan.plan.lookout import Lookout
from fitscan.plan.places_file import PlacesFile, read_places, stage_of
from fitscan.plan.spots import HIGHEST_MM, LOWEST_MM, UP_MM, Spot, within_a_step
from fitscan.plan.stage import Stage, bars_of, discs_of
from fitscan.shape.datum import CarAxes
from fitscan.survey.foresee import GUESSED_SIGMA, LENS_SIGMA, Sharpness
from fitscan.survey.network import Network
from fitscan.survey.priors import Priors
from fitscan.survey.state import State, pack_markers
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import read_survey

__all__ = ["Project", "project_from_files", "project_of_places", "project_of_survey", "spots_of"]

TYPICAL = Lens(np.array([3028.0, 1.0, 2015.5, 1511.5, 0.0, 0.0, 0.0, 0.0, 0.0]), 4032, 3024)
"""A phone's main lens of 26 mm for 35 mm film over 12 megapixels (common practice, no source)."""

_STEP_MM = 450.0
_OUT_MM = 1300.0
_HEIGHTS_MM = (LOWEST_MM, 850.0, 1300.0, HIGHEST_MM)


@dataclass(frozen=True)
class Project:
    """A shoot to plan.

    Attributes:
        stage: what stands where.
        network, state: its unknowns, without a photo.
        sharpness: how well squares will be measured.
        eyes: (n, 3) where a phone could be held.
        axes: the car's, as far as they are known.
        ground_mm: height of the ground in the stage's frame, None when nobody said.
        lens_words: what is assumed of the phone.
    """

    stage: Stage
    network: Network
    state: State
    sharpness: Sharpness
    eyes: Array
    axes: CarAxes
    ground_mm: float | None
    lens_words: str


def project_of_places(
    places: PlacesFile, kit: Kit, camera: CameraFile | None, where: str
) -> Project:
    """A shoot from a rough list; one can stand anywhere on the ground where nothing is.

    Raises:
        InputError: the list and the kit do not belong together.
    """
    stage = stage_of(places, kit, where)
    low, high = stage.centres.min(axis=0) - _OUT_MM, stage.centres.max(axis=0) + _OUT_MM
    across = [np.arange(a, b + 1.0, _STEP_MM) for a, b in zip(low[:2], high[:2], strict=True)]
    grid = np.meshgrid(*across, places.ground_mm + np.array(_HEIGHTS_MM), indexing="ij")
    eyes = np.stack([g.reshape(-1) for g in grid], axis=1)
    eyes = eyes[stage.free(eyes, 200.0)]
    network, state = _network(stage, *_lens(camera))
    words = "the camera file's lens" if camera is not None else "a phone's main lens, 12 megapixels"
    return Project(
        stage, network, state, Sharpness(), eyes, CarAxes(Rigid.identity(), known=True),
        places.ground_mm, words,
    )  # fmt: skip


def project_of_survey(survey: Survey, kit: Kit | None, camera: CameraFile | None) -> Project:
    """A shoot of what an earlier one showed, from places near those of its photos.

    Raises:
        DataError: the survey's photos do not hang together.
        InputError: the kit has none of the survey's markers.
    """
    lookout = Lookout.of(survey)
    plan = kit or survey.kit
    known = set(Layout.of(plan).markers)
    poses = {m: p for m, p in lookout.stage.poses.items() if m in known}
    if not poses:
        raise InputError(
            "The survey has none of the kit's markers", survey.frame, "name the kit of this job"
        )
    stage = Stage(plan, poses, bars_of(plan, poses), discs_of(plan, poses))
    low, high = lookout.eyes.min(axis=0) - 600.0, lookout.eyes.max(axis=0) + 600.0
    low[2], high[2] = lookout.eyes[:, 2].min() - UP_MM, lookout.eyes[:, 2].max() + UP_MM
    steps = [np.arange(a, b + 1.0, 0.75 * _STEP_MM) for a, b in zip(low, high, strict=True)]
    grid = np.meshgrid(*steps, indexing="ij")
    eyes = np.stack([g.reshape(-1) for g in grid], axis=1)
    eyes = eyes[stage.free(eyes)]
    eyes = np.concatenate([lookout.eyes, eyes[within_a_step(stage, eyes, lookout.eyes, 600.0)]])
    lens, sigma = _lens(camera) if camera is not None else _own_lens(survey)
    network, state = _network(stage, lens, sigma)
    words = "the camera file's lens" if camera is not None else "the survey's lens"
    return Project(stage, network, state, lookout.first.sharpness, eyes, lookout.axes, None, words)


def _lens(camera: CameraFile | None) -> tuple[Lens, Array]:
    if camera is None:
        sigma = LENS_SIGMA.copy()
        sigma[0] *= TYPICAL.values[0]
        return TYPICAL, np.diag(sigma**2)
    covariance = camera.covariance_matrix()
    covariance[0, 0] += (SESSION_FOCAL_SIGMA * camera.lens.f_px) ** 2
    return camera.lens_model(), covariance


def _own_lens(survey: Survey) -> tuple[Lens, Array]:
    calibrated = survey.quality.lens_source == "camera file"
    sigma = (LENS_SIGMA if calibrated else GUESSED_SIGMA).copy()
    sigma[0] *= survey.lens.values[0]
    return survey.lens, np.diag(sigma**2)


def _network(stage: Stage, lens: Lens, covariance: Array) -> tuple[Network, State]:
    priors = Priors(focal_factor=0.001, principal_point_px=0.8)
    network = Network.of(stage.kit, [], list(stage.poses), lens, covariance, priors)
    state = State(
        np.zeros((0, 16)),
        pack_markers(list(stage.poses.values())),
        np.zeros((len(network.cuffs), 3)),
        lens.values[None].copy(),
        np.ones((1, 2)),
        np.zeros((1, 1)),
    )
    return network, state


def spots_of(project: Project, aims: Array) -> list[Spot]:
    """Every place, looking at each of some points (k, 3) and at their middle, both ways held."""
    out = []
    for eye in project.eyes:
        away = np.linalg.norm(aims - eye, axis=1)
        chosen = {int(np.argmin(away)), int(np.argmin(np.abs(away - 1400.0)))}
        points = [aims[i] for i in sorted(chosen) if away[i] > 300.0]
        out += [Spot(eye, p, upright) for p in points for upright in (False, True)]
    return out


def project_from_files(
    kit: Path | None, places: Path | None, survey: Path | None, camera: Path | None
) -> Project:
    """A project from what was named on the command line.

    Raises:
        InputError: neither a list nor a survey, or both, or a list without a kit; or a file that
            cannot be used.
    """
    if (places is None) == (survey is None):
        what = "Nobody said where things are" if places is None else "Places are told twice"
        raise InputError(what, "", "name a rough list with --places, or a survey with --survey")
    lens = read_camera(camera) if camera is not None else None
    if survey is not None:
        return project_of_survey(read_survey(survey), read_kit(kit) if kit else None, lens)
    if kit is None or places is None:
        raise InputError(
            "A list of places needs the kit that it belongs to", "--places", "add --kit kit.toml"
        )
    return project_of_places(read_places(places), read_kit(kit), lens, str(places))
