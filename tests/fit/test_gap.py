"""A bar against its seat, carried over by the trim: truth, signs, uncertainty, frames."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from cage_surveys import doors, error_free
from scenes import Door, Scene, drawn, moved_survey, true_survey

from fitscan.errors import DataError, InputError
from fitscan.fit.gap import Gap, GapStation, find_gap
from fitscan.fit.verdict import Verdict, judge
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.survey.survey import Survey

TRIM = list(range(12))


def unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v))


def trim_from_scene(scene: Scene) -> Rigid:
    """The trim's frame, found again from where the scene's trim tags are: the door's own truth."""
    upright = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    swing = exp(np.array([0.0, 0.0, 1.1 if scene.poses.get(200) else 0.0]))
    return Rigid(swing @ upright, np.array([200.0, 690.0, 450.0])).inverse()


def outward(scene: Scene) -> Array:
    """Mean normal of the trim's tags in the trim's frame."""
    turn = trim_from_scene(scene).rotation
    return np.asarray(np.mean([turn @ scene.poses[m].rotation[:, 2] for m in TRIM], axis=0))


def truth_at(along_mm: float, scene: Scene, door: Door, first_mm: float) -> tuple[float, float]:
    """Gap across and out at a place along the seat, by plane geometry in the trim's frame."""
    point, direction = door.seat
    u = unit(direction)
    here = point + (first_mm + along_mm) * u
    bar, d = door.bar[0], unit(door.bar[1])
    # Where the bar pierces the plane that is square to the seat.
    there = bar + ((here - bar) @ u) / (d @ u) * d
    out = outward(scene)
    out = unit(out - (out @ u) * u)
    return float((there - here) @ np.cross(out, u)), float((there - here) @ out)


@lru_cache(maxsize=4)
def known_doors(stubs: int = 2) -> tuple[Survey, Survey, Scene]:
    """Open and shut surveys whose poses are the truth, with real covariances."""
    opened, shut, open_scene, shut_scene = doors(stubs)
    return (
        true_survey(opened, open_scene.poses), true_survey(shut, shut_scene.poses), open_scene
    )  # fmt: skip


def gap_of(shut: Survey, opened: Survey, tolerance_mm: float = 2.0) -> Gap:
    return find_gap(shut, "door bar", opened, "seat", "trim", tolerance_mm=tolerance_mm)


def test_the_gap_of_really_surveyed_doors_is_true_within_its_uncertainty() -> None:
    opened, shut, scene, _ = doors()
    gap = gap_of(shut, opened)
    assert len(gap.straights) == 1
    stations = gap.straights[0].stations
    assert len(stations) >= 10
    for s in stations:
        across, out = truth_at(s.along_mm, scene, Door(), -220.0)
        # The bound of the main job is 0.5 mm at every station.
        assert abs(s.across_mm - across) < 0.05
        assert abs(s.out_mm - out) < 0.05
        assert abs(s.across_mm - across) < 1.6 * s.across_expanded_mm
        assert abs(s.out_mm - out) < 1.6 * s.out_expanded_mm


def test_exact_surveys_give_the_exact_gap() -> None:
    opened, shut, scene = known_doors()
    gap = gap_of(error_free(shut), error_free(opened))
    straight = gap.straights[0]
    for s in straight.stations:
        across, out = truth_at(s.along_mm, scene, Door(), -220.0)
        assert (s.across_mm, s.out_mm) == pytest.approx((across, out), abs=1e-6)
        assert s.total_mm == pytest.approx(np.hypot(across, out), abs=1e-6)
        assert np.linalg.norm(s.bar_mm - s.seated_mm) == pytest.approx(s.total_mm, abs=1e-9)
    # Slopes 0.004 and -0.006 against a seat along x.
    angle = np.degrees(np.arctan(np.hypot(0.004, 0.006)))
    assert straight.angle_deg == pytest.approx(angle, abs=1e-6)
    assert straight.bar_od_mm == 45.0
    assert straight.number == 1


