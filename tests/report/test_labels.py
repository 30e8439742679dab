"""Labels find room beside what they name."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ImageFont

from fitscan.report.labels import Wish, place_labels
from fitscan.report.lettering import font_file, text_width, wrapped

NONE = np.zeros((0, 2))


def wish(x: float, y: float, text: str = "3.4 ± 0.3 mm") -> Wish:
    return Wish(text, np.array([x, y]), np.array([0.0, -1.0]), f"{x}")


@settings(max_examples=30)
@given(st.lists(st.tuples(st.floats(20, 1580), st.floats(20, 1180)), min_size=1, max_size=25))
def test_labels_never_overlap_each_other_and_stay_inside(places: list[tuple[float, float]]) -> None:
    labels, leaders, left_out = place_labels(
        [wish(x, y) for x, y in places], 30.0, 1600, 1200, NONE
    )
    assert len(labels) + len(left_out) == len(places)
    assert len(leaders) == len(labels)
    for i, a in enumerate(labels):
        left, top, right, bottom = a.box
        assert left > 0
        assert top > 0
        assert right < 1600
        assert bottom < 1200
        for b in labels[:i]:
            c = b.box
            assert right <= c[0] or c[2] <= left or bottom <= c[1] or c[3] <= top


def test_a_label_keeps_off_what_it_names_when_there_is_room() -> None:
    line = np.stack([np.linspace(200, 1400, 200), np.full(200, 600.0)], axis=1)
    labels, _, _ = place_labels([wish(800, 600)], 30.0, 1600, 1200, line)
    left, top, right, bottom = labels[0].box
    inside = (line[:, 0] > left) & (line[:, 0] < right) & (line[:, 1] > top)
    assert not np.any(inside & (line[:, 1] < bottom))


def test_a_leader_joins_each_label_to_what_it_names() -> None:
    labels, leaders, _ = place_labels([wish(300, 300), wish(320, 300)], 30.0, 1600, 1200, NONE)
    for label, leader in zip(labels, leaders, strict=True):
        assert leader.places[0] == pytest.approx(label.middle)
        assert leader.places[1][1] == 300.0
        assert leader.of == label.of


def test_where_there_is_no_room_the_last_wishes_are_left_out() -> None:
    wishes = [wish(130, 60 + i, "0.3") for i in range(30)]
    labels, _, left_out = place_labels(wishes, 30.0, 260, 150, NONE)
    assert labels[0].of == wishes[0].of
    assert len(left_out) > 10


def test_text_is_as_wide_as_its_font_draws_it() -> None:
    font = ImageFont.truetype(str(font_file()), 34)
    for text in ("3.4 ± 0.3 mm", "door bar: 12.21 ± 0.07 mm"):
        assert text_width(text, 34.0) == pytest.approx(font.getlength(text), rel=0.02)


@given(st.text(alphabet="abc ±.", min_size=1, max_size=200), st.floats(60.0, 900.0))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width: float) -> None:
    lines = wrapped(text, 30.0, width)
    assert all(text_width(line, 30.0) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())
