"""A bar against pointed lips: plane geometry, signs, stand-offs, chains, coverage, bent bars."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from cage_surveys import error_free
from hypothesis import given, settings
from hypothesis import strategies as st
from known_surveys import cuff, known_survey, on_axis, somewhere
from scenes import drawn, moved_survey
from threadpoolctl import threadpool_limits

from fitscan.errors import DataError, InputError
from fitscan.fit import gap_contour
from fitscan.fit.gap_contour import find_contour_gap
from fitscan.fit.gap_standoff import Against, Standoff
from fitscan.fit.propagate import MarkerInput
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.markers.kit import Kit, PointerSpec, TagSpec, TubeSpec
from fitscan.shape.propagate import Poses
from fitscan.survey.survey import Survey

BAR = (np.array([0.0, 1.2, 9.0]), np.array([1.0, 0.006, -0.01]))
"""Point and direction of the bar in the trim's frame: x along the recess, y up, z out of it."""
UPPER = [[-180.0, 27.0, 0.0], [0.0, 27.0, 0.0], [190.0, 27.0, 0.0]]
LOWER = [[-200.0, -25.0, 0.0], [10.0, -25.0, 0.0], [210.0, -25.0, 0.0]]
RADIUS_MM = 19.0

KIT = Kit(
    tag=(
        *(TagSpec(id=i, side_mm=30.0, part="trim") for i in range(8)),
        *(TagSpec(id=i, side_mm=40.0, part="shell") for i in range(20, 26)),
    ),
    pointer=tuple(
        PointerSpec(
            id=300 + 3 * lip + i, side_mm=20.0, reach_mm=25.0, part="trim",
            name=f"{'lower' if lip else 'upper'} lip {i + 1}",
        )
        for lip in range(2)
        for i in range(3)
    ),
    cuff=(cuff(100, "door bar"), cuff(112, "door bar")),
)  # fmt: skip


def trim() -> dict[int, Rigid]:
    rng = np.random.default_rng(3)
    return {
        i: Rigid(
            exp(rng.normal(0.0, 0.05, 3)),
            np.array([-240.0 + 160.0 * (i % 4), 140.0 if i < 4 else -130.0, rng.uniform(-4, 4)]),
        )
        for i in range(8)
    }


def pointers() -> dict[int, Rigid]:
    out = {}
    for lip, tips in enumerate((UPPER, LOWER)):
        # Upper pointers hang from above, lower ones stand below: upside down in their plane.
        turn = exp(np.array([0.0, 0.0, np.pi])) if lip else np.eye(3)
        for i, tip in enumerate(tips):
            out[300 + 3 * lip + i] = Rigid(turn, np.array(tip) + turn @ np.array([0.0, 25.0, 0.0]))
    return out


def bar(shift_mm: Array | None = None) -> dict[int, Rigid]:
    point = BAR[0] + (np.zeros(3) if shift_mm is None else shift_mm)
    return {100: on_axis(point, BAR[1], -200.0, 1.0), 112: on_axis(point, BAR[1], 205.0, 2.0)}


def opened(seed: int = 1) -> Survey:
    return replace(known_survey(KIT, trim() | pointers(), seed=seed), name="open")


def shut(shift_mm: Array | None = None, seed: int = 2) -> Survey:
    return replace(known_survey(KIT, trim() | bar(shift_mm), seed=seed), name="shut")


def held(
    lips: tuple[str, ...],
    target: Survey | None = None,
    bars: Survey | None = None,
    *,
    standoff_mm: float | None = None,
    tolerance_mm: float = 2.0,
) -> Standoff:
    return find_contour_gap(
        bars or error_free(shut()), "door bar", target or error_free(opened()), lips, ["trim"],
        standoff_mm=standoff_mm, tolerance_mm=tolerance_mm,
    )  # fmt: skip


BOTH = ("upper lip", "lower lip")


def bar_at(x: float, shift_mm: Array | None = None) -> Array:
    """The bar's axis where it pierces the plane of an x."""
    point = BAR[0] + (np.zeros(3) if shift_mm is None else shift_mm)
    return np.asarray(point + (x - point[0]) / BAR[1][0] * BAR[1])


def test_offsets_from_the_centre_line_are_those_of_plane_geometry() -> None:
    result = held(BOTH)
    assert result.against is Against.CENTRE
    assert len(result.stations) >= 8
    for s in result.stations:
        here = bar_at(-180.0 + s.along_mm)
        # The lips are 27 above and 25 below: the line runs at y = 1.
        assert s.out_mm == pytest.approx(here[2], abs=1e-6)
        # across = out x along = z x x = y: up.
        assert s.across_mm == pytest.approx(here[1] - 1.0, abs=1e-6)
        assert s.value_mm == pytest.approx(np.hypot(here[1] - 1.0, here[2]), abs=1e-6)
        assert s.clearance_mm is None
    assert "On the whole move it" in result.sentences[1]
    assert "into the recess" in result.sentences[1]


