"""Every nuisance: an injected value is found again, held at zero it would bend the survey, and
where it is absent it does no harm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scenes import Scene, redrawn, small_scene, well_seen
from solved import adjusted

from fitscan.adjust.statistics import Covariance
from fitscan.geometry.align import align_points
from fitscan.geometry.rotation import Array
from fitscan.survey.priors import NUISANCES, Priors
from fitscan.survey.state import State

PHOTOS = 12


@lru_cache(maxsize=1)
def bare() -> Scene:
    """A cabin without a single nuisance, its rules read exactly."""
    tiny = Priors().without(*NUISANCES)
    scene = redrawn(well_seen(small_scene(6, PHOTOS)), 6, tiny)
    poses = scene.poses
    rules = tuple(
        r.model_copy(
            update={
                "length_mm": float(
                    np.linalg.norm(poses[r.ids[0]].translation - poses[r.ids[1]].translation)
                )
            }
        )
        for r in scene.kit.rule
    )
    kit = scene.kit.model_copy(update={"rule": rules})
    return replace(scene, kit=kit, state=cleared(scene.state))


def cleared(state: State) -> State:
    """The state with every nuisance at zero."""
    photo = state.photo.copy()
    photo[:, 12:16] = 0.0
    return replace(
        state, photo=photo, form=np.zeros_like(state.form), printer=np.ones((1, 2)),
        ink=np.zeros((1, 1)), split=np.zeros((1, 1)), wrap=np.zeros((1, 2)),
    )  # fmt: skip


Change = Callable[[State, np.random.Generator], State]


def photos(column: slice, size: float) -> Change:
    def change(state: State, rng: np.random.Generator) -> State:
        photo = state.photo.copy()
        photo[:, column] = size * rng.choice([-1.0, 1.0], photo[:, column].shape)
        return replace(state, photo=photo)

    return change


def cuffs(column: int, size: float) -> Change:
    def change(state: State, rng: np.random.Generator) -> State:
        form = state.form.copy()
        form[:, column] = size * np.resize([1.0, 0.5, 1.0, -0.2], len(form))
        return replace(state, form=form)

    return change


def printed(state: State, _: np.random.Generator) -> State:
    form = state.form.copy()
    form[:, 2] = -0.006
    return replace(state, printer=np.array([[0.994, 1.005]]), form=form)


def inked(state: State, _: np.random.Generator) -> State:
    return replace(state, ink=np.array([[0.08]]))


CASES: dict[str, Change] = {
    "focal factor": photos(slice(12, 13), 0.003),
    "edge shift": photos(slice(13, 14), 0.8),
    "principal point": photos(slice(14, 16), 1.2),
    "printer": printed,
    "ink": inked,
    "skew": cuffs(0, 0.02),
    "radius": cuffs(1, 0.25),
    "pitch": cuffs(2, 0.006),
}
"""Each about as large as it comes in a workshop, or larger."""


def values_of(name: str, state: dict[str, Array]) -> Array:
    """The nuisance's own numbers."""
    columns = {"focal factor": slice(12, 13), "edge shift": slice(13, 14),
               "principal point": slice(14, 16)}  # fmt: skip
    if name in columns:
        return np.asarray(state["photo"][:, columns[name]]).ravel()
    if name in ("skew", "radius", "pitch"):
        return np.asarray(state["form"][:, ["skew", "radius", "pitch"].index(name)])
    return np.asarray(state[name]).ravel()


def stated(name: str, covariance: Covariance, photos_: int) -> Array:
    """Standard uncertainties of the same numbers."""
    columns = {"focal factor": [6], "edge shift": [7], "principal point": [8, 9]}
    if name in columns:
        own = [np.diag(covariance.eliminated(i))[columns[name]] for i in range(photos_)]
        return np.asarray(np.sqrt(np.concatenate(own)))
    if name in ("skew", "radius", "pitch"):
        whole = np.diag(covariance.of("form")).reshape(-1, 3)
        return np.asarray(np.sqrt(whole[:, ["skew", "radius", "pitch"].index(name)]))
    return np.asarray(np.sqrt(np.diag(covariance.of(name))))


def centres_rms(scene: Scene, priors: Priors) -> tuple[float, dict[str, Array], Covariance]:
    """Root mean square error of centres, mm, and the adjustment, begun without any nuisance."""
    _, solution, covariance = adjusted(scene, 6, priors, cleared(scene.state))
    found, true = solution.values["marker"][:, 9:12], scene.state.marker[:, 9:12]
    fit = align_points(true, found, with_scale=False)
    off = np.linalg.norm(fit.apply(true) - found, axis=1)
    return float(np.sqrt(np.mean(off**2))), dict(solution.values), covariance


def injected(name: str) -> Scene:
    scene = bare()
    return replace(scene, state=CASES[name](scene.state, np.random.default_rng(5)))


BENDS_CENTRES = ("focal factor", "principal point", "printer", "skew", "radius", "pitch")
"""Held at zero, these bend the centres; the edge shift and the ink only hide in each other."""


@pytest.mark.parametrize("name", CASES)
def test_an_injected_value_is_found_again(name: str) -> None:
    scene = injected(name)
    error, values, covariance = centres_rms(scene, Priors())
    state = {g.name: g.values for g in scene.state.groups()}
    off = values_of(name, values) - values_of(name, state)
    u = stated(name, covariance, PHOTOS)
    assert np.abs(off / u).max() < 4.0
    # And found means more than allowed for: most of it is known afterwards.
    assert np.median(u) < 0.5 * np.abs(values_of(name, state) - (name == "printer")).max()
    if name in BENDS_CENTRES:
        held, _, _ = centres_rms(scene, Priors().without(name))
        assert held > 1.5 * error


@lru_cache(maxsize=1)
def all_on() -> float:
    return centres_rms(bare(), Priors())[0]


@pytest.mark.parametrize("name", CASES)
def test_a_nuisance_that_is_absent_does_no_harm(name: str) -> None:
    off = centres_rms(bare(), Priors().without(name))[0]
    assert all_on() < 0.15
    assert all_on() < 1.3 * off + 0.01


def test_what_is_switched_off_stays_at_zero() -> None:
    scene = injected("radius")
    _, values, _ = centres_rms(scene, Priors().without("radius", "ink"))
    assert np.abs(values["form"][:, 1]).max() < 1e-3
    assert np.abs(values["ink"]).max() < 1e-3


def test_every_nuisance_of_the_priors_can_be_switched_off_by_name() -> None:
    named = {f for fields in NUISANCES.values() for f in fields}
    assert named == set(Priors.__dataclass_fields__)
