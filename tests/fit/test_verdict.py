"""Decision rules of ISO 14253-1: the uncertainty is taken off the tolerance on both sides."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitscan.fit.verdict import COVERAGE, Verdict, judge

# ISO 14253-1: conformance is proven when the result and its expanded uncertainty lie within the
# tolerance, non-conformance when they lie outside it; in between, nothing is proven. The two
# rules' inequalities (within or on the limit; beyond it) are from memory of the standard.
CASES = [
    (1.0, 0.5, 2.0, Verdict.IN),
    (1.5, 0.5, 2.0, Verdict.IN),  # just touches the limit from inside
    (1.5000001, 0.5, 2.0, Verdict.OPEN),
    (2.0, 0.5, 2.0, Verdict.OPEN),
    (2.5, 0.5, 2.0, Verdict.OPEN),  # just touches the limit from outside
    (2.5000001, 0.5, 2.0, Verdict.OUT),
    (9.0, 0.5, 2.0, Verdict.OUT),
    (2.0, 0.0, 2.0, Verdict.IN),
    (2.0000001, 0.0, 2.0, Verdict.OUT),
    (0.0, 2.5, 2.0, Verdict.OPEN),  # too uncertain to prove even a zero
]


@pytest.mark.parametrize(("value", "expanded", "limit", "verdict"), CASES)
def test_the_verdict_at_the_limits_of_each_zone(
    value: float, expanded: float, limit: float, verdict: Verdict
) -> None:
    assert judge(value, expanded, limit) is verdict


sizes = st.floats(0.0, 100.0)


@given(value=sizes, expanded=sizes, limit=sizes)
def test_a_smaller_uncertainty_never_takes_a_proof_back(
    value: float, expanded: float, limit: float
) -> None:
    verdict = judge(value, expanded, limit)
    if verdict is not Verdict.OPEN:
        assert judge(value, 0.5 * expanded, limit) is verdict


@given(value=sizes, expanded=sizes, limit=sizes)
def test_what_is_proven_in_stays_in_for_a_wider_limit(
    value: float, expanded: float, limit: float
) -> None:
    order = [Verdict.OUT, Verdict.OPEN, Verdict.IN]
    narrow, wide = judge(value, expanded, limit), judge(value, expanded, limit + 1.0)
    assert order.index(wide) >= order.index(narrow)


def test_a_result_that_is_no_number_proves_nothing() -> None:
    assert judge(float("nan"), 0.1, 2.0) is Verdict.OPEN
    assert judge(1.0, float("nan"), 2.0) is Verdict.OPEN


def test_expanded_uncertainties_are_two_standard_deviations() -> None:
    assert COVERAGE == 2.0


def test_every_verdict_has_words_that_say_whether_it_is_proven() -> None:
    assert "proven" in Verdict.IN.words
    assert "proven" in Verdict.OUT.words
    assert "cannot be decided" in Verdict.OPEN.words