def test_across_out_and_along_are_a_right_handed_triad_and_out_points_into_the_cabin() -> None:
    opened, shut, scene = known_doors()
    straight = gap_of(shut, opened).straights[0]
    first, last = straight.stations[0].seated_mm, straight.stations[-1].seated_mm
    along = unit(last - first)
    assert np.cross(straight.out, along) == pytest.approx(straight.across, abs=1e-9)
    assert straight.out @ along == pytest.approx(0.0, abs=1e-9)
    normals = np.mean([opened.poses[opened.row(m)].rotation[:, 2] for m in TRIM], axis=0)
    assert straight.out @ normals > 0.9
    assert outward(scene)[2] > 0.9


def test_cuffs_of_the_carrying_part_do_not_turn_its_outward_direction() -> None:
    _, shut, _ = known_doors()
    cuffs = tuple(c.model_copy(update={"part": "trim"}) for c in shut.kit.cuff)
    whole = replace(shut, kit=shut.kit.model_copy(update={"cuff": cuffs}))
    apart = find_gap(shut, "door bar", shut, "door bar", "trim").straights[0]
    together = find_gap(whole, "door bar", whole, "door bar", "trim").straights[0]
    assert together.out == pytest.approx(apart.out, abs=1e-9)


def test_stations_lie_where_both_axes_are_straight_and_no_farther_apart_than_asked() -> None:
    opened, shut, _ = known_doors()
    fine = find_gap(shut, "door bar", opened, "seat", "trim", station_mm=20.0).straights[0]
    along = np.array([s.along_mm for s in fine.stations])
    # From half a cuff before the first stub to half a cuff behind the last one.
    assert along[0] == pytest.approx(-25.0, abs=0.01)
    assert along[-1] == pytest.approx(465.0, abs=0.01)
    assert np.diff(along).max() <= 20.0 + 1e-9


@lru_cache(maxsize=2)
def many(stubs: int) -> list[Gap]:
    rng = np.random.default_rng(stubs)
    opened, shut, _ = known_doors(stubs)
    return [gap_of(drawn(shut, rng), drawn(opened, rng)) for _ in range(50)]


@pytest.mark.parametrize("stubs", [2, 1], ids=["two stubs", "a lone stub"])
def test_every_number_is_covered_as_often_as_stated(stubs: int) -> None:
    opened, shut, _ = known_doors(stubs)
    base = gap_of(error_free(shut), error_free(opened)).straights[0]
    ratios, angles, totals = [], [], []
    for gap in many(stubs):
        straight = gap.straights[0]
        angles.append((straight.angle_deg - base.angle_deg) / straight.angle_expanded_deg)
        for s, b in zip(straight.stations, base.stations, strict=True):
            ratios.append([(s.across_mm - b.across_mm) / s.across_expanded_mm,
                           (s.out_mm - b.out_mm) / s.out_expanded_mm])  # fmt: skip
            totals.append((s.total_mm - b.total_mm) / s.total_expanded_mm)
    # U is two standard deviations, so ratios have one of a half; stations share their errors.
    assert np.std(ratios, axis=0) == pytest.approx(np.full(2, 0.5), rel=0.25)
    assert np.std(totals) == pytest.approx(0.5, rel=0.25)
    assert np.std(angles) == pytest.approx(0.5, rel=0.25)
    assert np.mean(np.abs(ratios) <= 1.0) >= 0.9
    assert np.mean(np.abs(angles) <= 1.0) >= 0.88


def test_a_lone_stub_gives_its_direction_with_a_far_wider_uncertainty() -> None:
    two, one = many(2)[0].straights[0], many(1)[0].straights[0]
    assert one.angle_expanded_deg > 4.0 * two.angle_expanded_deg
    # It says nothing where it does not reach.
    along = [s.along_mm for s in one.stations]
    assert max(along) - min(along) <= 50.0 + 1e-6


