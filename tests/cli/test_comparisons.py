"""Record, recheck and gap from files: what they find, warn of, and cannot compare."""

from __future__ import annotations

import json

import numpy as np
import pytest
from commands import Job, Result
from quick_shoots import SHIFT_MM

from fitscan.store.document import seal_of

NO_RULE = (
    "No rule was measured: all lengths rest on the printed size of the markers, which is only "
    "good to about 0.5 to 1 percent"
)
GAP = ("gap", "--on", "trim")


@pytest.fixture(scope="module")
def rechecked(job: Job, record: Result, refitted: Result) -> Result:
    said = job.run("recheck", "record.json", "refitted.json", "--out", "recheck.json")
    return Result(job.folder / "recheck.json", said)


@pytest.fixture(scope="module")
def gap(job: Job, shut: Result, opened: Result) -> Result:
    words = ("--bar", "shut.json:door bar", "--target", "open.json:seat", "--out", "gap.json")
    return Result(job.folder / "gap.json", job.run(*GAP, *words))


# ---------------------------------------------------------------- what is found


def test_a_recheck_finds_how_far_the_cage_sits_from_its_record(rechecked: Result) -> None:
    content = rechecked.content
    shift, u = np.array(content["shift_mm"]), np.array(content["shift_U_mm"])
    # Axes are the survey's own, so only the length can be told without its frame.
    assert np.linalg.norm(shift) == pytest.approx(np.linalg.norm(SHIFT_MM), abs=np.sum(u))
    assert np.sum(u) < 0.5
    assert {m["marker_id"] for m in content["markers"]} == {100, 112, 124}
    assert "out of tolerance" in rechecked.said.out


def test_a_turn_that_one_line_of_cuffs_does_not_show_is_said_not_to_be_measured(
    rechecked: Result,
) -> None:
    # The quick shoots' cage is one bar: nothing shows how far it turned about itself.
    content = rechecked.content
    turn, u = np.array(content["turn_deg"]), np.array(content["turn_U_deg"])
    # The cage was shifted and not turned, so 0 must lie within U about every axis.
    assert np.all(np.abs(turn) < u), (turn, u)
    assert 5.0 < u.max() < 12.0
    assert np.sum(u > 1.0) < 3
    assert any("could not be measured" in s for s in content["sentences"])


def test_a_gap_finds_how_far_the_bar_is_from_its_seat(gap: Result) -> None:
    stations = [s for straight in gap.content["straights"] for s in straight["stations"]]
    assert len(stations) >= 5
    for s in stations:
        assert s["out_mm"] == pytest.approx(3.0, abs=max(2 * s["out_U_mm"], 0.05))
        assert s["total_mm"] == pytest.approx(
            np.hypot(1.5, 3.0), abs=max(2 * s["total_U_mm"], 0.05)
        )


def test_a_result_comes_with_pictures_that_the_screen_names(gap: Result) -> None:
    folder = gap.file.parent
    names = ["gap-photo-1.jpg", "gap-photo-2.jpg", "gap-close-up.jpg", "gap-plot.png"]
    assert sorted(p.name for p in folder.glob("gap-*")) == sorted(names)
    for name in ["gap.json", *names]:
        assert f"written: {name}\n" in gap.said.out


def test_the_cautions_stand_under_every_result(gap: Result, rechecked: Result) -> None:
    for result in (gap, rechecked):
        assert "does not approve a design, a weld or a material" in result.content["caution"]
        screen = " ".join(result.said.out.split())
        assert "does not approve a design, a weld or a material" in screen


def test_warnings_of_a_survey_stay_with_what_is_made_from_it(rechecked: Result) -> None:
    warning = "Tag 2 is there twice and was left out: print another id"
    assert warning in rechecked.content["warnings"]
    assert f"Warning: {warning}" in " ".join(rechecked.said.out.split())


# ---------------------------------------------------------------- no rule


