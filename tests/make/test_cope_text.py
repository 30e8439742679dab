"""`fitscan cope` from the outside: numbers or a survey in, sentences and files out."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest
from known_surveys import cuff, known_survey, on_axis

from fitscan.cli import main
from fitscan.errors import InputError
from fitscan.make.cope_text import runs_from_text
from fitscan.markers.kit import Kit
from fitscan.store.json_file import write_json
from fitscan.survey.survey_file import survey_document


def fitscan(monkeypatch: pytest.MonkeyPatch, *words: object) -> int:
    monkeypatch.setattr(sys, "argv", ["fitscan", *map(str, words)])
    with pytest.raises(SystemExit) as stopped:
        main()
    return int(stopped.value.code or 0)


def test_typed_numbers_give_the_published_saddle_and_all_files(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    typed = ("--od-mm", 38, "--wall-mm", 2.5, "--run", "45:90", "--fit", "ground", "--name", "stay")
    assert fitscan(monkeypatch, "cope", *typed, "--out", tmp_path / "new", "--json") == 0
    shown = capsys.readouterr()
    content = json.loads(shown.out)
    # A. Gray, "Modern Differential Geometry of Curves and Surfaces", 1997, "Steinmetz curve".
    assert content["ends"][0]["saddle_mm"] == pytest.approx(10.448, abs=5e-4)
    assert "Dry-fit before cutting" in " ".join(shown.err.split())
    written = {p.name for p in (tmp_path / "new").iterdir()}
    assert written == {"cope.pdf", "cope.dxf", "cope.json", "cope.png"}
    assert json.loads((tmp_path / "new/cope.json").read_text()) == content


def test_a_survey_gives_angle_offset_and_length_with_u(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    lean = math.radians(65.0)
    up = np.array([0.0, 0.0, 1.0])
    hoop = np.array([-math.sin(lean), 0.0, math.cos(lean)])
    poses = {
        100: on_axis(np.zeros(3), up, 150.0),
        120: on_axis(np.zeros(3), up, 400.0),
        140: on_axis(np.array([0.0, 1.5, 0.0]), hoop, -120.0),
        160: on_axis(np.array([0.0, 1.5, 0.0]), hoop, 160.0),
        180: on_axis(np.array([0.0, 0.0, 700.0]), np.array([1.0, 0.0, 0.0]), -120.0),
        200: on_axis(np.array([0.0, 0.0, 700.0]), np.array([1.0, 0.0, 0.0]), 120.0),
    }
    tubes = ("stay", "stay", "hoop", "hoop", "sill", "sill")
    plan = [cuff(first, tube) for first, tube in zip(poses, tubes, strict=True)]
    file = tmp_path / "tacked.json"
    write_json(file, survey_document(known_survey(Kit(cuff=tuple(plan)), poses)))
    asked = ("--survey", file, "--branch", "stay", "--run", "hoop", "--far-run", "sill")
    code = fitscan(
        monkeypatch, "cope", *asked, "--wall-mm", 2, "--out", tmp_path / "new", "--json", "-q"
    )
    assert code == 0
    content = json.loads(capsys.readouterr().out)
    near, far = (end["runs"][0] for end in content["ends"])
    assert near["angle_deg"] == pytest.approx(65.0, abs=1e-6)
    assert near["offset_mm"] == pytest.approx(1.5, abs=1e-6)
    assert far["angle_deg"] == pytest.approx(90.0, abs=1e-6)
    assert content["length_mm"] == pytest.approx(700.0, abs=1e-6)
    assert {m["name"] for m in content["measured"]} >= {"near end: hoop angle", "length"}
    assert all(m["expanded"] > 0.0 for m in content["measured"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--run", "45:90"), "has no diameter"),
        (("--run", "45", "--od-mm", 38), "OD:ANGLE"),
        (("--run", "hoop", "--od-mm", 38), "OD:ANGLE"),
        (("--run", "45:90", "--od-mm", 38, "--far-run", "45:90"), "belong together"),
        (("--run", "45:90", "--od-mm", 38, "--fit", "tight"), "square or ground"),
        (("--run", "45:90", "--od-mm", 38, "--paper", "a3"), "a4 or letter"),
        (("--run", "38:90", "--od-mm", 45), "larger than the run"),
        (("--run", "hoop", "--survey", "x.json"), "not named"),
        (("--run", "hoop", "--survey", "x.json", "--od-mm", 38), "says --od-mm itself"),
    ],
)
def test_what_cannot_be_is_one_sentence_and_writes_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path,
    words: tuple[object, ...], said: str,
) -> None:  # fmt: skip
    out = tmp_path / "new"
    assert fitscan(monkeypatch, "cope", "--wall-mm", 2.5, "--out", out, *words) == 2
    sentence = capsys.readouterr().err
    assert said in sentence
    assert sentence.count("\n") == 1
    assert not out.exists()


def test_a_short_form_may_leave_out_its_end() -> None:
    first, second = runs_from_text(["45:60", "40:55:1:100:12"], "--run")
    assert (first.offset_mm, first.turn_rad, first.along_mm) == (0.0, 0.0, 0.0)
    assert (second.od_mm, second.offset_mm, second.along_mm) == (40.0, 1.0, 12.0)
    assert math.degrees(second.turn_rad) == pytest.approx(100.0)
    with pytest.raises(InputError, match="OD:ANGLE"):
        runs_from_text(["45:60:0:0:0:0"], "--run")
