"""A sheet of sentences: what was measured, to check by hand before cutting.

The sentences come from the plans, the paper from `flat_pdf`.
"""

from __future__ import annotations

from collections.abc import Sequence

from fitscan.make.flat import Drawing, Label
from fitscan.markers.sheet_ink import wrap

__all__ = ["words_sheet"]

_TEXT_MM, _WIDTH_MM = 3.2, 170.0


def words_sheet(title: str, sentences: Sequence[str]) -> Drawing:
    """Sentences as a drawing, so that they are printed with rulers and cautions."""
    told = ("U is the expanded uncertainty, k = 2.", *sentences)
    lines = [line for sentence in told for line in wrap(sentence, _TEXT_MM, _WIDTH_MM)]
    height = 2.0 * _TEXT_MM * (len(lines) + 1)
    labels = tuple(
        Label(1.0, height - 2.0 * _TEXT_MM * n, line, size=_TEXT_MM, room=_WIDTH_MM)
        for n, line in enumerate(lines, 1)
    )
    return Drawing(title, (), labels, _WIDTH_MM + 2.0, height)
