"""What a survey says of its photos: blur, glare, and a scale that nobody measured."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.quality import _advice


def photo(blur: float, pale: tuple[int, ...] = ()) -> PhotoMeasurement:
    """A photo of nine squares and some pale ones; without any blur, of none."""
    expected = (*range(100, 109), *pale)
    return PhotoMeasurement(
        np.zeros(9, dtype=np.intp), np.zeros((9, 9)), np.zeros((9, 9, 9)), np.zeros(9),
        np.zeros(9, dtype=bool), expected, 0.0, np.full(9 if blur else 0, blur),
        seen=np.ones(len(expected)), contrast=np.r_[np.full(9, 120.0), np.full(len(pale), 30.0)],
    )  # fmt: skip


def said(photos: list[PhotoMeasurement], *, rules: bool = True) -> tuple[str, ...]:
    names = tuple(f"P{i}.jpg" for i in range(len(photos)))
    finished: Any = SimpleNamespace(asked=SimpleNamespace(photos=names), measured=tuple(photos))
    return _advice(finished, rules)


def test_sharp_photos_without_glare_need_no_word() -> None:
    assert said([photo(0.8), photo(0.9), photo(1.2), photo(0.0)]) == ()


def test_a_blurred_photo_is_named_with_its_blur() -> None:
    (told,) = said([photo(0.8), photo(2.4), photo(0.9), photo(0.8)])
    assert told.startswith("P1.jpg is blurred (2.4 px)")


def test_a_phone_that_is_never_sharper_is_not_scolded_photo_by_photo() -> None:
    assert said([photo(1.8), photo(1.9), photo(2.0)]) == ()


def test_many_blurred_photos_are_named_in_short() -> None:
    (told,) = said([photo(0.8)] * 9 + [photo(2.0)] * 5)
    assert told.startswith("P9.jpg, P10.jpg, P11.jpg and 2 more are blurred")


def test_glare_is_told_with_photos_and_ids_and_one_dirty_print_is_not() -> None:
    assert said([photo(0.8, (4, 7)), photo(0.8)]) == ()
    (told,) = said([photo(0.8, (4, 7, 9)), photo(0.8), photo(0.8, (4, 5, 6, 7))])
    assert "P0.jpg, P2.jpg (ids 4, 5, 6, 7, 9)" in told


def test_a_missing_rule_comes_first() -> None:
    assert said([photo(0.8)], rules=False)[0].startswith("Lay two tags at a measured distance")
