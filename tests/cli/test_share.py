"""Handing results on: report, scene, export and schema as a user runs them."""

from __future__ import annotations

import json

import pytest
from commands import Job, Result


@pytest.fixture(scope="module")
def gap(job: Job, shut: Result, opened: Result) -> Result:
    words = ("--bar", "shut.json:door bar", "--target", "open.json:seat", "--on", "trim")
    return Result(job.folder / "told gap.json", job.run("gap", *words, "--out", "told gap.json"))


def test_a_report_is_one_page_and_one_pdf_and_says_where_they_are(job: Job, gap: Result) -> None:
    said = job.run("report", "told gap.json", "open.json", "shut.json", "--out", "report")
    assert "Gap, door bar against seat: " in said.out
    page = (job.folder / "report.html").read_text(encoding="utf-8")
    assert page.count("data:image/") >= 3
    assert "told gap.json" in page
    assert str(job.folder) not in page
    assert (job.folder / "report.pdf").read_bytes().startswith(b"%PDF")
    again = job.refused("report", "told gap.json", "open.json", "--out", "report")
    assert "exists already" in again


def test_a_report_for_machines_tells_the_verdict(job: Job, gap: Result) -> None:
    said = job.run("report", "told gap.json", "open.json", "--out", "machine", "--json")
    content = json.loads(said.out)
    assert content["kind"] == "fitscan.report"
    assert content["overall"]["told gap.json"] in (
        "in tolerance", "out of tolerance", "cannot be decided",
    )  # fmt: skip


def test_a_scene_and_an_export_are_written(job: Job, gap: Result) -> None:
    job.run("scene", "open.json", "told gap.json", "--out", "scene.html")
    assert "Plotly" in (job.folder / "scene.html").read_text(encoding="utf-8")
    job.run("export", "open.json", "told gap.json", "--out", "for cad", "--as", "dxf")
    assert sorted(p.name for p in (job.folder / "for cad").iterdir()) == [
        "export.json", "survey.dxf",
    ]  # fmt: skip


def test_schemas_are_listed_and_printed(job: Job) -> None:
    listed = job.run("schema").out.split()
    assert "fitscan.survey" in listed
    printed = json.loads(job.run("schema", "gap").out)
    assert printed["properties"]["kind"] == {"const": "fitscan.gap"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("report", "told gap.json", "--out", "x"), "Without a survey"),
        (("report", "kit.toml", "--out", "x"), "no file that a report can show"),
        (("report", "open.json", "--out", "x", "--paper", "b5"), "no paper 'b5'"),
        (("scene", "open.json", "shut.json", "--out", "x.html"), "2 surveys are named"),
        (("scene", "open.json", "--out", "x.png"), "ends in .html"),
        (("scene", "open.json", "--out", "nowhere/x.html"), "The folder does not exist"),
        (("export", "open.json", "--out", "x", "--as", "step"), "no format 'step'"),
        (("schema", "step"), "no kind of file 'step'"),
    ],
)
def test_what_cannot_be_handed_on_is_refused_in_a_sentence(
    job: Job, gap: Result, words: tuple[str, ...], said: str
) -> None:
    assert said in job.refused(*words)
