"""The letters of all pictures: one font that the plotting library carries, and how wide text is.

The font has the signs that a measurement needs (±, ·, Greek), which not every system font has.
"""

from __future__ import annotations

import logging
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

__all__ = ["font_file", "hush", "text_width", "wrapped"]

_MEASURED_AT = 64


def hush() -> None:
    """Keep Matplotlib from telling a fabricator about its font cache; its errors still come."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)


@lru_cache(maxsize=2)
def font_file(*, bold: bool = False) -> Path:
    """File of the font."""
    hush()
    import matplotlib as mpl

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(mpl.get_data_path()) / "fonts" / "ttf" / name


@lru_cache(maxsize=2)
def _font(*, bold: bool) -> FreeTypeFont:
    from PIL import ImageFont

    return ImageFont.truetype(str(font_file(bold=bold)), _MEASURED_AT)


def text_width(text: str, size_px: float, *, bold: bool = False) -> float:
    """Width of one line of text, px."""
    return float(_font(bold=bold).getlength(text)) * size_px / _MEASURED_AT


def wrapped(text: str, size_px: float, width_px: float, *, bold: bool = False) -> list[str]:
    """Lines of a text that are no wider than a width; a single longer word is cut."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if text_width(longer, size_px, bold=bold) <= width_px:
            line = longer
            continue
        if line:
            lines.append(line)
        while text_width(word, size_px, bold=bold) > width_px and len(word) > 1:
            end = next(
                n for n in range(len(word) - 1, 0, -1)
                if n == 1 or text_width(word[:n], size_px, bold=bold) <= width_px
            )  # fmt: skip
            lines.append(word[:end])
            word = word[end:]
        line = word
    return [*lines, line] if line else lines
