"""A kit that cannot be used is refused before any photo is read: file, line and key named."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from commands import Commands, Job


def refused(commands: Commands, job: Job, place: Path) -> str:
    words = ("survey", job.folder / "shut", "--kit", "bad kit.toml", "--out", "new.json")
    return commands.refused(*words, where=place)


def first(old: str, new: str) -> Callable[[str], str]:
    """Replace the first `old`, which must be there."""

    def change(text: str) -> str:
        assert old in text
        return text.replace(old, new, 1)

    return change


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (first("id = 3\n", "id = \n"), "id = ", ["This is not TOML", "correct it"]),
        (first('part = "shell"', "part = shell"), "part = shell", ["not TOML", "text in quotes"]),
        (first("[[tag]]", "[[tag]"), "[[tag]", ["This is not TOML"]),
        (first("id = 3\n", "id = 3\nid = 3\n"), "id = 3", ["not TOML", "stands twice"]),
        (first("id = 3\n", "idd = 3\n"), "idd = 3", ['"idd" is not known', 'write "id"']),
        (first("[[tag]]", "[[tags]]"), "[[tags]]", ['"tags" is not known', 'write "tag"']),
        (first("u_mm", "plus_minus"), "plus_minus", ['"plus_minus" is not known here', "[[rule]]"]),
        (first("side_mm = 40.0", "side_mm = -4"), "side_mm = -4", ["greater than 0, but is -4"]),
        (first("side_mm = 40.0", "side_mm = inf"), "side_mm = inf", ["not a finite number"]),
        (
            first("side_mm = 40.0", 'side_mm = "40"'),
            'side_mm = "40"',
            ['"side_mm" must be a number, but is "40"', "[[tag]] number 1 with id = 0"],
        ),
        (first("id = 3\n", "id = 3.5\n"), "id = 3.5", ['"id" must be a whole number']),
        (first("id = 3\n", "id = 999\n"), "id = 999", ["less than 587, but is 999"]),
        (
            first("id = 3\n", "id = 2\n"),
            "id = 2",
            ["id 2 is given to more than one marker: [[tag]] number 3 and [[tag]] number 4"],
        ),
        (
            first("id = 3\n", "id = 103\n"),
            "first_id = 100",
            ["id 103 is given to more than one marker", "[[cuff]] number 1 (100 to 111)"],
        ),
        (
            first("ids = [90, 91]", "ids = [90, 92]"),
            "ids = [90, 92]",
            ["rule [90, 92]: id 92 has no [[tag]] entry"],
        ),
        (
            first("columns = 6", "columns = 12"),
            "[[cuff]]",
            ["12 tags of 18 mm do not fit round a tube of 45 mm", "first_id = 100"],
        ),
    ],
)
def test_a_fault_in_a_kit_is_named_with_its_line(
    commands: Commands, job: Job, tmp_path: Path, change: Callable[[str], str], line: str,
    words: list[str],
) -> None:  # fmt: skip
    text = change((job.folder / "kit.toml").read_text(encoding="utf-8"))
    (tmp_path / "bad kit.toml").write_text(text, encoding="utf-8")
    sentence = refused(commands, job, tmp_path)
    named = re.search(r"\(bad kit\.toml, line (\d+)", sentence)
    assert named is not None, sentence
    assert text.split("\n")[int(named[1]) - 1].startswith(line)
    for said in words:
        assert said in sentence


def test_a_missing_kit(commands: Commands, job: Job, tmp_path: Path) -> None:
    sentence = "fitscan: There is no such file (bad kit.toml): check the name."
    assert refused(commands, job, tmp_path) == sentence


def test_a_photo_instead_of_a_kit(commands: Commands, job: Job, tmp_path: Path) -> None:
    (tmp_path / "bad kit.toml").write_bytes((job.folder / "shut" / "P100.jpg").read_bytes())
    assert "not a text file in UTF-8 (bad kit.toml)" in refused(commands, job, tmp_path)


def test_an_empty_kit(commands: Commands, job: Job, tmp_path: Path) -> None:
    (tmp_path / "bad kit.toml").write_text("# nothing yet\n", encoding="utf-8")
    assert refused(commands, job, tmp_path) == (
        "fitscan: The kit lists no tag, pointer or cuff (bad kit.toml): name the kit file that "
        "belongs to your sheets."
    )


def test_a_kit_of_other_sheets(commands: Commands, job: Job, tmp_path: Path) -> None:
    text = '[[tag]]\nid = 500\nside_mm = 40.0\npart = "shell"\n'
    (tmp_path / "kit.toml").write_text(text, encoding="utf-8")
    (tmp_path / "shoot").mkdir()
    shutil.copy(job.folder / "shut" / "P100.jpg", tmp_path / "shoot")
    words = ("survey", "shoot", "--kit", "kit.toml", "--workers", "1", "--out", "new.json")
    sentence = commands.refused(*words, where=tmp_path)
    assert "No tag of the kit was found in any photo (shoot): check that the kit" in sentence
