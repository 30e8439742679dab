"""How users write what they ask for: NAME@WANTED and A=B.

What the names mean is left to `fitscan.shape.axis_rule`.
"""

from __future__ import annotations

from fitscan.errors import InputError

__all__ = ["pair_of", "wanted_of"]


def wanted_of(text: str) -> tuple[str, float | None]:
    """Split NAME@DEG; without a number after the sign it belongs to the name.

    Raises:
        InputError: the number is no angle.
    """
    name, sign, tail = text.rpartition("@")
    try:
        value = float(tail) if sign and name else None
    except ValueError:
        return text, None
    if value is not None and not abs(value) <= 180.0:
        raise InputError(f"{tail} is no angle", text, "write degrees after the @, like @-8.5")
    return (name, value) if value is not None else (text, None)


def pair_of(text: str, option: str) -> tuple[str, str]:
    """Split A=B.

    Raises:
        InputError: it does not name two.
    """
    first, sign, second = text.partition("=")
    if not sign or not first.strip() or not second.strip():
        raise InputError(
            f"{text!r} does not name two tubes", option, "write it like 'main hoop:1=stay left'"
        )
    return first.strip(), second.strip()
