"""Wishes as they are written on the command line.

What they mean is left to `wish`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from fitscan.errors import InputError
from fitscan.markers.kit import Kit
from fitscan.plan.wish import Wish

__all__ = ["wish_from_text", "wishes_from_text"]

_ASK = "name what you want to know with --tube, --marker, or --gap with --on"


def wishes_from_text(
    tubes: Sequence[str],
    markers: Sequence[int],
    gaps: Sequence[str],
    on: str | None,
    wanted_mm: float | None,
    kit: Kit,
) -> list[Wish]:
    """Wishes of a plan.

    A gap is the difference of two shoots; each may have 1/sqrt(2) of its U, as independent
    contributions add in squares (JCGM 100:2008, 5.1.2).

    Raises:
        InputError: nothing is wished, or a gap without the part that carries it over.
    """
    out = [_tube(text, on, wanted_mm, kit) for text in tubes]
    out += [Wish(marker=m, on=on, wanted_mm=wanted_mm) for m in markers]
    for text in gaps:
        if on is None:
            raise InputError(
                "A gap needs the part that carries it over", "--gap", "add --on, like --on trim"
            )
        share = None if wanted_mm is None else wanted_mm / math.sqrt(2.0)
        own = _tube(text, on, share, kit)
        out.append(Wish(own.tube, own.straight, on=on, gap=True, wanted_mm=share))
    if not out:
        raise InputError("Nothing is asked for", "", _ASK)
    return out


def wish_from_text(
    tube: str | None,
    marker: int | None,
    gap: str | None,
    on: str | None,
    wanted_mm: float | None,
    kit: Kit,
) -> Wish | None:
    """The one wish of an advice, or None for what is known worst.

    Raises:
        InputError: more than one thing is asked for, or options that belong to none.
    """
    if sum(x is not None for x in (tube, marker, gap)) > 1:
        raise InputError("Only one thing can be asked for at a time", "", "ask once for each")
    if tube is None and marker is None and gap is None:
        if on is not None or wanted_mm is not None:
            raise InputError("--on and --wanted-mm belong to something asked for", "", _ASK)
        return None
    tubes, gaps = ([t] if t is not None else [] for t in (tube, gap))
    markers = [marker] if marker is not None else []
    return wishes_from_text(tubes, markers, gaps, on, wanted_mm, kit)[0]


def _tube(text: str, on: str | None, wanted_mm: float | None, kit: Kit) -> Wish:
    """TUBE or TUBE:STRAIGHT; a tube's own name may hold a colon."""
    head, colon, tail = text.rpartition(":")
    if text not in {c.tube for c in kit.cuff} and colon and tail.isdigit():
        return Wish(tube=head, straight=int(tail), on=on, wanted_mm=wanted_mm)
    return Wish(tube=text, on=on, wanted_mm=wanted_mm)
