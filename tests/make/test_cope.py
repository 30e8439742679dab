"""Copes against published values, rays shot at cylinders in space, and solids cut by a library."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial import cKDTree

from fitscan.errors import InputError
from fitscan.geometry.rotation import exp
from fitscan.make.cope import BranchTube, CopeProfile, RunAt, cope_profile

Array = npt.NDArray[np.float64]

RIGHT = math.pi / 2.0


def cope(
    od: float, run_od: float, deg: float, offset: float = 0.0, wall: float = 2.0, **more: float
) -> CopeProfile:
    run = RunAt(run_od, math.radians(deg), offset, math.radians(more.get("turn", 0.0)))
    return cope_profile(BranchTube(od, wall), (run,), kerf_mm=more.get("kerf", 0.0))


# Intersection of two cylinders: A. Gray, "Modern Differential Geometry of Curves and Surfaces",
# 1997, "Steinmetz curve"; the figures are that formula's, computed apart from this project.
def test_a_38_mm_branch_on_a_45_mm_run_at_a_right_angle_has_the_published_saddle() -> None:
    profile = cope(38.0, 45.0, 90.0)
    assert profile.outside_depth_mm == pytest.approx(10.448, abs=5e-4)
    drop = profile.outside[0] - np.interp(math.pi / 4.0, profile.angle, profile.outside)
    assert drop == pytest.approx(4.451, abs=5e-4)


def test_the_same_branch_at_60_degrees_has_the_published_heights() -> None:
    profile = cope(38.0, 45.0, 60.0)
    heights = np.interp(np.radians([0.0, 90.0, 180.0]), profile.angle, profile.outside)
    np.testing.assert_allclose(heights, [15.011, 13.916, 36.950], atol=5e-4)


@pytest.mark.parametrize("od", [25.0, 38.0, 50.0])
def test_tubes_of_the_same_size_at_a_right_angle_have_a_saddle_as_deep_as_their_radius(
    od: float,
) -> None:
    assert cope(od, od, 90.0).outside_depth_mm == pytest.approx(od / 2.0, abs=1e-6)


def in_space(run: RunAt) -> tuple[Array, Array]:
    """A point and the direction of a run in the branch's frame, by turning it into its place."""
    turn = exp(np.array([0.0, 0.0, run.turn_rad]))
    lean = exp(np.array([0.0, -run.angle_rad, 0.0]))  # from z towards -x
    point = turn @ np.array([0.0, run.offset_mm, 0.0]) + [0.0, 0.0, run.along_mm]
    return point, turn @ lean @ np.array([0.0, 0.0, 1.0])


def first_hit(run: RunAt, radius: Array, angle: Array) -> Array:
    """Height at which a ray along -z, started far out, meets the run's cylinder, else -inf."""
    point, d = in_space(run)
    start = np.stack(
        [radius * np.cos(angle), radius * np.sin(angle), np.full(np.shape(radius), 900.0)], axis=-1
    )
    away = start - point
    flat = away - (away @ d)[..., None] * d
    ray = np.array([0.0, 0.0, -1.0])
    ray = ray - (ray @ d) * d
    a, b, c = ray @ ray, flat @ ray, np.sum(flat**2, axis=-1) - run.radius**2
    inside = b**2 - a * c
    return np.where(inside >= 0.0, 900.0 - (-b - np.sqrt(np.abs(inside))) / a, -np.inf)


def random_pair(rng: np.random.Generator, number: int) -> tuple[BranchTube, RunAt]:
    """Any pair of tubes; every fourth of the same size, every fourth grazing."""
    od = rng.uniform(20.0, 60.0)
    branch = BranchTube(od, rng.uniform(0.8, 4.0))
    kind = number % 4
    spare = 0.0 if kind == 0 else rng.uniform(0.0, 15.0)
    offset = spare if kind == 1 else rng.uniform(-1.0, 1.0) * spare
    run = RunAt(
        od + 2.0 * spare, math.radians(rng.uniform(15.0, 165.0)), offset,
        rng.uniform(0.0, 2.0 * math.pi), rng.uniform(-20.0, 20.0),
    )  # fmt: skip
    return branch, run


def test_200_random_pairs_agree_with_rays_shot_through_the_wall() -> None:
    rng = np.random.default_rng(7)
    angle = np.linspace(0.0, 2.0 * math.pi, 49)[:-1] + 0.013
    for number in range(200):
        branch, run = random_pair(rng, number)
        profile = cope_profile(branch, (run,))
        radius = np.linspace(branch.inside, branch.outside, 801)
        shot = first_hit(run, *np.broadcast_arrays(radius[:, None], angle))
        cut = np.interp(angle, profile.angle, profile.cut)
        np.testing.assert_allclose(cut, shot.max(axis=0), atol=0.01)
        inside = np.interp(angle, profile.angle, profile.inside)
        np.testing.assert_allclose(inside, shot[0], atol=0.01)
        # At a grazing edge the curve is as steep as it gets: see the solids for that.
        if number % 4 > 1:
            outside = np.interp(angle, profile.angle, profile.outside)
            np.testing.assert_allclose(outside, shot[-1], atol=0.01)


