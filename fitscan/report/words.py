"""Numbers and sentences as all reports write them.

What is measured and judged is left to `fitscan.fit`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from fitscan.fit.result_file import CAUTION
from fitscan.fit.verdict import Verdict

__all__ = ["CAUTION", "SHORT_CAUTION", "amount", "exaggeration", "verdict_counts"]

SHORT_CAUTION = (
    "Measures fit only; approves no design, weld or material: the sanctioning body's rules and "
    "local law decide. Check by hand before cutting or welding."
)

_NICE = (1, 2, 5)


def amount(value: float, expanded: float, unit: str = "") -> str:
    """A value with its expanded uncertainty, rounded to what U supports: "3.4 ± 0.3 mm".

    U keeps two digits when its three leading digits are 100 to 354, one when they are 355 to 949,
    and is rounded up to 1000 above; the value gets as many decimals as U, at most three. Source:
    Particle Data Group, Review of Particle Physics, Phys. Rev. D 98, 030001 (2018), Introduction,
    5.3.
    """
    decimals = _decimals(expanded)
    shown = round(value, decimals) + 0.0  # no minus before a zero
    text = f"{shown:.{decimals}f} ± {max(expanded, 10.0**-decimals):.{decimals}f}"
    return f"{text} {unit}" if unit else text


def _decimals(expanded: float) -> int:
    if not math.isfinite(expanded) or expanded <= 0.0:
        return 3
    exponent = math.floor(math.log10(expanded))
    lead = expanded / 10.0**exponent
    digits = 2 if lead < 3.55 or lead >= 9.5 else 1
    # 0.97 becomes 1.0, 0.096 becomes 0.10: the place of the first digit moved up.
    place = exponent + 1 if lead >= 9.5 else exponent
    return int(min(max(digits - 1 - place, 0), 3))


def exaggeration(largest: float, room: float, most: float = 500.0) -> float:
    """The largest factor of 1, 2, 5, 10, ... that draws `largest` within `room`, 1 at least.

    Args:
        largest: longest length to draw, in the picture's unit.
        room: how long it may become.
        most: upper bound, so that noise never looks like a bent cage.
    """
    if largest <= 0.0:
        return 1.0
    factor = 1.0
    power = 1.0
    while power <= most:
        for nice in _NICE:
            if nice * power <= most and nice * power * largest <= room:
                factor = nice * power
        power *= 10.0
    return factor


def verdict_counts(verdicts: Iterable[Verdict], limit_mm: float) -> str:
    """How many are in, out and open against a limit, in words."""
    listed = list(verdicts)
    parts = [f"{listed.count(v)} {v.value}" for v in Verdict if v in listed]
    return f"Against {limit_mm:g} mm: " + ", ".join(parts)
