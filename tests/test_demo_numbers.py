"""That a change which moves a number says so, and by how much."""

from __future__ import annotations

from dataclasses import replace

import pytest
from demo_numbers import Number, moves, stored_numbers

OLD = {"gap, station 1, total": Number(3.412, 0.05, "mm")}


def test_what_stays_within_half_of_its_u_is_not_worth_a_word() -> None:
    assert moves(OLD, OLD) == []
    assert moves(OLD, {k: replace(n, value=n.value + 0.024) for k, n in OLD.items()}) == []


def test_what_moves_further_is_told_with_both_values_and_its_u() -> None:
    now = {k: replace(n, value=n.value - 0.031) for k, n in OLD.items()}
    assert moves(OLD, now) == [
        "gap, station 1, total moved by -0.0310 mm, from 3.4120 to 3.3810: more than half of its U "
        "of 0.0500."
    ]


def test_a_u_that_grows_or_shrinks_by_more_than_a_quarter_is_told() -> None:
    for factor in (0.7, 1.3):
        now = {k: replace(n, U=n.U * factor) for k, n in OLD.items()}
        assert moves(OLD, now) == [
            f"The U of gap, station 1, total changed from 0.0500 to {0.05 * factor:.4f} mm: more "
            "than a quarter."
        ]


def test_what_comes_or_goes_is_told() -> None:
    assert moves(OLD, {}) == ["gap, station 1, total is gone."]
    assert moves({}, OLD) == ["gap, station 1, total is new: 3.4120 mm."]


def test_the_file_holds_both_results_with_an_uncertainty_for_each_number() -> None:
    stored = stored_numbers()
    assert len(stored) > 60
    assert {"recheck, shift X", "recheck, turn Z"} <= set(stored)
    assert sum(name.startswith("gap, ") for name in stored) >= 24
    assert all(n.U > 0 for n in stored.values())


@pytest.mark.parametrize("name", ["recheck, shift X", "recheck, turn Z"])
def test_a_real_number_that_moves_by_its_own_u_would_be_found(name: str) -> None:
    stored = stored_numbers()
    moved = {**stored, name: replace(stored[name], value=stored[name].value + stored[name].U)}
    assert [s.partition(" moved")[0] for s in moves(stored, moved)] == [name]
