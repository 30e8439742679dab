"""`fitscan bench` as a person uses it: the screen, the file, the plot, and what is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest
from bare_cages import SHELL, bare_survey, cage_moved
from commands import Commands, Job
from PIL import Image

from fitscan.survey.survey_file import write_survey

PULL = {100: np.array([0.0, -0.85, 0.0]), 140: np.array([0.0, 0.85, 0.0])}


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory, commands: Commands) -> Job:
    folder = tmp_path_factory.mktemp("bench") / "shed"
    folder.mkdir()
    poses = cage_moved(np.zeros(3), np.zeros(3), bends=PULL)
    on_bench = {m: p for m, p in poses.items() if m not in SHELL}
    write_survey(folder / "tacked.json", bare_survey())
    write_survey(folder / "welded.json", bare_survey(on_bench, seed=3))
    job = Job(folder, commands)
    job.run("record", "tacked.json", "--part", "cage", "--on", "shell", "--out", "record.json")
    return job


def test_what_the_welds_pulled_is_told_kept_and_drawn(shed: Job) -> None:
    said = shed.run("bench", "record.json", "welded.json", "--out", "pull.json")
    text = " ".join(said.out.split())
    assert "have drawn together by 1.7" in text
    assert "at the feet" in text
    assert "Check by hand before cutting" in text
    content = json.loads((shed.folder / "pull.json").read_text(encoding="utf-8"))
    assert content["kind"] == "fitscan.bench"
    assert content["pairs"][0]["change_mm"] == pytest.approx(-1.7, abs=0.05)
    assert {m["marker_id"] for m in content["markers"] if m["pulled"]} == set(PULL)
    with Image.open(shed.folder / "pull-plot.png") as plot:
        assert plot.width > 1000


def test_a_survey_will_do_for_a_record_when_the_part_is_named(shed: Job) -> None:
    words = ("bench", "tacked.json", "welded.json", "--part", "cage", "--json", "--quiet")
    content = json.loads(shed.run(*words, "--rewrapped", "leg left").out)
    assert sum(m["line_only"] for m in content["markers"]) == 3
    assert content["caution"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("tacked.json", "welded.json"), "tacked.json"),
        (("record.json", "nowhere.json"), "nowhere.json"),
        (("record.json", "welded.json", "--rewrapped", "roof bar"), "'roof bar' names no cuff"),
        (("tacked.json", "welded.json", "--part", "dash"), "no part 'dash'"),
    ],
)
def test_what_cannot_be_held_against_itself_is_refused(
    shed: Job, words: tuple[str, ...], sentence: str
) -> None:
    assert sentence in shed.refused("bench", *words)


def test_a_recheck_takes_cuffs_that_were_wrapped_anew(shed: Job) -> None:
    slid = bare_survey(cage_moved(np.array([2.0, 0.0, 0.0]), np.zeros(3), slides={152: 30.0}))
    write_survey(shed.folder / "back.json", slid)
    plain = shed.run("recheck", "record.json", "back.json")
    assert "--rewrapped 152" in " ".join(plain.out.split())
    said = shed.run("recheck", "record.json", "back.json", "--rewrapped", "152", "--json", "-q")
    content = json.loads(said.out)
    assert [m["marker_id"] for m in content["markers"] if m["line_only"]] == [152]
    assert content["moves"][0]["words"].startswith("move it 2.0")
    assert "names no cuff" in shed.refused("recheck", "record.json", "back.json",
                                           "--rewrapped", "999")  # fmt: skip


def test_the_report_takes_a_bench_check(shed: Job) -> None:
    from fitscan.fit.bench_file import BenchFile
    from fitscan.report.kinds.result import result_of_kind
    from fitscan.store.json_file import read_json

    shed.run("bench", "record.json", "welded.json", "--out", "kept.json", "--quiet")
    kind = result_of_kind("fitscan.bench")
    assert kind is not None
    section = kind.section(read_json(shed.folder / "kept.json", BenchFile))
    assert section.word == "Bench check"
    assert section.headline.startswith("pulled by")
