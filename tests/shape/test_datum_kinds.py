"""The car's axes from tags, pointers, pairs and strings, against truth and a general minimiser.

Directions of the axes: ISO 8855 (X forward, Y left, Z up, right-handed).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_surveys import coverage, known_survey, somewhere
from scenes import moved_survey
from scipy.optimize import minimize

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, angle_between, exp, log
from fitscan.markers.kit import (
    DatumSpec,
    Kit,
    PairsDatum,
    PlaneDatum,
    PlumbDatum,
    PlumbSpec,
    PointerSpec,
    TagSpec,
    read_kit,
)
from fitscan.markers.write_kit import kit_text
from fitscan.shape.datum import car_axes
from fitscan.shape.datum_kinds import AxesRule, centre_plane
from fitscan.shape.plumb import Plumb
from fitscan.survey.survey import Survey

CROSS = DatumSpec(rear=0, front=1, right=2, left=3)
PLANE = PlaneDatum(plane=(4, 5, 6, 7), line=(0, 1), point=8, left=3)
PAIRS = PairsDatum(pairs=((2, 3), (4, 5), (6, 7), (9, 10)), rear=0, front=1)
PLUMB = PlumbDatum(rear=0, front=1)
STRINGS = PlumbSpec(strings=((60, 61), (62, 63)))
KINDS = [CROSS, PLANE, PAIRS, PLUMB]
REACH = 25.0

# Where markers are in the car, mm: X forward, Y left, Z up; the origin lies at tag 8.
TAGS: dict[int, tuple[float, float, float]] = {
    0: (-900.0, 0.0, 0.0), 1: (900.0, 0.0, 0.0), 2: (100.0, -600.0, 0.0), 3: (100.0, 600.0, 0.0),
    4: (-800.0, -550.0, 0.0), 5: (-800.0, 550.0, 0.0), 6: (700.0, -580.0, 0.0),
    7: (700.0, 580.0, 0.0), 8: (0.0, 0.0, 0.0), 9: (-300.0, -500.0, 800.0),
    10: (-300.0, 500.0, 800.0),
}  # fmt: skip
TIPS = {60: (200.0, 300.0, 150.0), 61: (200.0, 300.0, 1050.0), 62: (-500.0, -100.0, 100.0),
        63: (-500.0, -100.0, 900.0)}  # fmt: skip


def kit(datum: Any, plumb: PlumbSpec | None = STRINGS) -> Kit:
    return Kit(
        tag=tuple(TagSpec(id=i, side_mm=40.0, part="shell") for i in TAGS),
        pointer=tuple(
            PointerSpec(id=i, side_mm=20.0, reach_mm=REACH, part="shell", name=f"string {i}")
            for i in TIPS
        ),
        plumb=plumb,
        datum=datum,
    )


def truth(seed: int = 3) -> dict[int, Rigid]:
    """car_from_marker; how the paper is turned must not matter, only what it marks."""
    rng = np.random.default_rng(seed)
    poses = {i: Rigid(exp(rng.normal(0, 0.4, 3)), np.array(x)) for i, x in TAGS.items()}
    for i, tip in TIPS.items():
        turn = exp(rng.normal(0, 1.0, 3))
        poses[i] = Rigid(turn, np.array(tip) - turn @ [0.0, -REACH, 0.0])
    return poses


@pytest.mark.parametrize("datum", KINDS, ids=lambda d: d.kind)
@given(seed=st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_every_kind_of_datum_finds_the_cars_axes_however_the_survey_is_turned(
    datum: Any, seed: int
) -> None:
    frame = somewhere(seed)
    axes = car_axes(known_survey(kit(datum), truth(), survey_from_car=frame))
    assert axes.known
    found = axes.car_from_survey @ frame
    assert np.abs(log(found.rotation)).max() < 1e-12
    assert found.translation == pytest.approx(np.zeros(3), abs=1e-9)


@pytest.mark.parametrize("datum", KINDS, ids=lambda d: d.kind)
def test_the_axes_covariance_covers_what_surveys_drawn_from_theirs_show(datum: Any) -> None:
    survey = known_survey(kit(datum), truth())
    axes, rule = car_axes(survey), AxesRule.of(survey)

    def tangent(s: Survey) -> Array:
        poses = dict(zip(s.markers, s.poses, strict=True))
        return axes.car_from_survey.tangent_to(rule.car_from_survey(poses))

    # 95.45 % of a normal distribution lie within k = 2 (JCGM 100:2008, table G.1); 400 draws
    # scatter by 1.0 %.
    share = coverage(survey, tangent, 2.0 * np.sqrt(np.diag(axes.covariance)))
    assert share.min() > 0.92
    assert share.mean() < 0.98


def test_a_pointer_counts_with_its_tip_and_not_with_its_paper() -> None:
    datum = DatumSpec(rear=60, front=1, right=2, left=3)
    poses = truth()
    before = car_axes(known_survey(kit(datum), poses)).car_from_survey
    spin = exp(np.array([0.3, -0.8, 0.5]))
    tip = np.array(TIPS[60])
    poses[60] = Rigid(spin, tip - spin @ [0.0, -REACH, 0.0])
    after = car_axes(known_survey(kit(datum), poses)).car_from_survey
    assert np.abs(before.tangent_to(after)).max() < 1e-9


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_centre_plane_is_the_one_a_general_minimiser_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    left = rng.uniform([-900, 300, 0], [900, 700, 900], (5, 3))
    right = left * [1.0, -1.0, 1.0] + rng.normal(0, 4.0, (5, 3))
    left = left + rng.normal(0, 4.0, (5, 3))
    turn = somewhere(seed)
    right, left = turn.apply(right), turn.apply(left)
    middle, normal = centre_plane(right, left)

    def misfit(p: Array) -> float:
        n = turn.rotation @ np.array([p[0], 1.0, p[1]])
        n = n / np.linalg.norm(n)
        mirrored = right - 2.0 * ((right - middle) @ n - p[2])[:, None] * n
        return float(((left - mirrored) ** 2).sum())

    best = minimize(misfit, np.zeros(3), method="BFGS", options={"gtol": 1e-6})
    n = turn.rotation @ np.array([best.x[0], 1.0, best.x[1]])
    assert angle_between(normal, n) < 1e-6
    assert best.x[2] == pytest.approx(0.0, abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_exchanging_the_sides_turns_the_centre_planes_normal_round(seed: int) -> None:
    rng = np.random.default_rng(seed)
    left = rng.uniform([-900, 300, 0], [900, 700, 900], (4, 3))
    right = left * [1.0, -1.0, 1.0] + rng.normal(0, 3.0, (4, 3))
    there, back = centre_plane(right, left), centre_plane(left, right)
    assert there[0] == pytest.approx(back[0])
    assert there[1] == pytest.approx(-back[1])


def test_one_pair_gives_the_plane_half_way_and_square_to_it() -> None:
    right, left = np.array([[10.0, -400.0, 50.0]]), np.array([[14.0, 420.0, 56.0]])
    middle, normal = centre_plane(right, left)
    assert middle == pytest.approx([12.0, 10.0, 53.0])
    assert angle_between(normal, (left - right)[0]) < 1e-12


def test_a_marker_off_the_plane_or_out_of_symmetry_shows_as_misfit() -> None:
    poses = truth()
    poses[4] = Rigid(poses[4].rotation, poses[4].translation + np.array([0.0, 0.0, 4.0]))
    lifted = car_axes(known_survey(kit(PLANE), poses))
    # Four corners, one lifted by 4: the best plane leaves about a quarter at each.
    assert lifted.misfit_mm == pytest.approx(1.0, abs=0.1)
    poses = truth()
    poses[5] = Rigid(poses[5].rotation, poses[5].translation + np.array([6.0, 0.0, 0.0]))
    skewed = car_axes(known_survey(kit(PAIRS), poses)).misfit_mm
    assert skewed is not None
    assert 1.0 < skewed < 3.0
    assert car_axes(known_survey(kit(CROSS), poses)).misfit_mm is None


def test_the_plumb_line_knows_upright_where_the_car_stands_on_a_slope() -> None:
    slope = exp(np.array([np.radians(1.2), np.radians(-2.5), 0.0]))
    poses = truth()
    tips = {i: slope @ np.array(x) for i, x in TIPS.items()}
    poses |= {i: Rigid(np.eye(3), tip + np.array([0.0, REACH, 0.0])) for i, tip in tips.items()}
    frame = somewhere(5)
    survey = known_survey(kit(CROSS), poses, survey_from_car=frame)
    plumb = Plumb.of(survey)
    up = plumb.up({m: survey.poses[survey.row(m)] for m in plumb.markers})
    assert angle_between(frame.rotation.T @ up, slope[:, 2]) < 1e-12
    level = car_axes(known_survey(kit(PLUMB), poses, survey_from_car=frame))
    z = frame.rotation.T @ level.car_from_survey.rotation[2]
    assert angle_between(z, slope[:, 2]) < 1e-12


def test_strings_that_hang_apart_say_by_how_much() -> None:
    survey = known_survey(kit(CROSS), truth())
    apart = Plumb.of(survey).disagreement(survey)
    assert apart is not None
    angle, expanded = apart
    assert angle < 1e-12
    # A string of 850 mm between tips of 0.08 mm, against the mean of two.
    assert 0.00005 < expanded < 0.0006
    poses = truth()
    poses[61] = Rigid(poses[61].rotation, poses[61].translation + np.array([10.0, 0.0, 0.0]))
    bent = known_survey(kit(CROSS), poses)
    worse = Plumb.of(bent).disagreement(bent)
    assert worse is not None
    assert worse[0] > 5 * worse[1]
    one = known_survey(kit(CROSS, PlumbSpec(strings=((60, 61),))), truth())
    assert Plumb.of(one).disagreement(one) is None


def test_the_survey_told_in_another_frame_gives_the_same_axes_and_uncertainty() -> None:
    survey = known_survey(kit(PAIRS), truth())
    other = car_axes(moved_survey(survey, somewhere(8)))
    first = car_axes(survey)
    assert other.turn_u == pytest.approx(first.turn_u, rel=1e-6)
    assert other.car_from_survey.apply(
        moved_survey(survey, somewhere(8)).poses[4].translation
    ) == pytest.approx(first.car_from_survey.apply(survey.poses[4].translation))


def bad(datum: Any, moved: dict[int, tuple[float, float, float]]) -> Survey:
    poses = truth()
    for i, x in moved.items():
        poses[i] = Rigid(np.eye(3), np.array(x))
    return known_survey(kit(datum), poses)


@pytest.mark.parametrize(
    ("datum", "moved", "words"),
    [
        (CROSS, {2: (-200.0, 0.0, 0.0), 3: (400.0, 3.0, 0.0)}, "almost on one line"),
        (PLANE, {i: (200.0 * i, 3.0, 0.0) for i in (4, 5, 6, 7)}, "almost on one line"),
        (PLANE, {3: (100.0, 5.0, 0.0)}, "up cannot be told from down"),
        (PLANE, {1: (-900.0, 0.0, 700.0)}, "square to its plane"),
        (PAIRS, {1: (-900.0, 800.0, 0.0)}, "across the centre plane"),
        (PLUMB, {1: (-900.0, 0.0, 800.0)}, "upright"),
        (PAIRS, {2 + i: (0.0, 0.0, 0.0) for i in range(9)}, "left from right"),
    ],
)
def test_markers_that_do_not_span_the_axes_are_refused_with_the_reason(
    datum: Any, moved: dict[int, tuple[float, float, float]], words: str
) -> None:
    with pytest.raises(DataError, match=words):
        car_axes(bad(datum, moved))


def test_without_its_markers_the_rule_names_them_and_the_frame_promises_nothing() -> None:
    poses = {m: p for m, p in truth().items() if m not in (1, 3)}
    survey = known_survey(kit(CROSS), poses)
    assert not car_axes(survey).known
    with pytest.raises(InputError, match=r"Markers 1, 3 of the datum were not found"):
        AxesRule.of(survey)
    with pytest.raises(InputError, match="nothing of the car's axes"):
        AxesRule.of(known_survey(kit(None), truth()))
    with pytest.raises(InputError, match="no plumb line"):
        Plumb.of(known_survey(kit(CROSS, None), truth()))


def test_pointers_too_close_on_a_string_are_refused() -> None:
    poses = truth()
    poses[61] = Rigid(poses[60].rotation, poses[60].translation + np.array([0.0, 0.0, 30.0]))
    with pytest.raises(DataError, match="60 and 61 touch their string less than"):
        Plumb.of(known_survey(kit(CROSS), poses))


def test_more_pairs_know_the_centre_plane_better() -> None:
    u = {}
    for datum in (PairsDatum(pairs=((2, 3),), rear=0, front=1), PAIRS):
        u[len(datum.pairs)] = car_axes(known_survey(kit(datum), truth())).turn_u
    assert u[4][0] < u[1][0]
    assert u[4][2] < u[1][2]


# ---------------------------------------------------------------- the kit's text

BASE = "".join(
    f'[[tag]]\nid = {i}\nside_mm = 40.0\npart = "shell"\n' for i in TAGS
) + "".join(
    f'[[pointer]]\nid = {i}\nside_mm = 20.0\nreach_mm = 25.0\npart = "shell"\nname = "s"\n'
    for i in TIPS
)  # fmt: skip
LAST = BASE.count("\n")
SIMPLE = "[datum]\nrear = 0\nfront = 1\nright = 2\nleft = 3\n"


def test_the_simple_form_needs_no_kind(tmp_path: Path) -> None:
    file = tmp_path / "kit.toml"
    file.write_text(BASE + SIMPLE, encoding="utf-8")
    assert read_kit(file).datum == CROSS


@pytest.mark.parametrize("datum", KINDS, ids=lambda d: d.kind)
def test_a_written_datum_reads_back_equal(datum: Any, tmp_path: Path) -> None:
    file = tmp_path / "kit.toml"
    file.write_text(kit_text(kit(datum), "Kit Wren"), encoding="utf-8")
    assert read_kit(file) == kit(datum)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[datum]\nkind = "hull"\nrear = 0\n',
         ['"kind"', "no such kind", '"plumb"', f"line {LAST + 2}"]),
        (SIMPLE + "pairs = [[2, 3]]\n",
         ['"pairs"', "takes rear, front, right, left", f"line {LAST + 6}"]),
        ('[datum]\nkind = "pairs"\nrear = 0\n', ['"datum"', "also needs pairs and front"]),
        ('[datum]\nkind = "plumb"\nrear = 0\nfront = 1\n', ["needs a [plumb] table"]),
        ('[datum]\nkind = "plane"\nplane = [4, 5, 5]\nline = [0, 1]\npoint = 8\nleft = 3\n',
         ["three different markers", '"plane"']),
        ('[datum]\nkind = "plane"\nplane = [4, 5]\nline = [0, 1]\npoint = 8\nleft = 3\n',
         ['"plane"', "3 items"]),
        ('[datum]\nkind = "pairs"\npairs = [[2, 2]]\nrear = 0\nfront = 1\n',
         ["same id on both sides"]),
        ('[datum]\nkind = "pairs"\npairs = [[2, 99]]\nrear = 0\nfront = 1\n', ["id 99 is not"]),
        ("[plumb]\nstrings = [[0, 61]]\n", ["id 0 is not a pointer"]),
        ("[plumb]\nstrings = [[61, 61]]\n", ["same id at both places"]),
        ("[plumb]\nstrings = []\n", ['"strings"']),
        ('[[tube]]\nname = "hoop"\nclr_mm = 135.0\n', ["no cuff is on a tube 'hoop'"]),
    ],
)  # fmt: skip
def test_a_datum_that_cannot_be_is_refused_in_one_sentence(
    text: str, words: list[str], tmp_path: Path
) -> None:
    file = tmp_path / "kit.toml"
    file.write_text(BASE + text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_kit(file)
    sentence = str(caught.value)
    assert "\n" not in sentence
    for word in words:
        assert word in sentence, sentence
