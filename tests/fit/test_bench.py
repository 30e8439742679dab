"""A cage on the bench against itself: what the welds pulled, and what is chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bare_cages import SHELL, bare_survey, cage_moved, truth
from scenes import drawn, moved_survey

from fitscan.errors import DataError, InputError
from fitscan.fit.bench import Bench, check_bench, told_pairs
from fitscan.fit.bench_file import BenchFile, bench_document
from fitscan.fit.shared_scale import common_scale_u
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.store.json_file import read_json, write_json
from fitscan.survey.survey import RuleCheck, Survey

PULL = {100: np.array([0.0, -0.85, 0.0]), 140: np.array([0.0, 0.85, 0.0])}
"""The legs' feet drawn together by 1.7 mm."""

NOWHERE = np.zeros(3)


def benched(pull: dict[int, Array] | None = None, *, seed: int = 2) -> Survey:
    """The cage out of the car, in a frame of its own, without the shell."""
    poses = cage_moved(NOWHERE, NOWHERE, bends=pull or {})
    cage = {m: p for m, p in poses.items() if m not in SHELL}
    out = Rigid.from_tangent(np.array([0.3, -0.8, 1.9, 4000.0, 900.0, -200.0]))
    return moved_survey(bare_survey(cage, seed=seed), out)


def test_legs_that_drew_together_at_the_feet_are_told_in_these_words() -> None:
    b = check_bench(bare_survey(), benched(PULL), "cage")
    first = b.pairs[0]
    assert first.cuffs == (100, 140)
    assert first.change_mm == pytest.approx(-1.7, abs=0.02)
    assert first.proven
    assert first.verdict is Verdict.OUT
    assert "have drawn together by 1.7" in b.sentences[0]
    assert "at the feet" in b.sentences[0]
    assert {s.marker_id for s in b.shifts if s.bent} == set(PULL)
    for s in b.shifts:
        true = PULL.get(s.marker_id, NOWHERE)
        assert s.left_mm == pytest.approx(true, abs=0.1)
    assert told_pairs(b.pairs)[0].cuffs == (100, 140)


def test_a_cage_that_kept_its_figure_is_said_to() -> None:
    rng = np.random.default_rng(2)
    before, after = bare_survey(), benched()
    calm = 0
    for _ in range(60):
        b = check_bench(drawn(before, rng), drawn(after, rng), "cage")
        calm += "kept its figure" in b.sentences[0]
        assert not any(s.verdict is Verdict.OUT for s in b.shifts)
    # Two tests at one in a hundred each: three false alarms of sixty come once in eight times.
    assert calm >= 55


def test_distances_and_pull_are_covered_as_often_as_stated() -> None:
    rng = np.random.default_rng(3)
    before, after = bare_survey(), benched(PULL)
    exact = check_bench(before, after, "cage")
    cuffs = {(s.marker_id): s.left_mm for s in exact.shifts}
    places = {m: p.translation for m, p in truth().items()}
    pairs, pulls = [], []
    for _ in range(60):
        b = check_bench(drawn(before, rng), drawn(after, rng), "cage")
        for p in b.pairs[:6]:
            i, j = p.cuffs
            then = float(np.linalg.norm(places[i] - places[j]))
            now = float(
                np.linalg.norm(places[i] + PULL.get(i, NOWHERE) - places[j] - PULL.get(j, NOWHERE))
            )
            if {i, j} == set(PULL):
                pairs.append((p.change_mm - (now - then)) / p.expanded_mm)
        same = tuple(s.together for s in b.shifts) == tuple(s.together for s in exact.shifts)
        if same:
            pulls += [
                (s.left_mm - cuffs[s.marker_id]) / np.maximum(s.left_expanded_mm, 1e-9)
                for s in b.shifts
            ]
    assert len(pairs) == 60
    assert 0.88 <= np.mean(np.abs(pairs) <= 1.0) <= 1.0
    assert len(pulls) > 300
    assert 0.92 <= np.mean(np.abs(pulls) <= 1.0) <= 0.985


