"""`fitscan bar`, `opening`, `plate`, `as-built`: what they write, print and refuse."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from commands import Commands
from known_surveys import cuff, known_survey, on_axis

from fitscan.geometry.rigid import Rigid
from fitscan.markers.kit import Kit, PointerSpec
from fitscan.store.json_file import write_json
from fitscan.survey.survey_file import survey_document

BAR = [
    "bar", "--clr-mm", "114", "--od-mm", "38", "--point=-300,60,0", "--point=-150,15,0",
    "--point=0,0,0", "--point=150,15,0", "--point=300,60,0", "--within-mm", "30",
]  # fmt: skip
OPENING = [
    "opening", "--clearance-mm", "3", "--od-mm", "38", "--mark", "left:0,0,0", "--mark",
    "right:160,0,0", "--mark", "lip:150,95,0", "--through", "70,50,0", "--through", "90,50,60",
]  # fmt: skip
PLATE = [
    "plate", "--thickness-mm", "3", "--radius-mm", "3", "--k-factor", "0.4",
    *(w for c in ("0,0,0", "120,0,0", "120,80,0", "0,80,0") for w in ("--corner", f"1:{c}")),
    *(w for c in ("0,100,20", "120,100,20", "120,100,70") for w in ("--corner", f"2:{c}")),
    "--seen-from=60,-400,300",
]  # fmt: skip


@pytest.mark.parametrize(("words", "name"), [(BAR, "bar"), (OPENING, "opening"), (PLATE, "plate")])
def test_each_command_writes_its_set_and_says_the_cautions(
    words: list[str], name: str, tmp_path: Path, commands: Commands
) -> None:
    where, out = tmp_path / "job", tmp_path / "job" / "made"
    where.mkdir()
    done = commands.run(*words, "--out", "made", where=where)
    assert done.code == 0, done.err
    files = sorted(p.name for p in out.iterdir())
    assert files == sorted(f"{name}.{kind}" for kind in ("pdf", "dxf", "json", "png"))
    assert "Dry-fit before cutting" in " ".join(done.out.split())
    assert "does not approve" in " ".join(done.out.split())
    again = commands.run(*words, "--out", "made", where=where)
    assert again.code == 2
    assert "exists already" in again.sentence
    machine = commands.run(*words, "--out", "made", "--replace", "--json", "-q", where=where)
    assert json.loads(machine.out)["kind"] == f"fitscan.{name}"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([*BAR, "--seat", "recess"], "A bar has one target"),
        (["bar", "--clr-mm", "114", "--seat", "recess"], "give the survey's file"),
        ([*BAR, "--u-mm", "0"], "standard uncertainty"),
        ([*BAR[:-2], "--point", "1,2"], "write X,Y,Z"),
        (["bar", "--clr-mm", "114", "--point=0,0,0", "--point=9,0,0"], "no diameter"),
        ([*OPENING, "--mark", "lip:1,2,3"], "named twice"),
        ([*OPENING, "--tube", "hoop"], "two points of its axis"),
        (["plate", "--thickness-mm", "3"], "given by its faces"),
        ([*PLATE[:3], "--corner", "1:0,0,0"], "--seen-from"),
        ([*PLATE, "--rule", "book"], "--settings"),
        ([*PLATE, "--paper", "a3"], "a4 or letter"),
    ],
)
def test_what_cannot_be_used_is_one_sentence_and_code_2(
    words: list[str], said: str, tmp_path: Path, commands: Commands
) -> None:
    where = tmp_path / "job"
    where.mkdir()
    done = commands.run(*words, "--out", "made", where=where)
    assert done.code == 2
    assert said in done.sentence
    assert not list(where.iterdir())


# --- from a survey --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def car(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job folder with a survey: a stay between two runs, a bent bar, a dash and a floor."""
    where = tmp_path_factory.mktemp("car") / "job"
    where.mkdir()
    x, y, z = np.eye(3)
    bars = [
        ("stay", 1, np.zeros(3), z, (150.0, 450.0)),
        ("hoop", 1, np.zeros(3), x, (-180.0, 160.0)),
        ("sill", 1, 600.0 * z, y + 0.3 * z, (-180.0, 160.0)),
        ("door bar", 1, np.array([0.0, 900.0, 0.0]), x, (0.0, 220.0)),
        ("door bar", 2, np.array([500.0, 900.0, 0.0]), x + 0.5 * z, (140.0, 330.0)),
    ]
    cuffs, poses = [], {}
    for n, (tube, straight, point, direction, places) in enumerate(bars):
        for k, along in enumerate(places):
            own = cuff(200 + 40 * n + 20 * k, tube, straight)
            cuffs.append(own)
            poses[own.first_id] = on_axis(point, direction, along)
    pointers = []
    for n, place in enumerate([(-90, -60, 250), (80, -70, 250), (70, 60, 250), (-80, 80, 250)]):
        pointers.append(
            PointerSpec(id=n, side_mm=20.0, reach_mm=25.0, part="dash", name=f"dash {n + 1}")
        )
        poses[n] = Rigid(np.eye(3), np.add(place, (0.0, 25.0, 0.0)))
    survey = known_survey(Kit(cuff=tuple(cuffs), pointer=tuple(pointers)), poses, sigma_mm=0.05)
    write_json(where / "survey.json", survey_document(survey))
    return where


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("bar", "--clr-mm", "114", "--seat", "door bar"), "a bar with 1 bend"),
        (
            ("bar", "--clr-mm", "114", "--od-mm", "38", "--contour", "dash 1", "--contour",
             "dash 2", "--contour", "dash 3", "--within-mm", "300"),
            "of its target",
        ),
        (("opening", "--clearance-mm", "3", "--on", "dash", "--tube", "stay"), "from square"),
        (
            ("plate", "--thickness-mm", "3", "--face", "dash 1,dash 2,dash 3,3"),
            "a plate of 3 mm on 1 face",
        ),
    ],
)  # fmt: skip
def test_each_command_works_from_a_survey_with_u(
    words: tuple[str, ...], said: str, car: Path, tmp_path: Path, commands: Commands
) -> None:
    done = commands.run(*words, "--survey", "survey.json", "--out", str(tmp_path / "o"), where=car)
    assert done.code == 0, done.err
    told = " ".join(done.out.split())
    assert said in told
    assert "(U " in told


def test_the_round_trip_of_a_cope_is_proven_in(car: Path, commands: Commands) -> None:
    made = commands.run(
        "cope", "--survey", "survey.json", "--branch", "stay", "--run", "hoop", "--far-run",
        "sill", "--wall-mm", "2.5", "--out", "cope", where=car,
    )  # fmt: skip
    assert made.code == 0, made.err
    done = commands.run(
        "as-built", "cope/cope.json", "survey.json", "--out", "built.json", where=car
    )
    assert done.code == 0, done.err
    assert "All 6 judged numbers are within tolerance, proven" in " ".join(done.out.split())
    assert (car / "built.json").exists()
    assert (car / "built-plot.png").exists()
    refused = commands.run("as-built", "survey.json", "survey.json", where=car)
    assert refused.code == 2
    assert "no plan of a cope" in refused.sentence
