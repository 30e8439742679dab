"""Surveys whose poses are the truth, with a full covariance, for tests of what follows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.lens.model import Lens
from fitscan.markers.kit import CuffSpec, Kit
from fitscan.photos.identity import CameraIdentity
from fitscan.survey.survey import Quality, Survey

__all__ = ["coverage", "cuff", "known_survey", "on_axis", "somewhere"]

PHONE = CameraIdentity("Lumen", "P7", "wide", 5.4, 26.0, 1.0, 4032, 3024)
LENS = Lens(np.array([3020.0, 1.0, 2015.5, 1511.5, 0.0, 0.0, 0.0, 0.0, 0.0]), 4032, 3024)


def quality(warnings: tuple[str, ...] = ()) -> Quality:
    return Quality(
        900, 60, 1000, 5000, 0.12, 1.0, 1.1, "rules", 0.0002, "camera file", (1.0, 1.0),
        (0.001, 0.001), 0.03, (), (), warnings, (),
    )  # fmt: skip


def somewhere(seed: int) -> Rigid:
    """A frame turned and moved at random, as a survey's own frame is."""
    rng = np.random.default_rng(seed)
    return Rigid(exp(rng.normal(0, 1.0, 3)), rng.normal(0, 500.0, 3))


def known_survey(
    kit: Kit,
    car_from_marker: Mapping[int, Rigid],
    *,
    survey_from_car: Rigid | None = None,
    sigma_mm: float = 0.08,
    sigma_rad: float = 0.002,
    seed: int = 1,
    warnings: tuple[str, ...] = (),
) -> Survey:
    """A survey that found the truth; its covariance ties all markers to each other.

    Args:
        kit: what was printed.
        car_from_marker: truth, by id.
        survey_from_car: the survey's own frame; at random from the seed if None.
        sigma_mm: standard uncertainty of a centre's coordinate.
        sigma_rad: standard uncertainty of a turn's component.
        seed: of the correlations and the frame.
        warnings: of the survey.
    """
    survey_from_car = survey_from_car or somewhere(seed)
    rng = np.random.default_rng([seed, 77])
    count = 6 * len(car_from_marker)
    # Half of each variance is shared through a few common causes, as a lens or a scale shares it.
    common = rng.normal(size=(count, 5))
    common /= np.linalg.norm(common, axis=1)[:, None]
    correlation = 0.5 * np.eye(count) + 0.5 * common @ common.T
    sigma = np.tile([sigma_rad] * 3 + [sigma_mm] * 3, len(car_from_marker))
    forms = {c.first_id: (0.0, 0.0, 0.0) for c in kit.cuff if c.first_id in car_from_marker}
    return Survey(
        "known", kit, PHONE, LENS, tuple(car_from_marker),
        tuple(survey_from_car @ p for p in car_from_marker.values()),
        sigma[:, None] * correlation * sigma, forms, (), (5,) * len(car_from_marker),
        quality(warnings),
    )  # fmt: skip


def cuff(first_id: int, tube: str, straight: int = 1, part: str = "cage") -> CuffSpec:
    return CuffSpec(
        first_id=first_id, od_mm=38.0, columns=6, rows=2, side_mm=15.0, row_pitch_mm=20.0,
        part=part, tube=tube, straight=straight,
    )  # fmt: skip


def on_axis(point: Array, direction: Array, along_mm: float, turn_rad: float = 0.0) -> Rigid:
    """A cuff's pose on an axis, wrapped at any turn about it."""
    z = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction)
    x = np.cross(np.eye(3)[int(np.argmin(np.abs(z)))], z)
    x /= np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z], axis=1) @ exp(np.array([0.0, 0.0, turn_rad]))
    return Rigid(rotation, np.asarray(point, dtype=np.float64) + along_mm * z)


def coverage(
    survey: Survey, values: Callable[[Survey], Array], expanded: Array, draws: int = 400
) -> Array:
    """Share (n,) of surveys drawn from the covariance whose values lie within U of the truth.

    Args:
        survey: whose poses are the truth.
        values: (n,) of a survey.
        expanded: stated U (n,), k = 2.
        draws: how many.
    """
    truth = values(survey)
    root = np.linalg.cholesky(survey.covariance)
    rng = np.random.default_rng(99)
    inside = np.zeros(len(truth))
    # Many small matrices: more threads than one only wait for each other.
    with threadpool_limits(1):
        for _ in range(draws):
            step = (root @ rng.normal(size=len(root))).reshape(-1, 6)
            poses = tuple(p.step(d) for p, d in zip(survey.poses, step, strict=True))
            inside += np.abs(values(replace(survey, poses=poses)) - truth) <= expanded
    return inside / draws