def test_the_seats_and_the_bars_parts_exchanged_change_the_sign_of_the_gap() -> None:
    opened, shut, _ = known_doors()
    opened, shut = error_free(opened), error_free(shut)
    forth = gap_of(shut, opened).straights[0]
    back = find_gap(opened, "seat", shut, "door bar", "trim").straights[0]
    # Seen from the bar, the seat lies on the other side; the axes are nearly parallel.
    middle = forth.stations[len(forth.stations) // 2]
    nearest = min(back.stations, key=lambda s: abs(s.total_mm - middle.total_mm))
    assert nearest.out_mm == pytest.approx(-middle.out_mm, abs=0.2)
    assert nearest.across_mm == pytest.approx(-middle.across_mm, abs=0.2)
    assert back.angle_deg == pytest.approx(forth.angle_deg, abs=1e-9)


def test_a_bar_pushed_outwards_has_a_larger_gap_out_by_as_much() -> None:
    door = Door()
    normal = np.array([0.0, 0.0, 1.0])
    pushed = replace(door, bar=(door.bar[0] + 1.5 * normal, door.bar[1]))
    one = truth_at(100.0, known_doors()[2], door, -220.0)
    two = truth_at(100.0, known_doors()[2], pushed, -220.0)
    opened, shut, _ = known_doors()
    bars = [c.first_id for c in shut.kit.cuff if c.tube == "door bar"]
    survey_turn = _shut_turn(shut)
    poses = tuple(
        Rigid(p.rotation, p.translation + 1.5 * survey_turn @ normal) if m in bars else p
        for m, p in zip(shut.markers, shut.poses, strict=True)
    )
    before = gap_of(error_free(shut), error_free(opened)).straights[0]
    after = gap_of(error_free(replace(shut, poses=poses)), error_free(opened)).straights[0]
    assert after.stations[3].out_mm - before.stations[3].out_mm == pytest.approx(
        two[1] - one[1], abs=1e-5
    )
    assert after.stations[3].out_mm > before.stations[3].out_mm + 1.4


def _shut_turn(shut: Survey) -> Array:
    """Rotation from the trim's frame to the shut survey's."""
    _, _, _, scene = doors()
    from fitscan.geometry.align import align_points

    trim = trim_from_scene(scene)
    here = np.array([trim.apply(scene.poses[m].translation) for m in shut.markers])
    there = np.array([p.translation for p in shut.poses])
    return align_points(here, there, with_scale=False).b_from_a.rotation


def test_the_frames_of_the_two_surveys_do_not_matter() -> None:
    rng = np.random.default_rng(4)
    opened, shut, _ = known_doors()
    opened, shut = drawn(opened, rng), drawn(shut, rng)
    base = gap_of(shut, opened).straights[0]
    for _ in range(3):
        steps = rng.normal(size=(2, 6)) * [1.5, 1.5, 1.5, 2000, 2000, 2000]
        one, two = (Rigid.from_tangent(s) for s in steps)
        other = gap_of(moved_survey(shut, one), moved_survey(opened, two)).straights[0]
        assert other.angle_deg == pytest.approx(base.angle_deg, abs=1e-6)
        assert other.angle_expanded_deg == pytest.approx(base.angle_expanded_deg, rel=1e-4)
        assert len(other.stations) == len(base.stations)
        for a, b in zip(base.stations, other.stations, strict=True):
            assert b.along_mm == pytest.approx(a.along_mm, abs=1e-6)
            assert b.across_mm == pytest.approx(a.across_mm, abs=1e-6)
            assert b.out_mm == pytest.approx(a.out_mm, abs=1e-6)
            assert b.total_mm == pytest.approx(a.total_mm, abs=1e-6)
            assert b.total_expanded_mm == pytest.approx(a.total_expanded_mm, rel=1e-4)
            assert b.seated_mm == pytest.approx(two.apply(a.seated_mm), abs=1e-5)


def test_the_order_of_the_kit_does_not_turn_along_round() -> None:
    opened, shut, _ = known_doors()
    base = gap_of(shut, opened).straights[0]
    assert base.stations[0].along_mm == pytest.approx(-25.0, abs=0.1)
    seat = [c for c in opened.kit.cuff if c.tube == "seat"]
    assert [c.first_id for c in seat] == [200, 214]
    # Along grows from the stub that the kit names first.
    first = opened.poses[opened.row(200)].translation
    near = min(base.stations, key=lambda s: float(np.linalg.norm(s.seated_mm - first)))
    assert abs(near.along_mm) <= 25.0


def test_a_trim_tag_that_moved_between_the_shoots_is_named_and_costs_nothing() -> None:
    rng = np.random.default_rng(5)
    opened, shut, scene = known_doors()
    poses = tuple(
        Rigid(p.rotation, p.translation + np.array([1.5, -1.0, 2.0])) if m == 4 else p
        for m, p in zip(shut.markers, shut.poses, strict=True)
    )
    gap = gap_of(drawn(replace(shut, poses=poses), rng), drawn(opened, rng))
    assert [m.marker_id for m in gap.alignment.moved] == [4]
    assert any("Marker 4 on the trim moved" in s for s in gap.sentences)
    for s in gap.straights[0].stations:
        across, out = truth_at(s.along_mm, scene, Door(), -220.0)
        assert np.hypot(s.across_mm - across, s.out_mm - out) < 0.1


def test_verdicts_and_sentences_follow_the_tolerance() -> None:
    opened, shut, _ = known_doors()
    gap = gap_of(shut, opened)
    totals = [s.total_mm for s in gap.stations]
    worst = max(range(len(totals)), key=totals.__getitem__)
    for tolerance in (1.0, totals[worst] - 0.005, 3.5, 9.0):
        judged = gap_of(shut, opened, tolerance)
        for s in judged.stations:
            assert s.verdict is judge(s.total_mm, s.total_expanded_mm, tolerance)
    text = {t: " ".join(gap_of(shut, opened, t).sentences) for t in (1.0, 9.0)}
    assert f"All {len(totals)} stations are within 9 mm, proven" in text[9.0]
    assert f"{len(totals)} of {len(totals)} stations are outside 1 mm, proven" in text[1.0]
    assert f"{totals[worst]:.2f} mm" in text[1.0]
    # Out is positive away from the recess: the bar has to go in.
    assert "into the recess" in text[1.0]


def nothing(station: GapStation) -> bool:
    """What is compared with itself is off by nothing, and that is certain."""
    return station.total_mm < 1e-9 and station.total_expanded_mm < 1e-6


def test_a_bar_in_its_seat_keeps_an_uncertainty_although_its_gap_has_no_direction() -> None:
    opened, _, _ = known_doors()
    rng = np.random.default_rng(6)
    # The stubs' own survey carries both: the seat is compared with itself.
    for _ in range(5):
        one, two = drawn(opened, rng), drawn(opened, rng)
        gap = find_gap(one, "seat", two, "seat", "trim", tolerance_mm=0.2)
        for s in gap.stations:
            assert s.total_expanded_mm >= max(0.9 * s.across_expanded_mm, 0.9 * s.out_expanded_mm)
            assert s.total_mm < 2.5 * s.total_expanded_mm
            assert s.verdict is Verdict.IN
    same = find_gap(opened, "seat", opened, "seat", "trim")
    assert all(nothing(s) for s in same.stations)


def test_what_does_not_belong_together_is_refused() -> None:
    opened, shut, _ = known_doors()
    with pytest.raises(InputError, match="no tube 'roof bar'"):
        find_gap(shut, "roof bar", opened, "seat", "trim")
    with pytest.raises(InputError, match="No cuff of the tube 'door bar'"):
        find_gap(opened, "door bar", opened, "seat", "trim")
    with pytest.raises(InputError, match="no part 'bonnet'"):
        find_gap(shut, "door bar", opened, "seat", "bonnet")
    with pytest.raises(DataError, match="in both surveys"):
        find_gap(shut, "door bar", opened, "seat", "shell")
    # A bar that stands across the seat has no gap along it.
    bars = [c.first_id for c in shut.kit.cuff if c.tube == "door bar"]
    middle = shut.poses[shut.row(114)].translation
    across = exp(_shut_turn(shut) @ np.array([0.0, 0.0, np.pi / 2]))
    poses = tuple(
        Rigid(across @ p.rotation, middle + across @ (p.translation - middle)) if m in bars else p
        for m, p in zip(shut.markers, shut.poses, strict=True)
    )
    with pytest.raises(DataError, match="runs beside"):
        gap_of(replace(shut, poses=poses), opened)
