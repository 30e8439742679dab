"""Tubes from cuffs: bends against published bend arithmetic and truth, U against drawn surveys."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_surveys import coverage, cuff, known_survey, on_axis, somewhere
from scenes import drawn, moved_survey
from scipy.spatial.transform import Rotation

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import Kit, TubeSpec
from fitscan.shape.tube import Tube, TubeModel, cuffs_in_bends, find_tube
from fitscan.survey.survey import Survey

HOOP = "main hoop"


def bent_survey(
    apexes: Array,
    *,
    ends: tuple[float, float] = (600.0, 600.0),
    lone: tuple[int, ...] = (),
    clr_mm: float | None = None,
    seed: int = 1,
    sigma_mm: float = 0.08,
    flip: bool = False,
) -> Survey:
    """A tube through apexes (n, 3), first and last its free ends; two cuffs on each straight.

    Args:
        apexes: of the centre line.
        ends: how far the first and last cuffs' straight reaches, unused length beyond is free.
        lone: numbers of straights with one cuff only.
        clr_mm: written into the kit.
        seed: of the survey.
        sigma_mm: of a cuff's centre.
        flip: whether every second cuff is wrapped upside down.
    """
    poses: dict[int, Rigid] = {}
    cuffs = []
    for i in range(len(apexes) - 1):
        start, run = apexes[i], apexes[i + 1] - apexes[i]
        length = float(np.linalg.norm(run))
        shares = (0.5,) if i + 1 in lone else (0.3, 0.7)
        for n, share in enumerate(shares):
            first = 100 + 24 * i + 12 * n
            cuffs.append(cuff(first, HOOP, i + 1))
            way = -run if flip and n else run
            pose = on_axis(start, way, 0.0, turn_rad=0.7 * i + n)
            poses[first] = Rigid(pose.rotation, start + share * length * run / length)
    tubes = (TubeSpec(name=HOOP, clr_mm=clr_mm),) if clr_mm else ()
    kit = Kit(cuff=tuple(cuffs), tube=tubes)
    return known_survey(kit, poses, seed=seed, sigma_mm=sigma_mm)


def polygon(angles_deg: list[float], turns_deg: list[float], length: float = 700.0) -> Array:
    """Apexes (n, 3) of a tube that bends by angles and rolls by turns between its bends."""
    frame = np.eye(3)  # x along the tube, z the normal of the next bend's plane
    places = [np.zeros(3)]
    for i, angle in enumerate(angles_deg):
        places.append(places[-1] + length * frame[:, 0])
        roll = Rotation.from_euler("x", turns_deg[i - 1] if i else 0.0, degrees=True)
        bend = Rotation.from_euler("z", angle, degrees=True)
        frame = frame @ roll.as_matrix() @ bend.as_matrix()
    places.append(places[-1] + length * frame[:, 0])
    return np.array(places)


@pytest.mark.parametrize(
    ("clr", "angle", "arc", "setback"),
    [(135.0, 90.0, 212.058, 135.0), (114.0, 45.0, 89.535, 47.220)],
)
def test_bends_have_the_arc_and_setback_of_published_bend_arithmetic(
    clr: float, angle: float, arc: float, setback: float
) -> None:
    # Handbook arithmetic of tube bending: arc = CLR * angle, setback = CLR * tan(angle / 2).
    bend = find_tube(bent_survey(polygon([angle], [])), HOOP, clr).bends[0]
    assert bend.arc_mm == pytest.approx(arc, abs=6e-4)
    assert bend.setback_mm == pytest.approx(setback, abs=6e-4)
    assert bend.angle_rad == pytest.approx(np.radians(angle))


@settings(max_examples=20, deadline=None)
@given(
    angles=st.lists(st.floats(8.0, 120.0), min_size=2, max_size=3),
    turns=st.lists(st.floats(-179.0, 179.0), min_size=2, max_size=2),
    seed=st.integers(0, 1000),
    flip=st.booleans(),
)
def test_angles_turns_and_apexes_are_those_the_tube_was_bent_with(
    angles: list[float], turns: list[float], seed: int, flip: bool
) -> None:
    apexes = polygon(angles, turns)
    survey = bent_survey(apexes, seed=seed, flip=flip)
    tube = find_tube(survey, HOOP)
    assert [np.degrees(b.angle_rad) for b in tube.bends] == pytest.approx(angles)
    found = [np.degrees(b.turn_rad) for b in tube.bends[1:] if b.turn_rad is not None]
    assert found == pytest.approx(turns[: len(angles) - 1], abs=1e-6)
    for bend, apex in zip(tube.bends, apexes[1:-1], strict=True):
        assert somewhere(seed).inverse().apply(bend.apex_mm) == pytest.approx(apex, abs=1e-6)
        assert bend.miss_mm == pytest.approx(0.0, abs=1e-6)


def test_a_hoop_turns_by_nothing_and_an_s_by_half_a_turn() -> None:
    hoop = find_tube(bent_survey(polygon([80.0, 80.0], [0.0])), HOOP).bends[1]
    assert hoop.turn_rad == pytest.approx(0.0, abs=1e-9)
    wave = find_tube(bent_survey(polygon([40.0, 40.0], [180.0])), HOOP).bends[1]
    assert wave.turn_rad is not None
    assert abs(wave.turn_rad) == pytest.approx(np.pi, abs=1e-9)
    # The jump from +180 to -180 deg must not look like a huge uncertainty.
    assert wave.turn_u_rad is not None
    assert wave.turn_u_rad < np.radians(0.1)


def test_the_length_between_tangent_points_is_what_the_setbacks_leave() -> None:
    survey = bent_survey(polygon([90.0, 45.0], [0.0]), clr_mm=135.0)
    tube = find_tube(survey, HOOP)
    assert tube.clr_mm == 135.0
    first, last = tube.bends
    assert first.setback_mm is not None
    assert last.setback_mm is not None
    # Apexes 700 mm apart; setbacks 135 and 135 * tan(22.5 deg) = 55.919 by the same arithmetic.
    assert tube.straights[1].length_mm == pytest.approx(700.0 - 135.0 - 55.919, abs=1e-3)
    assert tube.straights[0].length_mm is None
    for bend in tube.bends:
        assert bend.tangents_mm is not None
        # A circle of that radius touches both straights at the tangent points: its centre is as
        # far from either along the straights' normals.
        before = tube.straights[bend.before - 1].direction
        after = tube.straights[bend.after - 1].direction
        inward = np.cross(bend.normal, before)
        centre = bend.tangents_mm[0] + 135.0 * inward
        assert bend.tangents_mm[1] + 135.0 * np.cross(bend.normal, after) == pytest.approx(centre)


def told(tube: Tube) -> Array:
    """The numbers of a tube that do not depend on the survey's frame."""
    out: list[float] = []
    for b in tube.bends:
        assert b.arc_mm is not None
        assert b.setback_mm is not None
        out += [b.angle_rad, b.miss_mm, b.arc_mm, b.setback_mm]
        out += [b.turn_rad] if b.turn_rad is not None else []
    return np.array(out + [s.length_mm for s in tube.straights if s.length_mm is not None])