def test_without_a_rule_the_survey_warns_in_file_and_on_screen(job: Job, ruleless: Result) -> None:
    quality = ruleless.content["quality"]
    assert NO_RULE in quality["warnings"]
    assert quality["scale_source"] == "printed size"
    assert 0.001 < quality["scale_u"] < 0.02
    assert any("rule" in advice for advice in quality["advice"])
    assert f"Warning: {NO_RULE}" in " ".join(ruleless.said.out.split())


def test_without_a_rule_the_gap_warns_in_file_and_on_screen(
    job: Job, ruleless: Result, opened: Result
) -> None:
    words = ("--bar", "no rule.json:door bar", "--target", "open.json:seat", "--json")
    said = job.run(*GAP, *words)
    assert NO_RULE in json.loads(said.out)["warnings"]
    assert f"Warning: {NO_RULE}" in " ".join(said.err.split())


def test_without_a_rule_the_recheck_warns_in_file_and_on_screen(
    job: Job, ruleless: Result, refitted: Result
) -> None:
    words = ("--part", "cage", "--on", "shell", "--out", "no rule record.json")
    job.run("record", "no rule.json", *words)
    said = job.run("recheck", "no rule record.json", "refitted.json", "--json")
    assert NO_RULE in json.loads(said.out)["warnings"]
    assert f"Warning: {NO_RULE}" in " ".join(said.err.split())


def test_with_a_rule_nothing_warns_of_the_scale(gap: Result, shut: Result) -> None:
    assert gap.content["warnings"] == []
    assert NO_RULE not in shut.content["quality"]["warnings"]
    assert "Warning" not in gap.said.out


# ---------------------------------------------------------------- what cannot be compared


@pytest.mark.parametrize(
    ("bar", "target", "on", "sentence"),
    [
        (
            "shut.json:door ba", "open.json:seat", "trim",
            "There is no tube 'door ba' in the kit (survey shut): use: door bar, seat.",
        ),
        (
            "shut.json:door bar", "open.json:seats", "trim",
            "There is no tube 'seats' in the kit (survey open door): use: door bar, seat.",
        ),
        (
            "shut.json:door bar", "open.json:seat", "trims",
            "The kit has no part 'trims' (survey open door): use one of: shell, trim, floor, cage.",
        ),
        (
            "shut.json:door bar", "open.json:seat", "floor",
            "Only 2 markers of the part 'floor' are in both surveys (survey open door and survey "
            "shut): photograph at least three, better six, markers of the floor in both shoots.",
        ),
        (
            "shut.json:door bar", "open.json:seat", "cage",
            "No marker of the part 'cage' is in both surveys (survey open door and survey shut): "
            "photograph at least three, better six, markers of the cage in both shoots.",
        ),
        (
            "shut.json:door bar", "open.json:door bar", "trim",
            "No cuff of the tube 'door bar' was found in the photos (survey open door): add photos "
            "that show its cuffs.",
        ),
        (
            "shut.json", "open.json:seat", "trim",
            "'shut.json' is not SURVEY:TUBE (--bar): write it like 'shut.json:door bar'.",
        ),
        (
            "shut.json:door bar", "open.json:", "trim",
            "'open.json:' is not SURVEY:TUBE (--target): write it like 'shut.json:door bar'.",
        ),
        (
            "shut.json:door bar", ":seat", "trim",
            "':seat' is not SURVEY:TUBE (--target): write it like 'shut.json:door bar'.",
        ),
        (
            "nowhere.json:door bar", "open.json:seat", "trim",
            "There is no such file (nowhere.json): check the name.",
        ),
    ],
)  # fmt: skip
def test_a_gap_that_cannot_be_made_says_what_there_is(
    job: Job, shut: Result, opened: Result, bar: str, target: str, on: str, sentence: str
) -> None:
    words = ("gap", "--bar", bar, "--target", target, "--on", on, "--out", "new.json")
    assert job.refused(*words) == f"fitscan: {sentence}"


