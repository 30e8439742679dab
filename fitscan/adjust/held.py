"""Adjust a few parameters of a problem and hold all the others where they are.

For what joins a problem that stands: its blocks are asked as ever, and what they say of the rest is
left aside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitscan.adjust.problem import Block, Group, IntArray, Linear, Part, Values
from fitscan.adjust.solve import Options, solve
from fitscan.geometry.rotation import Array

__all__ = ["solve_free"]


def solve_free(
    groups: Sequence[Group],
    blocks: Sequence[Block],
    free: Mapping[str, IntArray],
    options: Options,
) -> dict[str, Array]:
    """Minimise the robust square sum by some parameters alone.

    Args:
        groups: all parameters, at their start values.
        blocks: the observations, each of another name; those that say nothing of what is free do
            not count.
        free: per group, the rows that may change; groups that are not named are held whole.
        options: how to iterate; nothing is eliminated.

    Returns:
        per group, all values, those that were held as they were.

    Raises:
        DataError: as `solve`; what is free must be tied down by the blocks.
    """
    values = {g.name: g.values for g in groups}
    named = {g.name: g for g in groups}
    few = [replace(named[k], values=values[k][rows]) for k, rows in free.items() if len(rows)]
    if not few:
        return values
    place = {}
    for group in few:
        place[group.name] = np.full(len(values[group.name]), -1, dtype=np.intp)
        place[group.name][free[group.name]] = np.arange(len(group.values))
    held = [_Held(b, values, free, place) for b in blocks]
    start = {g.name: g.values for g in few}
    known = {h.name: h.linearise(start) for h in held}
    speaking = [h for h in held if known[h.name].parts]
    found = solve(few, speaking, replace(options, eliminate=None), known)
    return {**values, **held[0].whole(found.values)} if held else values


@dataclass(frozen=True)
class _Held:
    """A block as the free parameters see it.

    Attributes:
        block: as it is.
        values: of all parameters, where they are held.
        free: see `solve_free`.
        place: per group that is free somewhere, the number (n,) of each row among the free, or -1.
    """

    block: Block
    values: Values
    free: Mapping[str, IntArray]
    place: Mapping[str, IntArray]

    @property
    def name(self) -> str:
        return self.block.name

    @property
    def rank(self) -> IntArray:
        return self.block.rank

    @property
    def robust(self) -> float | None:
        return self.block.robust

    def whole(self, values: Values) -> dict[str, Array]:
        """All parameters, with these values of the free ones."""
        out = dict(self.values)
        for group, own in values.items():
            out[group] = out[group].copy()
            out[group][self.free[group]] = own
        return out

    def residual(self, values: Values) -> Array:
        return self.block.residual(self.whole(values))

    def linearise(self, values: Values) -> Linear:
        linear = self.block.linearise(self.whole(values))
        parts = []
        for part in linear.parts:
            if part.group not in self.place:
                continue
            index = self.place[part.group][part.index]
            moves = index >= 0
            if moves.any():
                jacobian = part.jacobian * moves[:, None, None]
                parts.append(Part(part.group, np.where(moves, index, 0), jacobian))
        return Linear(linear.residual, tuple(parts))