def told_u(tube: Tube) -> Array:
    out: list[float] = []
    for b in tube.bends:
        assert b.arc_u_mm is not None
        assert b.setback_u_mm is not None
        out += [b.angle_u_rad, b.miss_u_mm, b.arc_u_mm, b.setback_u_mm]
        out += [b.turn_u_rad] if b.turn_u_rad is not None else []
    return np.array(out + [s.length_u_mm for s in tube.straights if s.length_u_mm is not None])


def test_the_uncertainties_cover_what_drawn_surveys_show() -> None:
    survey = bent_survey(polygon([70.0, 35.0], [25.0]), clr_mm=120.0)
    tube = find_tube(survey, HOOP)

    model = TubeModel.of(survey, HOOP, 120.0)
    names = [f"{name} {i}" for i in (0, 1) for name in ("angle", "miss", "arc", "setback", "turn")]

    def values(s: Survey) -> Array:
        found = model.values(dict(zip(s.markers, s.poses, strict=True)))
        numbers = [found[n] for n in [*names, "length 1"] if n in found]
        return np.concatenate(numbers)

    assert values(survey) == pytest.approx(told(tube))
    share = coverage(survey, values, 2.0 * told_u(tube))
    # 95.45 % within k = 2 (JCGM 100:2008, table G.1); 400 draws scatter by 1.0 %.
    assert share.min() > 0.92
    assert share.mean() < 0.98


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000))
def test_the_frame_of_the_survey_changes_no_number(seed: int) -> None:
    survey = bent_survey(polygon([70.0, 35.0], [25.0]), clr_mm=120.0)
    survey = drawn(survey, np.random.default_rng(seed))
    here, there = (find_tube(s, HOOP) for s in (survey, moved_survey(survey, somewhere(seed))))
    assert told(there) == pytest.approx(told(here), abs=1e-7)
    assert told_u(there) == pytest.approx(told_u(here), rel=1e-4)


