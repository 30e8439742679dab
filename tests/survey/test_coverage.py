"""Whether 95 % intervals hold the truth 93 to 97 times in a hundred: simulated shoots by the
hundred, solved in full with fresh noise, nuisances, lens and rule readings; and the rendered ones.

Slow: ten minutes. The everyday suite tries a dozen shoots in `test_network`.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from scenes import Scene, cage_scene, door_scene, redrawn, true_survey, well_seen, with_motions
from solved import adjusted, solved_survey
from threadpoolctl import threadpool_limits
from truth import read_truth
from truth_jobs import gap_error, recheck_error

from fitscan.demo import SHOOTS, run_demo
from fitscan.fit.gap import Gap, find_gap
from fitscan.fit.recheck import Recheck, recheck
from fitscan.geometry.align import align_points
from fitscan.geometry.line import two_normals
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

ROOT = Path(__file__).resolve().parents[2]
SEEDS = 200
WITHIN = 1.96

Errors = dict[str, list[Array]]
"""By kind of quantity: errors in standard uncertainties."""


def free_rows(centres: Array) -> Array:
    """Projection (3 n, 3 n) that takes a common rigid motion out of small shifts of points."""
    away = centres - centres.mean(axis=0)
    rows = np.zeros((len(away), 3, 6))
    for i, (x, y, z) in enumerate(away):
        rows[i, :, :3] = [[0, z, -y], [-z, 0, x], [y, -x, 0]]
        rows[i, :, 3:] = np.eye(3)
    a = rows.reshape(-1, 6)
    return np.asarray(np.eye(len(a)) - a @ np.linalg.solve(a.T @ a, a.T))


def against(survey: Survey, poses: dict[int, Rigid], seed: int, errors: Errors) -> None:
    """Centres, distances and tube axes of a survey against the truth."""
    markers = [m for m in survey.markers if m in poses]
    found = np.array([survey.poses[survey.row(m)].translation for m in markers])
    true = np.array([poses[m].translation for m in markers])
    fit = align_points(true, found, with_scale=False)
    off = (found - fit.apply(true)).reshape(-1)
    n = len(markers)
    joint = survey.joint(markers).reshape(n, 6, n, 6)[:, 3:, :, 3:].reshape(3 * n, 3 * n)
    free = free_rows(found)
    joint = free @ joint @ free.T
    errors["marker centres"].append(off / np.sqrt(np.diag(joint)))

    def ratio(rows: dict[int, Array]) -> float:
        row = np.zeros(3 * n)
        for m, part in rows.items():
            row[3 * markers.index(m) : 3 * markers.index(m) + 3] += part
        return float(row @ off / np.sqrt(row @ joint @ row))

    rng = np.random.default_rng(seed)
    distances = []
    for _ in range(40):
        a, b = rng.choice(n, 2, replace=False)
        span = found[a] - found[b]
        way = span / np.linalg.norm(span)
        distances.append(ratio({markers[a]: way, markers[b]: -way}))
    errors["distances"].append(np.array(distances))
    axes = []
    for tube in dict.fromkeys(c.tube for c in survey.kit.cuff if survey.has(c.first_id)):
        for straight in straights_of(survey, tube):
            first, last = straight.cuffs[0], straight.cuffs[-1]
            for across in two_normals(straight.axis.direction):
                axes.append(ratio({m: across / len(straight.cuffs) for m in straight.cuffs}))
                if first != last:
                    axes.append(ratio({first: -across, last: across}))
    errors["tube axes"].append(np.array(axes))


@lru_cache(maxsize=1)
def cages() -> tuple[Scene, Scene]:
    """The cage before and after it came back a little elsewhere."""
    before = well_seen(cage_scene(1, 16))
    step = Rigid(exp(np.array([0.001, -0.0007, 0.0015])), np.array([0.6, 1.4, -0.8]))
    moved = {c.first_id: step for c in before.kit.cuff}
    return before, with_motions(before, moved)


@lru_cache(maxsize=1)
def doors() -> tuple[Scene, Scene]:
    return well_seen(door_scene(opened=True)), well_seen(door_scene(opened=False))


def cage_delta(record: Survey, now: Survey) -> Recheck:
    return recheck(record, now, "cage", "shell")


def door_gap(opened: Survey, shut: Survey) -> Gap:
    return find_gap(shut, "door bar", opened, "seat", "trim")


def stations(gap: Gap) -> Array:
    return np.array([[s.across_mm, s.out_mm] for t in gap.straights for s in t.stations])


def shoot_twice(seed: int, errors: Errors) -> None:
    """Four shoots, and both jobs on them."""
    surveys = []
    for k, scene in enumerate((*cages(), *doors())):
        own = redrawn(scene, 10 * seed + k)
        survey = solved_survey(own, 10 * seed + k)
        against(survey, own.poses, seed, errors)
        surveys.append((survey, true_survey(survey, own.poses)))
    (record, true_record), (now, true_now), (opened, true_opened), (shut, true_shut) = surveys
    found, true = cage_delta(record, now), cage_delta(true_record, true_now)
    turn = (found.turn_deg - true.turn_deg) / found.turn_expanded_deg
    shift = (found.shift_mm - true.shift_mm) / found.shift_expanded_mm
    cuffs = [
        (s.shift_mm - t.shift_mm) / s.shift_expanded_mm
        for s, t in zip(found.shifts, true.shifts, strict=True)
    ]
    errors["cage delta"].append(2.0 * np.concatenate([turn, shift, *cuffs]))
    gap, exact = door_gap(opened, shut), door_gap(true_opened, true_shut)
    stated = np.array(
        [[s.across_expanded_mm, s.out_expanded_mm] for t in gap.straights for s in t.stations]
    )
    count = min(len(stated), len(stations(exact)))
    off = stations(gap)[:count] - stations(exact)[:count]
    errors["gap"].append(2.0 * (off / stated[:count]).reshape(-1))


def shares(errors: Errors) -> dict[str, tuple[float, int]]:
    """Share within the interval and count, by kind, and of all together."""
    flat = {name: np.concatenate(parts) for name, parts in errors.items()}
    flat["all"] = np.concatenate(list(flat.values()))
    out = {name: (float(np.mean(np.abs(z) < WITHIN)), len(z)) for name, z in flat.items()}
    for name, (share, count) in out.items():
        print(f"{name}: {100 * share:.1f} % of {count} within 95 % intervals")
    return out


@pytest.mark.slow
def test_two_hundred_simulated_shoots_are_covered_as_often_as_stated() -> None:
    errors: Errors = defaultdict(list)
    nuisances: list[Array] = []
    with threadpool_limits(1):
        for seed in range(SEEDS):
            shoot_twice(seed, errors)
            scene = redrawn(cages()[0], seed)
            _, solution, covariance = adjusted(scene, seed)
            nuisances += [
                (solution.values[name] - getattr(scene.state, name)).reshape(-1)
                / np.sqrt(np.diag(covariance.of(name)))
                for name in ("printer", "ink", "split", "form", "lens", "wrap")
            ]
    errors["nuisances"] = nuisances
    found = shares(errors)
    for name, (share, count) in found.items():
        assert count >= 500
        assert 0.93 <= share <= 0.97, name


@pytest.mark.slow
def test_the_rendered_shoots_are_covered_as_often_as_stated(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    demo = run_demo(tmp_path_factory.mktemp("coverage") / "results", ROOT)
    folder = ROOT / "sample_images" / "truth"
    truths = {name: read_truth(folder / f"{name}.json") for name in SHOOTS}
    errors: Errors = defaultdict(list)
    for name, survey in demo.surveys.items():
        against(survey, truths[name].poses, 1, errors)
    e = gap_error(
        demo.gap, demo.surveys["door_open"], truths["door_open"], truths["door_shut"]
    )  # fmt: skip
    errors["gap"].append(2.0 * e.normalised)
    r = recheck_error(demo.recheck, truths["cage_tacked"], truths["cage_refit"])
    delta = [
        r.shift / demo.recheck.shift_expanded_mm,
        r.turn / demo.recheck.turn_expanded_deg,
        r.normalised.reshape(-1),
    ]
    errors["cage delta"].append(2.0 * np.concatenate(delta))
    found = shares(errors)
    assert found["all"][1] >= 500
    assert found["all"][0] >= 0.93


def test_the_truths_own_survey_has_no_error() -> None:
    scene = redrawn(cages()[0], 3)
    survey = solved_survey(scene, 3)
    exact = true_survey(survey, scene.poses)
    errors: Errors = defaultdict(list)
    against(exact, scene.poses, 1, errors)
    assert max(np.abs(np.concatenate(v)).max() for v in errors.values()) < 1e-6
    # And a survey that claims to know ten times as much is caught.
    against(replace(survey, covariance=survey.covariance / 100.0), scene.poses, 1, errors)
    assert np.mean(np.abs(errors["marker centres"][-1]) < WITHIN) < 0.5
