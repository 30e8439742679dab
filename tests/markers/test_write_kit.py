"""A kit written as text reads back as the same kit, whatever its names."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitscan.errors import InputError
from fitscan.markers.kit import (
    CuffSpec,
    DatumSpec,
    Kit,
    PointerSpec,
    PrinterSpec,
    RuleSpec,
    TagSpec,
    read_kit,
)
from fitscan.markers.write_kit import kit_text

CUFF: dict[str, Any] = {"od_mm": 48.3, "columns": 7, "rows": 2, "side_mm": 16.5}
CUFF |= {"row_pitch_mm": 21.5, "part": "cage", "tube": "main hoop"}


def a_kit(**changes: Any) -> Kit:
    values: dict[str, Any] = {
        "printer": PrinterSpec(across=0.997, along=0.9985),
        "tag": tuple(TagSpec(id=i, side_mm=40.0, part="shell", name="front") for i in range(4)),
        "pointer": (PointerSpec(id=60, side_mm=20, reach_mm=25, part="trim", name="lip"),),
        "cuff": (CuffSpec(first_id=100, straight=3, paper_mm=0.2, **CUFF),),
        "rule": (RuleSpec(ids=(0, 1), length_mm=801.0, u_mm=0.3),),
        "datum": DatumSpec(rear=0, front=1, right=2, left=3),
    }
    return Kit(**{**values, **changes})


def test_every_value_survives(tmp_path: Path) -> None:
    file = tmp_path / "kit.toml"
    file.write_text(kit_text(a_kit(), "Kit Wren"), encoding="utf-8")
    assert read_kit(file) == a_kit()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(st.characters(codec="utf-8"), min_size=1, max_size=80))
def test_any_name_survives(tmp_path: Path, name: str) -> None:
    kit = a_kit(tag=(TagSpec(id=0, side_mm=40.0, part=name),), rule=(), datum=None)
    file = tmp_path / "kit.toml"
    file.write_bytes(kit_text(kit, "Kit Wren").encode())
    assert read_kit(file) == kit


def test_hints_are_comments_and_change_nothing(tmp_path: Path) -> None:
    kit = a_kit(printer=None, rule=(), datum=None)
    text = kit_text(kit, "Kit", places={0: "on the sill", 100: "near one end"}, open_rules=[(2, 3)])
    for words in ("# [printer]", "# [[rule]]", "# [datum]", "on the sill", "near one end"):
        assert words in text
    assert "does not approve a design, a weld or a material" in text.replace("\n# ", " ")
    file = tmp_path / "kit.toml"
    file.write_text(text, encoding="utf-8")
    assert read_kit(file) == kit


def test_taking_away_the_signs_before_a_hint_makes_it_count(tmp_path: Path) -> None:
    text = kit_text(a_kit(printer=None, rule=(), datum=None), "Kit", open_rules=[(2, 3)])
    for key in ("[printer]", "across =", "along =", "[[rule]]", "ids =", "length_mm =", "u_mm ="):
        assert f"\n# {key}" in text
        text = text.replace(f"\n# {key}", f"\n{key}")
    file = tmp_path / "kit.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="line"):
        read_kit(file)  # the length itself is still to be written
    file.write_text(text.replace("length_mm =", "length_mm = 799.5"), encoding="utf-8")
    kit = read_kit(file)
    assert kit.rule == (RuleSpec(ids=(2, 3), length_mm=799.5, u_mm=0.3),)
    assert kit.printer == PrinterSpec()


def test_a_kit_without_any_rule_says_that_nothing_carries_the_scale() -> None:
    assert "nothing carries the scale" in kit_text(a_kit(rule=()), "Kit")
    assert "nothing carries the scale" not in kit_text(a_kit(), "Kit")
