"""Copes from a survey whose tubes are known: angles, offsets, turn, length, and their U."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.lens.model import Lens
from fitscan.make.cope import BranchTube, RunAt, cope_profile
from fitscan.make.cope_plan import plan_cope
from fitscan.make.measured_cope import measured_cope
from fitscan.markers.kit import CuffSpec, Kit
from fitscan.photos.identity import CameraIdentity
from fitscan.survey.survey import Quality, Survey

Array = npt.NDArray[np.float64]

TUBES = ("stay", "hoop", "leg", "sill", "lone")
WORLD = Rigid(exp(np.array([0.4, -0.7, 0.2])), np.array([300.0, -120.0, 80.0]))


def turned(direction: Array, spin: float) -> Array:
    """A rotation whose z is a direction, with its x (the seam) turned about it."""
    z = direction / np.linalg.norm(direction)
    x = np.cross([0.3, 0.5, 0.8], z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z]) @ exp(np.array([0.0, 0.0, spin]))


def run_direction(angle: float, turn: float, *, far: bool) -> Array:
    """Direction of a run in the branch's frame: away from 0, along the branch as it leaves."""
    along = -math.cos(angle) if far else math.cos(angle)
    lean = np.array([-math.sin(angle), 0.0, along])
    return np.asarray(exp(np.array([0.0, 0.0, turn])) @ lean)


def beside(offset: float, turn: float, z: float) -> Array:
    turned_away = exp(np.array([0.0, 0.0, turn])) @ np.array([0.0, offset, 0.0])
    return np.asarray(turned_away + np.array([0.0, 0.0, z]))


NEAR = (math.radians(61.0), 1.4)
SECOND = (math.radians(50.0), -2.0, math.radians(80.0), 9.0)
FAR = (math.radians(74.0), -2.2, math.radians(35.0))
LENGTH = 640.0


def survey(seed: int | None = None, sigma_mm: float = 0.1, turn: float = FAR[2]) -> Survey:
    """The stay lies along z from the hoop at 0 to the sill; the leg is a second run at 0."""
    axes = {
        "stay": (np.zeros(3), np.array([0.0, 0.0, 1.0]), (200.0, 420.0)),
        "hoop": (beside(NEAR[1], 0.0, 0.0), run_direction(NEAR[0], 0.0, far=False), (-90.0, 180.0)),
        "leg": (
            beside(SECOND[1], SECOND[2], SECOND[3]),
            run_direction(SECOND[0], SECOND[2], far=False),
            (110.0, 260.0),
        ),
        "sill": (beside(FAR[1], turn, LENGTH), run_direction(FAR[0], turn, far=True), (-150.0, 90)),
        "lone": (np.array([0.0, 900.0, 300.0]), np.array([0.01, 0.0, 1.0]), (0.0, 100.0)),
    }
    cuffs, poses = [], []
    rng = np.random.default_rng(5)
    for n, tube in enumerate(TUBES):
        point, direction, places = axes[tube]
        for k, along in enumerate(places):
            cuffs.append(
                CuffSpec(
                    first_id=100 + 40 * n + 14 * k, od_mm=38.0 if tube == "stay" else 45.0,
                    columns=7, rows=2, side_mm=15.0, row_pitch_mm=20.0, part="cage", tube=tube,
                )
            )  # fmt: skip
            own = Rigid(turned(direction, rng.uniform(0, 6)), point + along * direction)
            poses.append(WORLD @ own)
    size = 6 * len(poses)
    mix = rng.normal(size=(size, size)) / math.sqrt(size)
    scale = np.tile([0.002] * 3 + [sigma_mm] * 3, len(poses))
    covariance = scale[:, None] * (np.eye(size) + 0.4 * mix @ mix.T) * scale
    if seed is not None:
        noise = np.random.default_rng(seed).multivariate_normal(np.zeros(size), covariance)
        poses = [p.step(noise[6 * i : 6 * i + 6]) for i, p in enumerate(poses)]
    ids = tuple(c.first_id for c in cuffs)
    quality = Quality(
        100, 0, 100, 50, 0.1, 1.0, 1.0, "rules", 1e-4, "camera file", (1.0, 1.0), (0.001, 0.001),
        0.0, (), (), ("A warning of the survey.",), (),
    )  # fmt: skip
    lens = Lens(np.array([1200.0, 1.0, 800.0, 600.0, 0.0, 0.0, 0.0, 0.0, 0.0]), 1600, 1200)
    return Survey(
        "made up", Kit(cuff=tuple(cuffs)), IDENTITY, lens, ids, tuple(poses), covariance,
        dict.fromkeys(ids, (0.0, 0.0, 0.0)), (), (9,) * len(ids), quality,
    )  # fmt: skip


