"""Numbers as people read them, against a published rounding rule."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitscan.fit.verdict import Verdict
from fitscan.report.words import SHORT_CAUTION, amount, exaggeration, verdict_counts


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        # Particle Data Group, Review of Particle Physics (2018), Introduction, 5.3: its two
        # examples (from memory), and the bounds of its rule.
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        (5.0, 0.354, "5.00 ± 0.35"),
        (5.0, 0.355, "5.0 ± 0.4"),
        (5.0, 0.949, "5.0 ± 0.9"),
        (5.0, 0.951, "5.0 ± 1.0"),
        (12.0, 0.0962, "12.00 ± 0.10"),
    ],
)
def test_a_value_is_rounded_to_what_its_uncertainty_supports(
    value: float, expanded: float, text: str
) -> None:
    assert amount(value, expanded) == text


def test_the_unit_follows_and_no_uncertainty_vanishes_in_rounding() -> None:
    assert amount(3.41, 0.31, "mm") == "3.41 ± 0.31 mm"
    assert amount(0.1, 0.00002, "mm") == "0.100 ± 0.001 mm"
    assert amount(0.1, 0.0, "mm") == "0.100 ± 0.001 mm"


@given(st.floats(0.002, 500.0), st.floats(-2000.0, 2000.0))
def test_rounding_changes_u_by_little_and_the_value_by_less_than_u(u: float, value: float) -> None:
    shown_value, shown_u = (float(t) for t in amount(value, u).split(" ± "))
    # Half a unit of one digit at 3.55 is 14 %; above 100 whole millimetres are shown.
    assert abs(shown_u - u) <= 0.145 * u
    assert abs(shown_value - value) <= 0.5 * u + 1e-9


@given(st.floats(1e-3, 1e3), st.floats(1.0, 1e3))
def test_exaggeration_is_a_round_number_that_fits(largest: float, room: float) -> None:
    factor = exaggeration(largest, room)
    assert 1.0 <= factor <= 500.0
    assert float(f"{factor:.0e}") == factor
    assert str(factor)[0] in "125"
    assert factor == 1.0 or factor * largest <= room
    if factor < 500.0:
        assert 2.5 * factor * largest > room * 0.999


def test_nothing_to_draw_is_not_exaggerated() -> None:
    assert exaggeration(0.0, 100.0) == 1.0


def test_verdicts_are_counted_in_words() -> None:
    counted = verdict_counts([Verdict.OUT, Verdict.IN, Verdict.OUT, Verdict.OPEN], 2.0)
    assert counted == "Against 2 mm: 1 in tolerance, 2 out of tolerance, 1 cannot be decided"


def test_the_short_caution_says_what_the_picture_cannot_tell() -> None:
    for words in ("fit only", "design", "weld", "material", "law", "Check by hand before cutting"):
        assert words in SHORT_CAUTION
