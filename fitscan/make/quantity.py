"""A number with its expanded uncertainty, in words and as a row of a file.

Where it comes from is left to the plans that use it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict

__all__ = ["FileRow", "Quantity", "QuantityRow", "quantity_rows", "told"]


def told(value: float, expanded: float, unit: str) -> str:
    """A number with U in words: hundredths, or as many more as U needs for two figures."""
    digits = 2
    if 0.0 < expanded < 0.1:
        digits = min(1 - math.floor(math.log10(expanded)), 4)
    return f"{value:.{digits}f} {unit} (U {expanded:.{digits}f})"


@dataclass(frozen=True)
class Quantity:
    """Something measured, with its expanded uncertainty (k = 2).

    Attributes:
        name: what it is.
        value, expanded: in the unit.
        unit: "mm", "deg" or "cm2".
    """

    name: str
    value: float
    expanded: float
    unit: str

    @property
    def number(self) -> str:
        """The number with U, without its name."""
        return told(self.value, self.expanded, self.unit)

    def __str__(self) -> str:
        return f"{self.name} {self.number}"


class FileRow(BaseModel):
    """A part of a file: unknown keys and numbers that are none are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class QuantityRow(FileRow):
    """Something measured, with U (k = 2)."""

    name: str
    value: float
    expanded: float
    unit: str


def quantity_rows(quantities: tuple[Quantity, ...]) -> tuple[QuantityRow, ...]:
    """Quantities as rows of a file."""
    return tuple(
        QuantityRow(name=q.name, value=q.value, expanded=q.expanded, unit=q.unit)
        for q in quantities
    )