IDENTITY = CameraIdentity("Wren", "phone", "", None, None, None, 1600, 1200)


def test_angles_offsets_turn_and_length_are_those_that_the_tubes_were_laid_with() -> None:
    request = measured_cope(survey(), "stay", 2.5, ["hoop", "leg"], ["sill"])
    hoop, leg = request.near
    (sill,) = request.far
    found = [hoop.angle_rad, hoop.offset_mm, hoop.turn_rad, hoop.along_mm]
    np.testing.assert_allclose(found, [*NEAR, 0.0, 0.0], atol=1e-9)
    found = [leg.angle_rad, leg.offset_mm, leg.turn_rad, leg.along_mm]
    np.testing.assert_allclose(found, SECOND, atol=1e-9)
    found = [sill.angle_rad, sill.offset_mm, sill.turn_rad, sill.along_mm]
    np.testing.assert_allclose(found, [*FAR, 0.0], atol=1e-9)
    assert request.length_mm == pytest.approx(LENGTH, abs=1e-9)
    assert (request.branch.od_mm, hoop.od_mm) == (38.0, 45.0)
    assert request.warnings == ("A warning of the survey.",)


def test_the_measured_cope_is_that_of_the_typed_numbers() -> None:
    request = measured_cope(survey(), "stay", 2.5, ["hoop"], ["sill"])
    ends = plan_cope(request).ends
    branch = BranchTube(38.0, 2.5)
    for end, run in zip(ends, (RunAt(45.0, *NEAR), RunAt(45.0, *FAR)), strict=True):
        np.testing.assert_allclose(end.profile.cut, cope_profile(branch, (run,)).cut, atol=1e-7)


def test_a_straight_may_be_named_with_its_tube() -> None:
    plain = measured_cope(survey(), "stay", 2.0, ["hoop"], ["sill"])
    named = measured_cope(survey(), "stay:1", 2.0, ["hoop:1"], ["sill"])
    assert (named.near, named.far) == (plain.near, plain.far)
    with pytest.raises(InputError, match=r"straight 7 of the tube 'hoop'.*use one"):
        measured_cope(survey(), "stay", 2.0, ["hoop:7"], [])


@pytest.mark.slow
def test_u_agrees_with_sampling() -> None:
    """JCGM 101: 400 surveys drawn from the covariance scatter as the propagated U says."""
    request = measured_cope(survey(), "stay", 2.5, ["hoop", "leg"], ["sill"])
    draws = [measured_cope(survey(s), "stay", 2.5, ["hoop", "leg"], ["sill"]) for s in range(400)]
    for i, quantity in enumerate(request.measured):
        values = [d.measured[i].value for d in draws]
        assert np.std(values) == pytest.approx(quantity.expanded / 2.0, rel=0.15), quantity.name
        assert np.mean(values) == pytest.approx(quantity.value, abs=0.15 * quantity.expanded)
    names = [q.name for q in request.measured]
    assert names == [
        "near end: hoop angle", "near end: hoop offset",
        "near end: leg angle", "near end: leg offset", "near end: leg turn", "near end: leg along",
        "far end: sill angle", "far end: sill offset", "far end: sill turn", "length",
    ]  # fmt: skip