def solid_tube(radius: float, first: float) -> Any:
    """A long cylinder of facets that grow finer towards the angles first and first + pi.

    Where surfaces graze, a facet's sagitta moves their common edge by its square root, so that
    uniform facets would have to be finer than a library can intersect in a reasonable time.
    """
    from manifold3d import CrossSection, Manifold

    fine = 0.004 * np.arange(0, 46) ** 2 / radius
    quarter = np.concatenate([fine[:-1], np.linspace(fine[-1], math.pi / 2.0, int(radius * 3.5))])
    side = np.concatenate([quarter, math.pi - quarter, math.pi + quarter, -quarter])
    angle = first + np.unique(np.round(side % (2.0 * math.pi), 12))
    ring = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    return Manifold.extrude(CrossSection([ring]), 1800.0).translate([0.0, 0.0, -900.0])


def solid_edge(branch_radius: float, run: RunAt) -> Array:
    """Vertices (n, 3) of the edge that a run's solid leaves on a branch's end, by manifold3d."""
    point, d = in_space(run)
    helper = np.cross(d, [0.0, 0.0, 1.0])
    side = helper / np.linalg.norm(helper)
    place = np.column_stack([side, np.cross(d, side), d, point])
    branch = solid_tube(branch_radius, run.turn_rad + RIGHT)
    cut = solid_tube(run.radius, 0.0).transform(place)
    both: Array = np.asarray((branch ^ cut).to_mesh64().vert_properties)[:, :3]
    away = both - point
    from_run = np.linalg.norm(away - (away @ d)[:, None] * d, axis=1)
    sagitta = 0.01
    on_both = (np.abs(np.hypot(both[:, 0], both[:, 1]) - branch_radius) < sagitta) & (
        np.abs(from_run - run.radius) < sagitta
    )
    up = np.array([0.0, 0.0, 1.0]) - d[2] * d
    kept: Array = both[on_both & (away @ up >= -1e-6)]
    return kept


def distance_to_curve(points: Array, curve: Array) -> Array:
    """Distance (n,) of points (n, 3) to a polyline (m, 3): to both pieces at the nearest corner."""
    nearest = np.clip(cKDTree(curve).query(points)[1], 1, len(curve) - 2)
    best = np.full(len(points), np.inf)
    for start in (nearest - 1, nearest):
        a, b = curve[start], curve[start + 1]
        along = np.sum((points - a) * (b - a), axis=1) / np.sum((b - a) ** 2, axis=1)
        foot = a + np.clip(along, 0.0, 1.0)[:, None] * (b - a)
        best = np.minimum(best, np.linalg.norm(points - foot, axis=1))
    return best


@pytest.mark.slow
def test_200_random_pairs_agree_with_solids_cut_by_a_library_to_a_fiftieth_of_a_millimetre() -> (
    None
):
    rng = np.random.default_rng(7)
    for number in range(200):
        branch, run = random_pair(rng, number)
        profile = cope_profile(branch, (run,))
        surfaces = [(branch.outside, profile.outside), (branch.inside, profile.inside)]
        for radius, height in surfaces[: 2 if number % 5 == 0 else 1]:
            edge = solid_edge(radius, run)
            ring = radius * np.column_stack([np.cos(profile.angle), np.sin(profile.angle)])
            away = distance_to_curve(edge, np.column_stack([ring, height]))
            assert away.max() < 0.02, (number, branch, run)
            # The solid's edge goes all the way round, so the whole curve was compared.
            turns = np.sort(np.arctan2(edge[:, 1], edge[:, 0]))
            assert np.diff(turns, append=turns[0] + 2.0 * math.pi).max() < math.radians(5.0)


def test_the_square_cut_clears_the_run_everywhere_in_the_wall_and_touches_it_somewhere() -> None:
    rng = np.random.default_rng(3)
    for number in range(40):
        branch, run = random_pair(rng, number)
        profile = cope_profile(branch, (run,))
        angle = profile.angle[::60]
        radius = np.linspace(branch.inside, branch.outside, 301)[:, None]
        shot = first_hit(run, *np.broadcast_arrays(radius, angle))
        room: Array = np.subtract(profile.cut[::60], shot)
        assert room.min() > -1e-6
        assert room.min(axis=0).max() < 0.01


def test_the_inside_of_a_right_angled_branch_meets_its_run_before_the_outside_does() -> None:
    profile = cope(38.0, 45.0, 90.0, wall=2.5)
    inside = math.sqrt(22.5**2 - 16.5**2)
    assert profile.at(RIGHT) == pytest.approx(inside, abs=1e-6)
    assert profile.gap_mm == pytest.approx(inside - math.sqrt(22.5**2 - 19.0**2), abs=1e-6)


def test_a_ground_fit_follows_the_outside() -> None:
    run = RunAt(45.0, math.radians(70.0), 1.5)
    profile = cope_profile(BranchTube(38.0, 2.5), (run,), fit="ground")
    np.testing.assert_array_equal(profile.cut, profile.outside)
    assert profile.gap_mm == 0.0