def test_a_folder_of_photos_that_is_not_there(job: Job, shut: Result, opened: Result) -> None:
    words = ("--bar", "shut.json:door bar", "--target", "open.json:seat", "--out", "new.json")
    assert job.refused(*GAP, *words, "--photos", "nowhere") == (
        "fitscan: There is no such folder (nowhere): check the name."
    )


def test_a_picture_that_cannot_be_drawn_is_told(job: Job, shut: Result, opened: Result) -> None:
    words = ("--bar", "shut.json:door bar", "--target", "open.json:seat", "--photos", "bare wall")
    finished = job.run(*GAP, *words, "--out", "plot only.json")
    assert "P100.jpg could not be drawn on: There is no such file.\n" in finished.out
    assert "written: plot only-plot.png\n" in finished.out


@pytest.mark.parametrize("value", ["-1", "inf", "nan", "two"])
def test_a_tolerance_that_is_none_is_refused(
    job: Job, shut: Result, opened: Result, value: str
) -> None:
    words = ("--bar", "shut.json:door bar", "--target", "open.json:seat", "--out", "new.json")
    sentence = job.refused(*GAP, *words, "--tolerance-mm", value)
    assert sentence.startswith("fitscan: '--tolerance-mm' must be ")


@pytest.mark.parametrize(
    ("part", "on", "sentence"),
    [
        (
            "cag", "shell",
            "The kit has no part 'cag' (--part): use one of: shell, trim, floor, cage.",
        ),
        ("cage", "car", "The kit has no part 'car' (--on): use one of: shell, trim, floor, cage."),
        (
            "cage", "cage",
            "The part 'cage' cannot be recorded on itself (--on): name the part that stays.",
        ),
        (
            "cage", "floor",
            "Only 2 markers of the part 'floor' are in the survey (survey shut): add photos until "
            "at least three, better six, markers of the floor are measured.",
        ),
    ],
)  # fmt: skip
def test_a_record_that_could_not_be_rechecked_is_not_made(
    job: Job, shut: Result, part: str, on: str, sentence: str
) -> None:
    words = ("record", "shut.json", "--part", part, "--on", on, "--out", "new.json")
    assert job.refused(*words) == f"fitscan: {sentence}"


def test_a_recheck_of_photos_that_do_not_show_the_part(
    job: Job, record: Result, opened: Result
) -> None:
    assert job.refused("recheck", "record.json", "open.json", "--out", "new.json") == (
        "fitscan: No marker of the part 'cage' is in both surveys (survey shut and survey open "
        "door): photograph at least three markers of the cage that are also in the record."
    )


@pytest.mark.parametrize("seal", ["\ud800", "00", "", None, 7])
def test_a_record_whose_seal_was_changed_proves_nothing(
    job: Job, record: Result, refitted: Result, seal: object
) -> None:
    changed = job.folder.parent / "unsealed.json"
    changed.write_text(json.dumps({**record.content, "content_sha256": seal}), encoding="utf-8")
    refusal = job.refused("recheck", changed, "refitted.json", "--out", "new.json")
    assert "unsealed.json" in refusal
    assert "take it from a copy" in refusal


def test_a_recheck_on_too_few_markers_that_stayed(
    job: Job, record: Result, refitted: Result
) -> None:
    content = record.content
    kept = [m for m in content["survey"]["kit"]["tag"] if m["part"] != "shell" or m["id"] < 2]
    moved = [{**m, "part": "bonnet"} for m in content["survey"]["kit"]["tag"] if m not in kept]
    content["survey"]["kit"]["tag"] = kept + moved
    content["content_sha256"] = seal_of(content)
    changed = job.folder.parent / "few.json"
    changed.write_text(json.dumps(content), encoding="utf-8")
    assert "Only 2 markers of the part 'shell' are in both surveys" in job.refused(
        "recheck", changed, "refitted.json", "--out", "new.json"
    )