def test_half_a_turn_between_the_ends_has_the_same_u_as_any_other() -> None:
    u = []
    for turn in (math.pi, 0.7):
        request = measured_cope(survey(turn=turn), "stay", 2.5, ["hoop"], ["sill"])
        (quantity,) = [q for q in request.measured if "turn" in q.name]
        u.append(quantity.expanded)
    assert 0.3 < u[0] / u[1] < 3.0


def test_the_template_is_placed_by_the_cuffs_on_the_tube() -> None:
    request = measured_cope(survey(), "stay", 2.5, ["hoop"], [])
    assert request.length_mm is None
    plan = plan_cope(request)
    assert len(plan.ends) == 1
    placed = [s for s in plan.sentences if "cuff 100" in s]
    assert len(placed) == 1
    assert "its middle 200.0 mm" in placed[0]
    made = survey()
    own = WORLD.inverse() @ made.poses[0]
    seam = math.degrees(math.atan2(own.rotation[1, 0], own.rotation[0, 0])) % 360.0
    assert f"at {seam:.1f} deg" in placed[0]


@pytest.mark.parametrize(
    ("branch", "near", "far", "error", "said"),
    [
        ("stay", ["lone"], [], DataError, "15 deg or more"),
        ("lone", ["hoop"], [], DataError, "away from their cuffs"),
        ("stay", ["nothing"], [], InputError, "no tube 'nothing'"),
        ("stay", ["hoop"], ["hoop"], InputError, "named twice"),
        ("stay", [], ["hoop"], InputError, "name one or two"),
        ("stay", ["hoop", "leg", "sill"], [], InputError, "name one or two"),
    ],
)
def test_tubes_that_do_not_meet_are_refused(
    branch: str, near: list[str], far: list[str], error: type[Exception], said: str
) -> None:
    with pytest.raises(error, match=said):
        measured_cope(survey(), branch, 2.5, near, far)


def through(point: Array, direction: Array, radius: float, start: Array, way: float) -> Array:
    """How far rays (n, 3) along z, in the sense `way`, go until they enter a cylinder."""
    ray = np.array([0.0, 0.0, way])
    away = start - point
    across = away - (away @ direction)[:, None] * direction
    ray_across = ray - (ray @ direction) * direction
    a, b = ray_across @ ray_across, across @ ray_across
    inside = b**2 - a * (np.sum(across**2, axis=1) - radius**2)
    return np.where(inside >= 0.0, (-b - np.sqrt(np.abs(inside))) / a, np.inf)


def test_both_ends_of_the_finished_piece_stand_on_their_runs_in_space() -> None:
    """Each line of the wall, from the middle of the stay outwards, in the frame it was laid in."""
    plan = plan_cope(measured_cope(survey(), "stay", 2.5, ["hoop"], ["sill"]))
    angle = np.linspace(0.0, 2.0 * math.pi, 73)
    # The lean of the hoop defines the 0 line: the stay's frame in the world is that of the test.
    hoop = (beside(NEAR[1], 0.0, 0.0), run_direction(NEAR[0], 0.0, far=False))
    sill = (beside(FAR[1], FAR[2], LENGTH), run_direction(FAR[0], FAR[2], far=True))
    for end, (point, direction), way in zip(plan.ends, (hoop, sill), (-1.0, 1.0), strict=True):
        reach = np.full(len(angle), np.inf)
        for radius in np.linspace(16.5, 19.0, 251):
            ring = [radius * np.cos(angle), radius * np.sin(angle), np.full(73, 0.5 * LENGTH)]
            start = np.column_stack(ring)
            reach = np.minimum(reach, through(point, direction, 22.5, start, way))
        cut = np.interp(angle, end.profile.angle, end.profile.cut)
        np.testing.assert_allclose(0.5 * LENGTH - cut, reach, atol=0.002)