def test_turn_and_direction_of_a_run_are_only_names() -> None:
    """A run looked at from its other end: 180 deg less the angle, half a turn, other side."""
    branch = BranchTube(38.0, 2.5)
    a = cope_profile(branch, (RunAt(45.0, math.radians(65.0), 2.0, 0.3),))
    b = cope_profile(branch, (RunAt(45.0, math.radians(115.0), -2.0, 0.3 + math.pi),))
    np.testing.assert_allclose(a.cut, b.cut, atol=1e-9)


def test_two_runs_are_both_cleared() -> None:
    branch = BranchTube(38.0, 2.5)
    runs = (
        RunAt(45.0, math.radians(80.0)),
        RunAt(40.0, math.radians(55.0), 1.0, math.radians(100.0), 12.0),
    )
    single = [cope_profile(branch, (run,)).cut for run in runs[:1]]
    radius = np.linspace(branch.inside, branch.outside, 301)[:, None]
    both = cope_profile(branch, runs)
    angle = both.angle[::60]
    shot = [first_hit(run, *np.broadcast_arrays(radius, angle)).max(axis=0) for run in runs]
    np.testing.assert_allclose(both.cut[::60], np.maximum(*shot), atol=0.01)
    assert np.all(both.cut >= single[0] - 1e-12)
    assert (shot[0] > shot[1]).any()
    assert (shot[1] > shot[0]).any()


def test_a_second_run_may_cover_what_the_first_leaves_open() -> None:
    branch = BranchTube(45.0, 2.5)
    first = RunAt(38.0, RIGHT, 6.0)
    with pytest.raises(InputError, match="larger than the run"):
        cope_profile(branch, (first,))
    assert np.isfinite(cope_profile(branch, (first, RunAt(38.0, RIGHT, -10.0))).cut).all()


def test_the_line_keeps_the_kerf_square_to_the_finished_edge() -> None:
    kerf = 1.2
    profile = cope(38.0, 38.0, 50.0, kerf=kerf)
    x = profile.angle * 19.0
    edge = np.column_stack([x, profile.cut])
    line = np.column_stack([x, profile.line])
    middle = slice(600, -600)
    away = np.asarray(cKDTree(edge).query(line[middle])[0])
    assert away.min() == pytest.approx(kerf, abs=0.01)
    assert away.max() == pytest.approx(kerf, abs=0.01)
    assert np.all(profile.line <= profile.cut - kerf + 1e-9)


def test_same_size_tubes_that_miss_each_other_by_a_millimetre_still_get_a_cope() -> None:
    profile = cope(38.0, 38.0, 90.0, offset=1.0, wall=2.5)
    assert profile.overhang_mm == pytest.approx(1.0, abs=1e-4)
    assert np.abs(np.diff(profile.cut)).max() < 0.1


@pytest.mark.parametrize(
    ("branch", "run", "said"),
    [
        (BranchTube(45.0, 2.5), RunAt(38.0, RIGHT), "a run of 40.0 mm or more"),
        (BranchTube(38.0, 2.5), RunAt(38.0, RIGHT, 4.0), "an offset of up to 2.5 mm"),
        (BranchTube(38.0, 2.5), RunAt(38.0, RIGHT, 4.0), "a branch of up to 35.0 mm"),
        (BranchTube(38.0, 2.5), RunAt(45.0, math.radians(14.0)), "15 to 165 deg is possible"),
        (BranchTube(38.0, 2.5), RunAt(45.0, math.radians(170.0)), "15 to 165 deg is possible"),
        (BranchTube(38.0, 19.0), RunAt(45.0, RIGHT), "less than 19 mm"),
        (BranchTube(0.0, 2.0), RunAt(45.0, RIGHT), "give 15 to 300"),
        (BranchTube(38.0, 2.5), RunAt(math.nan, RIGHT), "plain numbers"),
    ],
)
def test_what_cannot_be_coped_is_refused_with_what_would_be_possible(
    branch: BranchTube, run: RunAt, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        cope_profile(branch, (run,))


def test_what_the_refusal_offers_is_accepted() -> None:
    cope_profile(BranchTube(45.0, 2.5), (RunAt(40.0, RIGHT),))
    cope_profile(BranchTube(38.0, 2.5), (RunAt(38.0, RIGHT, 2.5),))
    cope_profile(BranchTube(35.0, 2.5), (RunAt(38.0, RIGHT, 4.0),))
    cope_profile(BranchTube(38.0, 2.5), (RunAt(45.0, math.radians(15.0)),))


def test_no_run_or_three_runs_or_a_silly_kerf_are_refused() -> None:
    branch, run = BranchTube(38.0, 2.5), RunAt(45.0, RIGHT)
    for runs, kerf in (((), 0.0), ((run, run, run), 0.0), ((run,), -1.0), ((run,), 9.0)):
        with pytest.raises(InputError):
            cope_profile(branch, runs, kerf_mm=kerf)
