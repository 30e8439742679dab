"""`fitscan bends` from the outside: points or rows in, a table and JSON out."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from fitscan.cli import main
from fitscan.make.bends_file import BendsFile
from fitscan.store.json_file import read_json


def fitscan(monkeypatch: pytest.MonkeyPatch, *words: object) -> int:
    monkeypatch.setattr(sys, "argv", ["fitscan", *map(str, words)])
    with pytest.raises(SystemExit) as stopped:
        main()
    return int(stopped.value.code or 0)


POINTS = ("0,0,0", "0,0,700", "0,900,700", "-100,900,0")


def test_points_become_rows_and_the_rows_become_the_same_tube(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "hoop.json"
    points = [w for p in POINTS for w in ("--point", p)]
    assert fitscan(monkeypatch, "bends", "--clr-mm", 135, *points, "--out", out) == 0
    shown = capsys.readouterr().out
    for said in ("565.00", "630.00", "+8.13", "212.06", "trial piece", "does not approve"):
        assert said in shown
    assert max(len(line) for line in shown.splitlines() if "written" not in line) <= 80
    first = read_json(out, BendsFile)
    # Published worked value of tube bending: CLR 135 at 90 deg has an arc of 212.058, setback 135.
    assert first.bends[0].arc_mm == pytest.approx(212.058, abs=6e-4)
    assert first.bends[0].setback_mm == pytest.approx(135.0, abs=5e-4)
    wanted = [[float(v) for v in p.split(",")] for p in POINTS]
    np.testing.assert_allclose(first.points_mm, wanted, atol=1e-9)

    rows = [w for b in first.bends
            for w in ("--bend", f"{b.feed_mm!r}:{b.turn_deg!r}:{b.bend_deg!r}")]  # fmt: skip
    typed = ("bends", "--clr-mm", 135, *rows, "--last-mm", repr(first.last_mm), "--json", "-q")
    assert fitscan(monkeypatch, *typed) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["developed_mm"] == pytest.approx(first.developed_mm, abs=1e-9)
    # The same tube in another place: distances between its points stay.
    here, there = (np.array(p, dtype=float) for p in (first.points_mm, again["points_mm"]))
    apart = [np.linalg.norm(p[:, None] - p[None], axis=2) for p in (here, there)]
    np.testing.assert_allclose(apart[1], apart[0], atol=1e-9)


def test_the_users_allowance_for_spring_back_is_added(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed = ("--bend", "200:0:60", "--last-mm", 200, "--springback-percent", 2)
    assert fitscan(
        monkeypatch, "bends", "--clr-mm", 114, *typed, "--springback-deg", 1.5, "--json", "-q"
    ) == 0  # fmt: skip
    (row,) = json.loads(capsys.readouterr().out)["bends"]
    assert (row["bend_deg"], row["set_deg"]) == pytest.approx((60.0, 62.7))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "by its points or by its bends"),
        (("--point", "0,0,0", "--bend", "1:0:90"), "by its points or by its bends"),
        (("--bend", "100:0:90"), "belongs to --bend"),
        (("--point", "0,0"), "X,Y,Z"),
        (("--bend", "100:0", "--last-mm", 5), "FEED:TURN:ANGLE"),
        (("--bend", "100:0:90", "--bend", "30:0:90", "--last-mm", 50), "make it 50.0 mm longer"),
        (("--bend", "100:0:178", "--last-mm", 50), "up to 175 deg is possible"),
    ],
)
def test_what_cannot_be_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    words: tuple[object, ...], said: str,
) -> None:  # fmt: skip
    assert fitscan(monkeypatch, "bends", "--clr-mm", 100, "--between-mm", 80, *words) == 2
    sentence = capsys.readouterr().err
    assert said in sentence
    assert sentence.count("\n") == 1
