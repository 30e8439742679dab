"""What a kind of result must say of itself, and the list of kinds.

Reading a file and laying out what it says is left to `fitscan.report.book` and its renderers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from fitscan.report.section import Section
from fitscan.report.shapes import Shapes
from fitscan.store.json_file import JsonDocument
from fitscan.survey.survey import Survey

__all__ = ["MODULES", "Result", "result_of_kind"]

MODULES = {
    "fitscan.angles": "angles",
    "fitscan.as_built": "as_built",
    "fitscan.bar": "bar",
    "fitscan.bench": "bench",
    "fitscan.bends": "bends",
    "fitscan.cope": "cope",
    "fitscan.gap": "gap",
    "fitscan.opening": "opening",
    "fitscan.plate": "plate",
    "fitscan.recheck": "recheck",
    "fitscan.standoff": "standoff",
    "fitscan.sweep": "sweep",
    "fitscan.tubes": "tubes",
    "fitscan.verify": "verify",
}
"""Module in this package by the kind that a file names; imported when a file of it is read."""


def _nothing(document: Any, survey: Survey) -> Shapes | None:
    return None


@dataclass(frozen=True)
class Result:
    """One kind of result.

    Attributes:
        model: of its file.
        section: what a file tells.
        shapes: what of it can be drawn in a survey's own frame; None when the result does not
            belong to that survey, or has no places.
    """

    model: type[JsonDocument]
    section: Callable[[Any], Section]
    shapes: Callable[[Any, Survey], Shapes | None] = _nothing


def result_of_kind(kind: str | None) -> Result | None:
    """The kind of result by the name in its file; None for anything else."""
    module = MODULES.get(kind or "")
    if module is None:
        return None
    found = import_module(f"fitscan.report.kinds.{module}").RESULT
    if not isinstance(found, Result):
        raise TypeError(f"{module}.RESULT is no Result")
    return found
