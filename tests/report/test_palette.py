"""Colours that every eye and every printer can tell apart, by published measures."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from fitscan.report.palette import COLOURS, STYLES, VERDICT_LOOKS

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based model for simulation
# of color vision deficiency", IEEE TVCG 15(6), 2009: severity 1.0, on linear RGB.
MACHADO = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour: str) -> np.ndarray:
    """Linear RGB of sRGB, IEC 61966-2-1."""
    v = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    """Relative luminance, ITU-R BT.709 weights as in WCAG 2.1."""
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    """Contrast ratio of WCAG 2.1, 1 to 21."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIELAB (D65) of linear RGB."""
    matrix = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    t = matrix @ np.clip(rgb, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_colours_are_the_published_set() -> None:
    # M. Okabe and K. Ito, "Color Universal Design", 2002; B. Wong, Nature Methods 8, 441, 2011.
    assert set(COLOURS.values()) == {
        "#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7",
        "#FFFFFF",
    }  # fmt: skip


@pytest.mark.parametrize("role", STYLES)
def test_a_line_and_its_edge_contrast_enough_for_any_photo_and_a_grey_print(role: str) -> None:
    # WCAG 2.1, success criterion 1.4.11: graphics need 3:1.
    style = STYLES[role]
    assert contrast(style.colour, style.edge_colour) >= 3.0
    assert style.edge_px > 0.0


def test_measured_and_seated_lines_differ_in_lightness_and_in_dash() -> None:
    for kind in ("outline", "axis"):
        tube, seat = STYLES[f"tube {kind}"], STYLES[f"seat {kind}"]
        assert contrast(tube.colour, seat.colour) >= 3.0
        assert tube.dash_px != seat.dash_px
    assert STYLES["tube outline"].dash_px is None
    assert STYLES["seat outline"].dash_px is not None


@pytest.mark.parametrize("eyes", MACHADO)
def test_tube_seat_and_gap_differ_for_every_kind_of_colour_vision(eyes: str) -> None:
    seen = {
        role: lab(np.array(MACHADO[eyes]) @ linear(STYLES[role].colour))
        for role in ("tube outline", "seat outline", "whisker")
    }
    for a, b in combinations(seen.values(), 2):
        # 2.3 is just noticeable (M. Mahy et al., Color Res. Appl. 19, 1994); ask for ten times it.
        assert np.linalg.norm(a - b) > 23.0


def test_verdicts_differ_in_shape_and_word_not_only_in_colour() -> None:
    looks = list(VERDICT_LOOKS.values())
    assert len(looks) == 3
    assert len({look.shape for look in looks}) == 3
    assert len({look.word for look in looks}) == 3
    assert len({look.colour for look in looks}) == 3