def test_where_the_cage_lies_on_the_bench_does_not_matter() -> None:
    after = benched(PULL)
    base = check_bench(bare_survey(), after, "cage")
    other = check_bench(
        bare_survey(),
        moved_survey(after, Rigid.from_tangent(np.array([2.0, 0.1, -0.4, 10.0, 0.0, 800.0]))),
        "cage",
    )
    for a, b in zip(base.shifts, other.shifts, strict=True):
        assert b.left_mm == pytest.approx(a.left_mm, abs=1e-5)
        assert b.left_expanded_mm == pytest.approx(a.left_expanded_mm, rel=1e-4, abs=1e-6)
    for p, q in zip(base.pairs, other.pairs, strict=True):
        assert q.change_mm == pytest.approx(p.change_mm, abs=1e-5)
        # Of two straights that did not move at all, rounding picks the cuffs.
        if abs(p.change_mm) > 1e-9:
            assert q.cuffs == p.cuffs


def test_there_and_back_distances_change_sign() -> None:
    there = check_bench(bare_survey(), benched(PULL), "cage")
    back = check_bench(benched(PULL), bare_survey(), "cage")
    for p in there.pairs:
        q = next(q for q in back.pairs if (q.first, q.second) == (p.first, p.second))
        if p.cuffs == q.cuffs:
            assert q.change_mm == pytest.approx(-p.change_mm, abs=5e-3)


def test_a_cuff_wrapped_anew_tells_distances_square_to_its_tube_only() -> None:
    poses = cage_moved(NOWHERE, NOWHERE, bends=PULL, slides={100: 40.0})
    cage = {m: p for m, p in poses.items() if m not in SHELL}
    b = check_bench(bare_survey(), bare_survey(cage, seed=4), "cage", rewrapped=["100"])
    (site,) = [s for s in b.shifts if s.line_only]
    assert site.marker_id == 100
    feet = next(p for p in b.pairs if (p.first[:3], p.second[:3]) == ("leg", "leg"))
    assert feet.change_mm == pytest.approx(-1.7, abs=0.1)
    # The stay's far end is seen from the foot along no way that the line tells.
    assert all(100 not in p.cuffs or p.distance_mm > 0 for p in b.pairs)


def test_surveys_on_the_same_readings_of_the_same_rules_share_their_scales_error() -> None:
    rule = RuleCheck((90, 91), 800.0, 0.2, 0.05, 0.5, 1.0)

    def stretched(survey: Survey, *rules: RuleCheck) -> Survey:
        centre = np.mean([p.translation for p in survey.poses], axis=0)
        stretch = np.zeros((len(survey.markers), 6))
        stretch[:, 3:] = [p.translation - centre for p in survey.poses]
        common = 0.2 / 800.0 * stretch.reshape(-1)
        return replace(
            survey,
            covariance=survey.covariance + np.outer(common, common),
            quality=replace(survey.quality, scale_u=3e-4, rules=rules),
        )

    before, after = bare_survey(), benched(PULL)
    plain = check_bench(before, after, "cage")
    same = check_bench(stretched(before, rule), stretched(after, rule), "cage")
    other = replace(rule, length_mm=800.4)
    apart = check_bench(stretched(before, rule), stretched(after, other), "cage")
    assert common_scale_u(stretched(before, rule), stretched(after, rule)) == pytest.approx(2.5e-4)
    assert common_scale_u(stretched(before, rule), stretched(after, other)) == 0.0
    assert common_scale_u(before, after) == 0.0

    def feet_u(b: Bench) -> float:
        return next(p.expanded_mm for p in b.pairs if p.cuffs == (100, 140))

    # What both owe to one reading is not in their difference.
    assert feet_u(same) == pytest.approx(feet_u(plain), rel=0.02)
    assert feet_u(apart) ** 2 == pytest.approx(
        feet_u(plain) ** 2 + 2.0 * (2.0 * 2.5e-4 * 1100.0) ** 2, rel=0.05
    )


def test_too_few_markers_and_unknown_parts_are_refused() -> None:
    few = {m: p for m, p in truth().items() if m in (*SHELL, 100, 112, 140)}
    with pytest.raises(DataError, match="Only 3 markers of the part 'cage' are in both"):
        check_bench(bare_survey(), bare_survey(few), "cage")
    with pytest.raises(InputError, match="no part 'roof'"):
        check_bench(bare_survey(), benched(), "roof")


def test_the_file_holds_pairs_and_pull(tmp_path: object) -> None:
    from pathlib import Path

    b = check_bench(bare_survey(), benched(PULL), "cage", 0.5)
    path = Path(str(tmp_path)) / "b.json"
    write_json(path, bench_document(b))
    kept = read_json(path, BenchFile)
    assert [p.change_mm for p in kept.pairs] == [p.change_mm for p in b.pairs]
    assert {m.marker_id for m in kept.markers if m.pulled} == set(PULL)
    assert kept.sentences == b.sentences