def test_clearance_from_one_lip_is_point_to_line_less_the_radius() -> None:
    result = held(("upper lip",))
    assert result.against is Against.LIP
    unit = BAR[1] / np.linalg.norm(BAR[1])
    for s in result.stations:
        lip = np.array([-180.0 + s.along_mm, 27.0, 0.0])
        distance = float(np.linalg.norm(np.cross(lip - BAR[0], unit)))
        assert s.clearance_mm == pytest.approx(distance - RADIUS_MM, abs=1e-6)
        assert s.verdict is Verdict.IN
    assert "clear of upper lip at its tightest" in result.sentences[0]


def test_a_bar_that_touches_a_lip_fouls_it() -> None:
    shift = np.array([0.0, 12.0, -2.0])
    result = held(("upper lip",), bars=error_free(shut(shift)))
    assert all(s.verdict is Verdict.OUT for s in result.stations)
    assert "fouls upper lip by" in result.sentences[0]
    assert "stations are fouled, proven" in result.sentences[1]


def test_the_wanted_distance_from_the_recess_is_what_is_judged() -> None:
    plain, wanted = held(BOTH, tolerance_mm=3.0), held(BOTH, standoff_mm=9.0, tolerance_mm=3.0)
    assert all(s.verdict is Verdict.OUT for s in plain.stations)
    assert all(s.verdict is Verdict.IN for s in wanted.stations)
    for a, b in zip(plain.stations, wanted.stations, strict=True):
        assert (a.across_mm, a.out_mm) == (b.across_mm, b.out_mm)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_frames_do_not_matter(seed: int) -> None:
    base = held(BOTH)
    other = held(
        BOTH,
        moved_survey(error_free(opened()), somewhere(seed)),
        moved_survey(error_free(shut()), somewhere(seed + 1)),
    )
    for a, b in zip(base.stations, other.stations, strict=True):
        assert b.across_mm == pytest.approx(a.across_mm, abs=1e-5)
        assert b.out_mm == pytest.approx(a.out_mm, abs=1e-5)


def test_a_push_of_the_bar_is_the_change_of_its_offsets() -> None:
    shift = np.array([0.0, 0.8, 1.7])
    before, after = held(BOTH), held(BOTH, bars=error_free(shut(shift)))
    for a, b in zip(before.stations, after.stations, strict=True):
        assert a.across_mm is not None
        assert b.across_mm is not None
        assert a.out_mm is not None
        assert b.out_mm is not None
        assert b.across_mm - a.across_mm == pytest.approx(0.8, abs=1e-6)
        assert b.out_mm - a.out_mm == pytest.approx(1.7, abs=1e-6)


def values_only(
    function: Callable[[list[Poses]], Array], inputs: list[MarkerInput]
) -> tuple[Array, Array, tuple[Array, ...]]:
    """A comparison without its covariance."""
    out = np.asarray(function([i.poses for i in inputs]))
    return (
        out,
        np.zeros((len(out), len(out))),
        tuple(np.zeros((len(out), 6 * len(i.markers))) for i in inputs),
    )


@pytest.mark.parametrize("lips", [("upper lip",), BOTH], ids=["one lip", "both lips"])
def test_u_covers_as_often_as_stated(lips: tuple[str, ...]) -> None:
    target, bars = opened(), shut()
    stated, rng = held(lips, target, bars), np.random.default_rng(6)
    inside = []
    with mock.patch.object(gap_contour, "propagate_with", values_only), threadpool_limits(1):
        for _ in range(250):
            found = held(lips, drawn(target, rng), drawn(bars, rng))
            if found.chain.moved:
                continue
            for f, s in zip(found.stations[1:-1], stated.stations[1:-1], strict=False):
                told = [(f.clearance_mm, s.clearance_mm, s.clearance_expanded_mm)]
                if lips == BOTH:
                    told = [(f.across_mm, s.across_mm, s.across_expanded_mm),
                            (f.out_mm, s.out_mm, s.out_expanded_mm)]  # fmt: skip
                inside += [abs((a or 0.0) - (b or 0.0)) <= (u or 0.0) for a, b, u in told]
    assert 0.93 <= np.mean(inside) <= 0.975


def test_pointers_and_bar_of_one_survey_need_no_part_and_know_more() -> None:
    both = known_survey(KIT, trim() | pointers() | bar(), seed=4)
    alone = find_contour_gap(both, "door bar", both, BOTH, [])
    assert alone.chain.steps == ()
    here = bar_at(-180.0 + alone.stations[2].along_mm)
    assert alone.stations[2].out_mm == pytest.approx(here[2], abs=1e-6)
    carried = held(BOTH, opened(), shut())
    assert alone.stations[2].expanded_mm < carried.stations[2].expanded_mm


