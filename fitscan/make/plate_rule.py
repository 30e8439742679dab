"""What a rule book asks of a foot plate, as its reader writes it into a settings file.

Holding a plate against it is left to `plate_plan`. fitscan brings no rule of its own: books change
every year, and only the person who reads the current one knows what it says.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from fitscan.errors import InputError
from fitscan.store.toml_file import read_toml

__all__ = ["PlateRule", "asked_rule", "read_plate_rule"]

Positive = Annotated[float, Field(gt=0, lt=1e5, allow_inf_nan=False)]


class PlateRule(BaseModel):
    """One rule: the least area and the least thickness of a foot plate."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(min_length=1, max_length=80)]
    area_cm2: Positive
    thickness_mm: Positive
    note: Annotated[str, Field(max_length=200)] = ""


class _Settings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    plate_rule: tuple[PlateRule, ...] = ()


def read_plate_rule(file: Path, name: str | None) -> PlateRule:
    """The rule that a person names, from a settings file.

    Args:
        file: TOML with [[plate_rule]] tables.
        name: of the rule; None when there is one only.

    Raises:
        InputError: the file cannot be read, or has no such rule.
    """
    rules = read_toml(file, _Settings).plate_rule
    found = [r for r in rules if name in (None, r.name)]
    if len(found) != 1:
        known = ", ".join(repr(r.name) for r in rules) or "none"
        what = "Several rules are in the settings" if found else f"There is no rule {name!r}"
        if not rules:
            what = "The settings have no [[plate_rule]]"
        raise InputError(what, file, f"name one with --rule; it has: {known}")
    return found[0]


def asked_rule(file: Path | None, name: str | None) -> PlateRule | None:
    """The rule that a person asks for; None when no settings are given.

    Raises:
        InputError: a rule is named without settings, or as `read_plate_rule`.
    """
    if file is None:
        if name is not None:
            raise InputError(
                f"The rule {name!r} is not known", "--settings", "give the file that has it"
            )
        return None
    return read_plate_rule(file, name)
