"""What a user sees of an error, and that it survives the way out of a worker process."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from fitscan.errors import DataError, EnvironmentProblem, FitscanError, InputError


def test_an_error_is_one_sentence_with_its_place_in_brackets() -> None:
    error = InputError("Two tags share id 7", "kit.toml, line 12", "give one another id")
    assert str(error) == "Two tags share id 7 (kit.toml, line 12): give one another id."


def test_an_error_without_a_place_has_no_empty_brackets() -> None:
    assert str(DataError("No tags were found", "", "go closer")) == "No tags were found: go closer."


def test_line_breaks_and_doubled_full_stops_are_smoothed() -> None:
    assert str(InputError("Bad.\n", Path("a"), "Do\n  this.")) == "Bad (a): Do this."


@pytest.mark.parametrize(
    ("kind", "code"), [(InputError, 2), (DataError, 2), (EnvironmentProblem, 3)]
)
def test_each_kind_has_its_exit_code_and_survives_pickling(
    kind: type[FitscanError], code: int
) -> None:
    back = pickle.loads(pickle.dumps(kind("a", "b", "c")))
    assert type(back) is kind
    assert (back.what, back.where, back.todo, back.exit_code) == ("a", "b", "c", code)
