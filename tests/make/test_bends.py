"""Bend arithmetic against published values, and both ways round to rounding."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from fitscan.errors import InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.make.bends import (
    Bend,
    Bender,
    arc_mm,
    check_bender,
    from_apexes,
    from_rows,
    setback_mm,
    to_apexes,
)

Array = npt.NDArray[np.float64]
DEG = math.pi / 180.0


# Published worked values of tube bending: arc = CLR x angle, setback = CLR x tan(angle / 2).
@pytest.mark.parametrize(
    ("clr", "deg", "arc", "setback"), [(135.0, 90.0, 212.058, 135.0), (114.0, 45.0, 89.535, 47.220)]
)
def test_arc_and_setback_are_the_published_ones(
    clr: float, deg: float, arc: float, setback: float
) -> None:
    assert arc_mm(clr, deg * DEG) == pytest.approx(arc, abs=6e-4)
    assert setback_mm(clr, deg * DEG) == pytest.approx(setback, abs=6e-4)


def test_a_hoop_by_hand() -> None:
    """Up 700, across 900, down 700, with a radius of 135: two right angles in one plane."""
    apexes = np.array([[0, 0, 0], [0, 0, 700.0], [0, 900.0, 700.0], [0, 900.0, 0]])
    table = from_apexes(apexes, Bender(135.0, 60.0))
    assert [b.feed_mm for b in table.bends] == pytest.approx([565.0, 630.0])
    assert [b.turn_rad for b in table.bends] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert [b.bend_rad / DEG for b in table.bends] == pytest.approx([90.0, 90.0])
    assert table.last_mm == pytest.approx(565.0)
    assert table.developed_mm == pytest.approx(565.0 * 2 + 630.0 + 2.0 * 212.0575, abs=1e-3)
    assert table.starts_mm == pytest.approx((565.0, 565.0 + 212.0575 + 630.0), abs=1e-3)


def test_a_positive_turn_is_clockwise_looking_along_the_tube() -> None:
    """Along x, bent to +y; without a turn the next bend would go on to -x."""
    up = np.array([[0, 0, 0], [500.0, 0, 0], [500.0, 500.0, 0], [500.0, 500.0, 500.0]])
    # Looking along +y with z up, -x is on the left: from left to up is clockwise.
    assert from_apexes(up, Bender(100.0)).bends[1].turn_rad / DEG == pytest.approx(90.0)
    down = up * [1.0, 1.0, -1.0]
    assert from_apexes(down, Bender(100.0)).bends[1].turn_rad / DEG == pytest.approx(-90.0)


rows = st.lists(
    st.tuples(
        st.floats(0.0, 900.0), st.floats(-math.pi + 1e-6, math.pi), st.floats(0.02, 2.6)
    ),
    min_size=1,
    max_size=6,
)  # fmt: skip


@given(
    rows,
    st.floats(0.0, 900.0),
    st.floats(20.0, 200.0),
    st.lists(st.floats(-3, 3), min_size=3, max_size=3),
)
def test_xyz_and_length_rotation_angle_turn_into_each_other(
    typed: list[tuple[float, float, float]], last: float, clr: float, turn: list[float]
) -> None:
    bends = [Bend(f, t if n else 0.0, a) for n, (f, t, a) in enumerate(typed)]
    table = from_rows(bends, last, Bender(clr))
    place = Rigid(exp(np.array(turn)), np.array([100.0, -50.0, 20.0]))
    apexes = place.apply(to_apexes(table))
    again = from_apexes(apexes, Bender(clr))
    np.testing.assert_allclose(to_apexes(again), apexes, atol=1e-9)
    for a, b in zip(again.bends, bends, strict=True):
        assert a.feed_mm == pytest.approx(b.feed_mm, abs=1e-9)
        assert a.bend_rad == pytest.approx(b.bend_rad, abs=1e-9)
        assert math.remainder(a.turn_rad - b.turn_rad, 2.0 * math.pi) == pytest.approx(0, abs=1e-9)
    assert again.last_mm == pytest.approx(last, abs=1e-9)


def test_the_developed_length_is_that_of_the_drawn_centre_line() -> None:
    """Walk straights and arcs in small steps, knowing apexes and radius only."""
    apexes = np.array([[0, 0, 0], [400.0, 30, 0], [620, 420, 90.0], [300.0, 800, 500]])
    clr = 114.0
    length, place = 0.0, apexes[0]
    for before, apex, after in zip(apexes, apexes[1:], apexes[2:], strict=False):
        u, v = (before - apex), (after - apex)
        u, v = u / np.linalg.norm(u), v / np.linalg.norm(v)
        half = math.acos(float(u @ v)) / 2.0
        touch = clr / math.tan(half)
        length += float(np.linalg.norm(apex + touch * u - place))
        length += quad(lambda _: clr, 0.0, math.pi - 2.0 * half)[0]
        place = apex + touch * v
    length += float(np.linalg.norm(apexes[-1] - place))
    assert from_apexes(apexes, Bender(clr)).developed_mm == pytest.approx(length, abs=1e-9)


def test_spring_back_changes_the_setting_and_nothing_else() -> None:
    bends = [Bend(200.0, 0.0, 60.0 * DEG)]
    plain = from_rows(bends, 200.0, Bender(114.0))
    sprung = from_rows(bends, 200.0, Bender(114.0, springback_percent=2.0, springback_deg=1.5))
    assert sprung.set_rad(sprung.bends[0]) / DEG == pytest.approx(62.7)
    assert plain.set_rad(plain.bends[0]) / DEG == pytest.approx(60.0)
    assert sprung.developed_mm == plain.developed_mm


def hoop(width: float) -> Array:
    return np.array([[0, 0, 0], [0, 0, 700.0], [0, width, 700.0], [0, width, 0]])


def test_a_straight_too_short_for_the_bender_is_refused_with_what_would_be_possible() -> None:
    bender = Bender(135.0, between_mm=80.0)
    said = r"between bends 1 and 2 would be 30.0 mm .* needs 80 mm .*50.0 mm longer.* 110.0 mm"
    with pytest.raises(InputError, match=said):
        from_apexes(hoop(300.0), bender)
    from_apexes(hoop(350.0), bender)
    from_apexes(hoop(300.0), Bender(110.0, between_mm=80.0))
    with pytest.raises(InputError, match=r"at the start would be 65\.0 mm"):
        from_apexes(hoop(900.0) * [1, 1, 200.0 / 700.0], Bender(135.0, ends_mm=100.0))
    with pytest.raises(InputError, match="at the end"):
        from_rows([Bend(200.0, 0.0, 1.0)], 50.0, Bender(135.0, ends_mm=100.0))


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([[0, 0, 0], [1, 0, 0]], "three or more points"),
        ([[0, 0, 0], [500, 0, 0], [1000, 0, 0]], "on a straight line"),
        ([[0, 0, 0], [500, 0, 0], [500, 0, 0], [500, 500, 0]], "Points 2 and 3"),
        ([[0, 0, 0], [500, 0, 0], [0, 1, 0]], "folds the tube back"),
        ([[0, 0, 0], [math.nan, 0, 0], [0, 1, 0]], "not finite"),
    ],
)
def test_points_that_make_no_tube_are_refused(points: list[list[float]], said: str) -> None:
    with pytest.raises(InputError, match=said):
        from_apexes(np.array(points, dtype=float), Bender(100.0))


def test_rows_that_make_no_tube_are_refused() -> None:
    for bends, last in (([], 1.0), ([Bend(1.0, 0.0, 0.0)], 1.0), ([Bend(math.inf, 0, 1.0)], 1.0)):
        with pytest.raises(InputError):
            from_rows(bends, last, Bender(100.0))
    for bender in (Bender(0.0), Bender(100.0, -1.0), Bender(100.0, springback_percent=90.0)):
        with pytest.raises(InputError, match="none of a bender"):
            check_bender(bender)
