"""Shoots of one door that hang together by parts: open, shut, shut again after the refit.

Everything is known exactly; the surveys' covariances tie their markers together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from known_surveys import cuff, known_survey, on_axis

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.markers.kit import Kit, PointerSpec, TagSpec
from fitscan.survey.survey import Survey

__all__ = ["BAR", "KIT", "SEAT", "SHELL", "TRIM", "Shoots", "shoots"]

TRIM = tuple(range(8))
SHELL = tuple(range(20, 28))
SEAT = (np.array([0.0, 20.0, -6.0]), np.array([1.0, 0.0, 0.0]))
"""Point and direction of the seated axis in the shut door's frame: x along, y up, z inwards."""
BAR = (np.array([0.0, 21.5, -3.0]), np.array([1.0, 0.004, -0.006]))
"""The same of the bar."""

KIT = Kit(
    tag=(
        *(TagSpec(id=i, side_mm=30.0, part="trim") for i in TRIM),
        *(TagSpec(id=i, side_mm=40.0, part="shell") for i in SHELL),
        *(TagSpec(id=i, side_mm=40.0, part="bench") for i in (40, 41)),
    ),
    cuff=(
        cuff(100, "door bar"), cuff(112, "door bar"),
        cuff(200, "seat", part="trim"), cuff(212, "seat", part="trim"),
    ),
    pointer=(
        PointerSpec(id=300, side_mm=20.0, reach_mm=25.0, part="trim", name="upper lip 1"),
        PointerSpec(id=301, side_mm=20.0, reach_mm=25.0, part="trim", name="lower lip 1"),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Shoots:
    """Surveys of one door.

    Attributes:
        opened: trim and stubs, the door swung open.
        shut: trim and shell.
        refit: shell, the bar, and perhaps the trim.
    """

    opened: Survey
    shut: Survey
    refit: Survey


def flat(place: tuple[float, float, float], rng: np.random.Generator) -> Rigid:
    return Rigid(exp(rng.normal(0.0, 0.1, 3)), np.array(place))


def shoots(
    *,
    trim_moved: Rigid | None = None,
    trim_in_refit: bool = True,
    middle: tuple[int, ...] = (*TRIM, *SHELL),
    seed: int = 1,
    sigma_mm: float = 0.08,
) -> Shoots:
    """Make the three surveys.

    Args:
        trim_moved: how the trim sits in the refit shoot against where it was.
        trim_in_refit: whether the refit shoot shows the trim's tags.
        middle: markers that the shut shoot shows.
        seed: of frames and correlations.
        sigma_mm: standard uncertainty of a centre's coordinate.
    """
    rng = np.random.default_rng(7)
    trim = {
        i: flat((-300.0 + 200.0 * (i % 4), 160.0 if i < 4 else -150.0, float(4 * (i % 3))), rng)
        for i in TRIM
    }
    shell = {
        i: flat((-600.0 + 170.0 * (i - 20), 380.0 + 60.0 * (i % 2), 60.0 * (i % 3)), rng)
        for i in SHELL
    }
    stubs = {200: on_axis(*SEAT, -200.0, 0.3), 212: on_axis(*SEAT, 220.0, 1.7)}
    bar = {100: on_axis(*BAR, -250.0, 2.0), 112: on_axis(*BAR, 260.0, 0.5)}
    swing = Rigid(exp(np.array([0.0, 1.1, 0.0])), np.array([300.0, 10.0, 400.0]))
    moved = trim_moved or Rigid.identity()
    opened = {m: swing @ p for m, p in (trim | stubs).items()}
    shut = {m: p for m, p in (trim | shell).items() if m in middle}
    refit: dict[int, Rigid] = shell | bar
    if trim_in_refit:
        refit |= {m: moved @ p for m, p in trim.items()}
    return Shoots(
        named(opened, "open", seed, sigma_mm),
        named(shut, "shut", seed + 100, sigma_mm),
        named(refit, "refit", seed + 200, sigma_mm),
    )


def named(poses: Mapping[int, Rigid], name: str, seed: int, sigma_mm: float) -> Survey:
    survey = known_survey(KIT, poses, seed=seed, sigma_mm=sigma_mm)
    return replace(survey, name=name)


def true_gap(along_mm: float) -> Array:
    """Bar less seat (3,) in the plane square to the seat, in the shut door's frame."""
    here = SEAT[0] + along_mm * SEAT[1]
    there = BAR[0] + (here - BAR[0])[0] / BAR[1][0] * BAR[1]
    return np.asarray(there - here)
