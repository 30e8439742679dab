"""The demo's numbers as they were when somebody last looked at them, and what has moved since.

`python tests/demo_numbers.py` works the sample photos out anew (minutes) and writes the file, after
it has said what moved; the reader of the change then sees every number in the diff. Whether the
numbers are true is checked in `test_demo.py`, against the photos' truth.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from fitscan.demo import run_demo
from fitscan.fit.gap import Gap
from fitscan.fit.recheck import Recheck
from fitscan.fit.result_file import gap_document, recheck_document

__all__ = ["FILE", "Number", "demo_numbers", "moves", "stored_numbers"]

ROOT = Path(__file__).resolve().parents[1]
FILE = ROOT / "tests" / "demo_numbers.json"

SHARE = 0.5
"""Share of its U by which a number may move unnoticed: well within what it is good to."""

U_SHARE = 0.25
"""Share by which a U itself may change unnoticed."""


@dataclass(frozen=True)
class Number:
    """One number of a result.

    Attributes:
        value, U: in `unit`; U with k = 2.
    """

    value: float
    U: float
    unit: str


def demo_numbers(gap: Gap, recheck: Recheck) -> dict[str, Number]:
    """Every number of both results by its name."""
    out: dict[str, Number] = {}
    document = gap_document(gap)
    for straight in document.straights:
        name = f"gap, straight {straight.straight}"
        out[f"{name}, angle"] = Number(straight.angle_deg, straight.angle_U_deg, "deg")
        for i, s in enumerate(straight.stations, 1):
            at = f"{name}, station {i}"
            out[f"{at}, across"] = Number(s.across_mm, s.across_U_mm, "mm")
            out[f"{at}, out"] = Number(s.out_mm, s.out_U_mm, "mm")
            out[f"{at}, total"] = Number(s.total_mm, s.total_U_mm, "mm")
    now = recheck_document(recheck)
    for axis, shift, u in zip("XYZ", now.shift_mm, now.shift_U_mm, strict=True):
        out[f"recheck, shift {axis}"] = Number(shift, u, "mm")
    for axis, turn, u in zip("XYZ", now.turn_deg, now.turn_U_deg, strict=True):
        out[f"recheck, turn {axis}"] = Number(turn, u, "deg")
    for marker in now.markers:
        rows = zip("XYZ", marker.left_mm, marker.left_U_mm, strict=True)
        for axis, left, u in rows:
            out[f"recheck, marker {marker.marker_id}, left {axis}"] = Number(left, u, "mm")
    return out


def stored_numbers() -> dict[str, Number]:
    """The numbers in the file."""
    content = json.loads(FILE.read_text(encoding="utf-8"))
    return {name: Number(**row) for name, row in content.items()}


def moves(before: Mapping[str, Number], now: Mapping[str, Number]) -> list[str]:
    """A sentence for each number that has moved, has come, or has gone."""
    said = [f"{name} is gone." for name in before if name not in now]
    for name, new in now.items():
        old = before.get(name)
        if old is None:
            said.append(f"{name} is new: {new.value:.4f} {new.unit}.")
        elif abs(new.value - old.value) > SHARE * old.U:
            said.append(
                f"{name} moved by {new.value - old.value:+.4f} {old.unit}, from {old.value:.4f} to "
                f"{new.value:.4f}: more than half of its U of {old.U:.4f}."
            )
        elif abs(new.U - old.U) > U_SHARE * old.U:
            said.append(
                f"The U of {name} changed from {old.U:.4f} to {new.U:.4f} {old.unit}: more than a "
                "quarter."
            )
    return said


def _renew() -> None:
    with tempfile.TemporaryDirectory() as folder:
        result = run_demo(Path(folder) / "demo", ROOT)
    numbers = demo_numbers(result.gap, result.recheck)
    for sentence in moves(stored_numbers(), numbers) if FILE.exists() else []:
        print(sentence)
    rows = [f"  {json.dumps(name)}: {json.dumps(_rounded(n))}" for name, n in numbers.items()]
    FILE.write_text("{\n" + ",\n".join(rows) + "\n}\n", encoding="utf-8")
    print(f"{len(rows)} numbers: {FILE.name}")


def _rounded(number: Number) -> dict[str, object]:
    return {k: round(v, 5) if isinstance(v, float) else v for k, v in asdict(number).items()}


if __name__ == "__main__":
    _renew()
