"""Outlines of cell patterns, and text that keeps to its room."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from fitscan.markers.sheet_ink import Ink, outlines, text_width, wrap


def winding(loops: list[list[tuple[int, int]]], x: float, y: float) -> int:
    """Winding number by crossings of a ray to the right, which self-touching loops allow too."""
    total = 0
    for loop in loops:
        for (x0, y0), (x1, y1) in zip(loop, loop[1:] + loop[:1], strict=True):
            if x0 == x1 and x0 > x and min(y0, y1) < y < max(y0, y1):
                total += 1 if y1 > y0 else -1
    return total


@given(hnp.arrays(np.bool_, st.tuples(st.integers(1, 6), st.integers(1, 6))))
def test_a_fill_by_winding_paints_exactly_the_black_cells(black: npt.NDArray[np.bool_]) -> None:
    loops = outlines(black)
    for (r, c), is_black in np.ndenumerate(black):
        assert (winding(loops, c + 0.5, r + 0.5) != 0) == bool(is_black)


def test_straight_runs_are_one_edge() -> None:
    assert sorted(map(len, outlines(np.ones((8, 8), np.bool_)))) == [4]
    ring = np.ones((3, 3), np.bool_)
    ring[1, 1] = False
    assert sorted(map(len, outlines(ring))) == [4, 4]
    assert outlines(np.zeros((4, 4), np.bool_)) == []


def test_long_words_are_made_to_fit_their_room() -> None:
    from reportlab.pdfgen.canvas import Canvas

    stream = io.BytesIO()
    canvas = Canvas(stream, pageCompression=0)
    Ink(canvas).text(10, 10, "main hoop, straight 1", size=3.0, room=10.0)
    canvas.save()
    drawn = stream.getvalue()
    # Letters shrink to 80 % first, then they get narrower (Tz is in percent).
    squeeze = 100.0 * 10.0 / text_width("main hoop, straight 1", 2.4)
    assert b"2.4" in drawn
    assert f"{squeeze:.3f}"[:5].encode() in drawn


def test_wrapped_lines_are_no_wider_than_asked() -> None:
    lines = wrap("Wrap each cuff once round its tube, tight and square", 2.5, 20.0)
    assert len(lines) > 2
    assert all(text_width(line, 2.5) <= 20.0 for line in lines)
