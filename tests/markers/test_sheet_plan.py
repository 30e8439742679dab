"""Which id each marker gets."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from fitscan.errors import InputError
from fitscan.markers.sheet_page import PAPERS, Format
from fitscan.markers.sheet_plan import SheetPlan, plan_sheets
from fitscan.markers.sheet_request import (
    PointerRequest,
    RuleRequest,
    SheetRequest,
    TagGroup,
    TubeRequest,
)

FORM = Format(PAPERS["a4"])


def asked(tags: int, pointers: int, rules: int, cuffs: int, first: int = 0) -> SheetRequest:
    return SheetRequest(
        tags=(TagGroup("shell", tags),),
        pointers=tuple(PointerRequest(f"lip {n}", "trim") for n in range(pointers)),
        rules=(RuleRequest(),) * rules,
        tubes=tuple(TubeRequest(f"tube {n}", 45.0, cuffs=1) for n in range(cuffs)),
        first_id=first,
    )


def firsts(plan: SheetPlan) -> list[int]:
    """First id of tags, pointers, rules, cuffs."""
    return [
        plan.tags[0].spec.id,
        plan.pointers[0].id,
        plan.rules[0].ends[0].id,
        plan.cuffs[0].spec.first_id,
    ]


def test_a_small_job_gets_round_numbers() -> None:
    assert firsts(plan_sheets(asked(32, 4, 1, 3), FORM)) == [0, 60, 90, 100]


def test_a_kind_that_needs_more_room_moves_the_next_to_the_next_ten() -> None:
    assert firsts(plan_sheets(asked(65, 4, 1, 3), FORM)) == [0, 70, 90, 100]
    assert firsts(plan_sheets(asked(95, 4, 9, 3), FORM)) == [0, 100, 110, 130]


def test_sheets_added_later_start_where_they_are_told() -> None:
    assert firsts(plan_sheets(asked(5, 1, 1, 1, first=300), FORM)) == [300, 360, 390, 400]


def test_ids_are_packed_when_round_numbers_run_out() -> None:
    plan = plan_sheets(asked(5, 1, 1, 41), FORM)
    assert firsts(plan) == [0, 5, 6, 8]
    assert plan.kit.tag_ids[-1] == 8 + 41 * 14 - 1


@given(
    st.integers(1, 300),
    st.integers(1, 40),
    st.integers(1, 5),
    st.integers(1, 20),
    st.integers(0, 300),
)
def test_no_id_is_given_twice_and_the_kinds_keep_their_order(
    tags: int, pointers: int, rules: int, cuffs: int, first: int
) -> None:
    total = tags + pointers + 2 * rules + 14 * cuffs
    try:
        plan = plan_sheets(asked(tags, pointers, rules, cuffs, first), FORM)
    except InputError:
        assert first + total > 587
        return
    ids = plan.kit.tag_ids
    assert len(ids) == len(set(ids)) == total
    assert min(ids) == first
    assert max(ids) <= 586
    assert all(a < b for a, b in pairwise(firsts(plan)))


def test_a_rules_tags_belong_to_a_part_of_their_own() -> None:
    plan = plan_sheets(asked(1, 1, 2, 1), FORM)
    assert [t.part for t in plan.kit.tag if t.id >= 90] == ["rule 1", "rule 1", "rule 2", "rule 2"]