def test_a_straight_with_one_cuff_is_used_with_its_wide_uncertainty() -> None:
    both = find_tube(bent_survey(polygon([60.0], [])), HOOP)
    one = find_tube(bent_survey(polygon([60.0], []), lone=(2,)), HOOP)
    assert one.straights[1].cuffs == (124,)
    # One cuff: its own turn, 0.002 rad in the survey. Two: 0.08 mm over 280 mm.
    assert one.straights[1].direction_u_rad == pytest.approx(0.002, rel=0.3)
    assert both.straights[1].direction_u_rad < 0.25 * one.straights[1].direction_u_rad
    assert one.bends[0].angle_rad == pytest.approx(np.radians(60.0))
    assert one.bends[0].angle_u_rad > 3.0 * both.bends[0].angle_u_rad


def test_a_bend_is_only_found_between_neighbouring_straights() -> None:
    survey = bent_survey(polygon([60.0, 50.0], [0.0]))
    kept = {m: survey.pose(m).b_from_a for m in survey.markers if m not in (124, 136)}
    tube = find_tube(known_survey(survey.kit, kept, survey_from_car=Rigid.identity()), HOOP)
    assert [s.number for s in tube.straights] == [1, 3]
    assert tube.bends == ()


def test_straights_in_line_have_no_bend_and_are_refused() -> None:
    with pytest.raises(DataError, match=r"Straights 1 and 2 of 'main hoop' are parallel"):
        find_tube(bent_survey(polygon([0.4], [])), HOOP)


def test_cuffs_with_the_wrong_straight_number_are_refused() -> None:
    survey = bent_survey(polygon([60.0, 50.0], [0.0]))
    swap = {1: 1, 2: 3, 3: 2}
    cuffs = tuple(c.model_copy(update={"straight": swap[c.straight]}) for c in survey.kit.cuff)
    wrong = replace(survey, kit=survey.kit.model_copy(update={"cuff": cuffs}))
    with pytest.raises(DataError, match="do not lie between its bends"):
        find_tube(wrong, HOOP)


def test_a_cuff_that_reaches_into_a_bend_is_named() -> None:
    survey = bent_survey(polygon([90.0], []))
    assert cuffs_in_bends(survey, find_tube(survey, HOOP, 150.0)) == []
    # Cuffs sit 210 mm from the apex; a radius of 200 leaves 10 mm where a cuff needs 25.
    found = cuffs_in_bends(survey, find_tube(survey, HOOP, 200.0))
    assert [c for c, _ in found] == [112, 124]
    assert [over for _, over in found] == pytest.approx([15.0, 15.0], abs=1e-6)


def test_an_unknown_tube_is_named_with_those_that_are_known() -> None:
    with pytest.raises(InputError, match=r"no tube 'stay'.*main hoop"):
        find_tube(bent_survey(polygon([60.0], [])), "stay")