def test_a_bent_bar_is_followed_round_its_bend() -> None:
    clr, angle = 120.0, np.radians(30.0)
    before, after = np.array([1.0, 0.0, 0.0]), np.array([np.cos(angle), -np.sin(angle), 0.0])
    apex = np.array([0.0, 40.0, 8.0])
    setback = clr * np.tan(angle / 2.0)
    start = apex - setback * before
    centre = start + clr * np.array([0.0, -1.0, 0.0])
    # A lip 30 mm inside the bend, abreast of it: tips on an arc about the same centre.
    tips = {
        300 + i: Rigid(np.eye(3), centre + (clr - 30.0) * np.array([np.sin(a), np.cos(a), 0.0])
                       + [0.0, 25.0, -8.0])
        for i, a in enumerate((0.15 * angle, 0.5 * angle, 0.85 * angle))
    }  # fmt: skip
    kit = KIT.model_copy(
        update={
            "cuff": tuple(cuff(100 + 12 * i, "door bar", 1 + i // 2) for i in range(4)),
            "tube": (TubeSpec(name="door bar", clr_mm=clr),),
        }
    )
    poses = trim() | tips | {
        100: on_axis(apex, before, -300.0), 112: on_axis(apex, before, -90.0),
        124: on_axis(apex, after, 90.0), 136: on_axis(apex, after, 300.0),
    }  # fmt: skip
    survey = error_free(known_survey(kit, poses))
    result = find_contour_gap(survey, "door bar", survey, ["upper lip"], [])
    tip_stations = [s for s in result.stations if (s.clearance_expanded_mm or 0.0) < 0.01]
    assert len(tip_stations) == 3
    for s in tip_stations:
        assert s.piece == "bend 1-2"
        # 30 mm inwards and 8 mm below the axis.
        assert s.clearance_mm == pytest.approx(np.hypot(30.0, 8.0) - RADIUS_MM, abs=2e-3)
    open_bend = known_survey(kit.model_copy(update={"tube": ()}), poses)
    with pytest.raises(DataError, match="does not pass upper lip where its cuffs show it"):
        find_contour_gap(open_bend, "door bar", open_bend, ["upper lip"], [])


def test_missing_pointers_and_bowed_lips_are_said() -> None:
    fewer = known_survey(KIT, {m: p for m, p in (trim() | pointers()).items() if m != 301})
    result = held(("upper lip",), fewer)
    assert any("pointer 'upper lip 2' was not found" in s for s in result.sentences)
    assert any("With two pointers a lip is taken as straight" in s for s in result.sentences)
    kinked = pointers()
    kinked[301] = Rigid(np.eye(3), np.array([0.0, 27.0 + 25.0 + 6.0, 0.0]))
    result = held(("upper lip",), known_survey(KIT, trim() | kinked))
    assert any("may bow by up to 3.5 mm" in s for s in result.sentences)


def test_an_open_station_says_what_would_decide_it() -> None:
    plain = held(("upper lip",), opened(), shut())
    tip = plain.stations[0]
    assert tip.clearance_mm is not None
    # A tolerance whose limit lies half of U away from the tip.
    tolerance = 3.0 + 0.5 * tip.expanded_mm
    wanted = tip.clearance_mm - 3.0
    result = held(
        ("upper lip",), opened(), shut(), standoff_mm=wanted, tolerance_mm=tolerance
    )  # fmt: skip
    assert result.stations[0].verdict is Verdict.OPEN
    said = next(s for s in result.sentences if s.startswith("Open at"))
    assert "It takes U of" in said
    assert "what helps: " in said
    kinked = pointers()
    kinked[301] = Rigid(np.eye(3), np.array([0.0, 27.0 + 25.0 + 6.0, 0.0]))
    bowed = held(("upper lip",), error_free(known_survey(KIT, trim() | kinked)), standoff_mm=11.0)
    said = next(s for s in bowed.sentences if s.startswith("Open at"))
    assert "what a lip may bow between its pointers (100 %)" in said
    assert "a pointer where it bends" in said


def test_what_is_not_there_is_refused() -> None:
    with pytest.raises(InputError, match="no tube 'roof bar'"):
        find_contour_gap(shut(), "roof bar", opened(), BOTH, ["trim"])
    with pytest.raises(InputError, match="begins with 'sill'"):
        held(("sill",))
    with pytest.raises(DataError, match="in both surveys"):
        find_contour_gap(shut(), "door bar", opened(), BOTH, ["shell"])
    far = error_free(shut(np.array([0.0, 0.0, 800.0])))
    with pytest.raises(DataError, match="does not pass the centre line between"):
        held(BOTH, bars=far)
