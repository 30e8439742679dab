"""Simulated shoots adjusted once, from the truth, with fresh noise: fast enough for hundreds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from known_surveys import PHONE, quality
from scenes import LENS_SIGMA, Scene, Shots, lens_prior, take_photos

from fitscan.adjust.solve import Solution
from fitscan.adjust.statistics import Covariance
from fitscan.lens.model import Lens
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.priors import Priors
from fitscan.survey.state import State, rigid_of
from fitscan.survey.survey import Survey

__all__ = ["adjusted", "edges_of", "network_of", "solved_survey"]


def network_of(scene: Scene, lens: Lens, priors: Priors | None = None) -> Network:
    """The scene's unknowns."""
    names = [f"photo{i}" for i in range(len(scene.state.photo))]
    covariance = np.diag(LENS_SIGMA**2)
    markers = list(scene.markers)
    return Network.of(scene.kit, names, markers, lens, covariance, priors or Priors())


def edges_of(network: Network, shots: Shots) -> SquareObservations:
    """What edges on the model see in the scene's photos."""
    g = shots.geometry
    # The scene counts the kit's cuffs, the network those that are there.
    new = [network.cuff_row.get(c.first_id, -1) for c in network.kit.cuff]
    cuff = np.where(g.cuff >= 0, np.array([*new, -1], dtype=np.intp)[g.cuff], -1)
    g = replace(g, cuff=cuff)
    whitening = np.linalg.inv(np.linalg.cholesky(shots.covariance))
    rank = np.full(len(g), 9, dtype=np.intp)
    return SquareObservations(g, shots.observed, whitening, shots.px_per_mm, rank)


def adjusted(
    scene: Scene, seed: int, priors: Priors | None = None, start: State | None = None
) -> tuple[Network, Solution, Covariance]:
    """The scene's photos with fresh noise, adjusted once, started at the truth if not told."""
    prior = lens_prior(scene.lens, np.random.default_rng([seed, 1]))
    network = network_of(scene, prior.lens, priors)
    seen = edges_of(network, take_photos(scene, seed))
    there = [i for i, c in enumerate(scene.kit.cuff) if c.first_id in network.cuff_row]
    begin = start or scene.state
    begin = replace(begin, form=begin.form[there])
    solution = network.solve(begin, seen, robust=None, steps=8 if start is None else 30)
    return network, solution, network.covariance(solution)


def solved_survey(scene: Scene, seed: int) -> Survey:
    """The same as a survey, in the scene's own frame."""
    network, solution, covariance = adjusted(scene, seed)
    lens = Lens(solution.values["lens"][0], scene.lens.width_px, scene.lens.height_px)
    poses = tuple(rigid_of(row) for row in solution.values["marker"])
    forms = {m: tuple(f) for m, f in zip(network.cuffs, solution.values["form"], strict=True)}
    return Survey(
        f"seed {seed}", scene.kit, PHONE, lens, network.markers, poses, covariance.of("marker"),
        forms, (), (5,) * len(poses), quality(),
    )  # fmt: skip
