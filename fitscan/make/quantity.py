"""A number with its expanded uncertainty, in words and as a row of a file.

Where it comes from is left to the plans that use it.
"""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict

__all__ = ["FileRow", "Quantity", "QuantityRow", "quantity_rows"]


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
        return f"{self.value:.2f} {self.unit} (U {self.expanded:.2f})"

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
