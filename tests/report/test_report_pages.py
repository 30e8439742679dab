"""Reports as people see them: in a real browser with the network off, and as pages of a PDF."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from browser import DESK, PHONE, chromium, opened
from cabins import Cabin
from PIL import Image
from playwright.sync_api import Browser

from fitscan.errors import InputError
from fitscan.fit.record_file import keep_record
from fitscan.fit.result_file import CAUTION, gap_document, recheck_document
from fitscan.markers.kit import Kit
from fitscan.report.hand_check import lengths_to_check
from fitscan.report.publish import Report, write_report
from fitscan.report.words import amount
from fitscan.store.json_file import write_json
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import write_survey

NASTY = '<img src=x onerror="document.title=1"> & "bar" <b>'


@dataclass(frozen=True)
class Job:
    folder: Path
    report: Report


def named(survey: Survey, tube: str) -> Survey:
    """The survey with its door bar under another name."""
    plan = survey.kit.model_dump()
    for cuff in plan["cuff"]:
        if cuff["tube"] == "door bar":
            cuff["tube"] = tube
    return replace(survey, kit=Kit.model_validate(plan))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def job(cabin: Cabin, tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("job")
    write_survey(folder / "open.json", named(cabin.opened, NASTY))
    keep_record(folder / "kept.json", cabin.record, "cage", "shell", NASTY)
    write_json(folder / "gap.json", gap_document(replace(cabin.gap, bar=NASTY)))
    write_json(folder / "back.json", recheck_document(cabin.recheck))
    exif = Image.Exif()
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    exif[0x013B] = "Tess Quillfeather"
    Image.new("RGB", (900, 600), "teal").save(folder / "gap-photo-1.jpg", exif=exif)
    Image.new("RGB", (800, 500), "white").save(folder / "gap-plot.png")
    files = [folder / n for n in ("gap.json", "back.json", "open.json", "kept.json")]
    return Job(folder, write_report(files, folder / "report"))


@pytest.mark.parametrize(("size", "dark"), [(PHONE, False), (PHONE, True), (DESK, False)])
def test_the_page_opens_offline_and_fits_its_screen(
    browser: Browser, job: Job, size: tuple[int, int], dark: bool
) -> None:
    with opened(browser, job.report.html, size, dark=dark) as seen:
        assert seen.sees("document.documentElement.scrollWidth") <= size[0]
        # Nothing but wide tables, which scroll by themselves, reaches beyond the screen.
        outside = seen.sees(
            """[...document.querySelectorAll('body *')].filter(e => !e.closest('.wide')
            && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML)"""
        )
        assert outside == []
        assert seen.complaints == []
        assert [r for r in seen.requests if not r.startswith(("file:", "data:"))] == []
        ink, paper = seen.sees(
            """[getComputedStyle(document.body).color,
                getComputedStyle(document.body).backgroundColor]"""
        )
        assert contrast(ink, paper) > 7.0  # WCAG 2.2, success criterion 1.4.6, level AAA
        for chip in seen.sees(
            "[...document.querySelectorAll('.chip')].map(e => getComputedStyle(e).color)"
        ):
            assert contrast(chip, paper) > 4.5  # WCAG 2.2, success criterion 1.4.3, level AA


def contrast(a: str, b: str) -> float:
    """Contrast ratio of two colours as CSS writes them (WCAG 2.2, "contrast ratio")."""

    def luminance(text: str) -> float:
        values = np.array([int(v) for v in re.findall(r"\d+", text)[:3]]) / 255.0
        linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_verdicts_come_before_pictures_and_pictures_before_numbers(
    browser: Browser, job: Job, cabin: Cabin
) -> None:
    with opened(browser, job.report.html) as seen:
        tops = seen.sees(
            """['.caution', '#verdicts', '.result figure', '.result table', '#measured',
                '#hand', '#files'].map(
                q => document.querySelector(q).getBoundingClientRect().top)"""
        )
        assert tops == sorted(tops)
        assert seen.sees("document.querySelector('.caution').innerText") == CAUTION
        worst = max(cabin.gap.stations, key=lambda s: s.total_mm)
        card = seen.sees("document.querySelector('.card').innerText")
        assert amount(worst.total_mm, worst.total_expanded_mm, "mm") in card
        assert "■ out of tolerance" in card


def test_every_station_stands_in_the_page_with_its_u_and_verdict(
    browser: Browser, job: Job, cabin: Cabin
) -> None:
    with opened(browser, job.report.html, DESK) as seen:
        rows = seen.sees(
            """[...document.querySelectorAll('#result-1 tbody tr')].map(
                r => [...r.cells].map(c => c.innerText.trim()))"""
        )
    assert len(rows) == len(cabin.gap.stations)
    for row, s in zip(rows, cabin.gap.stations, strict=True):
        assert row[0] == f"{s.along_mm:.0f}"
        assert row[1] == amount(s.total_mm, s.total_expanded_mm)
        assert s.verdict.value in row[2]
        assert row[3] == amount(s.across_mm, s.across_expanded_mm)
        assert row[4] == amount(s.out_mm, s.out_expanded_mm)


def test_markup_in_a_name_is_shown_as_text_and_never_run(browser: Browser, job: Job) -> None:
    with opened(browser, job.report.html) as seen:
        assert NASTY in seen.sees("document.querySelector('h1').innerText")
        assert seen.sees("document.title") != "1"
        assert seen.sees("document.querySelectorAll('img[src=x], h1 b, script').length") == 0
    assert NASTY in "".join(text_of(job.report.pdf))


def test_a_picture_grows_when_it_is_tapped_and_carries_nothing_private(
    browser: Browser, job: Job
) -> None:
    with opened(browser, job.report.html) as seen:
        width = "document.querySelector('figure img').getBoundingClientRect().width"
        small = seen.sees(width)
        assert small <= PHONE[0]
        seen.page.locator("figure label").first.click()
        assert seen.sees(width) > 2 * small
        assert seen.sees("document.documentElement.scrollWidth") <= PHONE[0]
        shown = seen.sees("document.querySelector('figure img').naturalWidth")
        assert shown == 900
    for file in (job.report.html, job.report.pdf):
        assert b"Quillfeather" not in file.read_bytes()
    assert b"Exif" not in job.report.pdf.read_bytes()


def text_of(file: Path) -> list[str]:
    """Text of each page, with its lines joined."""
    document = pypdfium2.PdfDocument(file)
    texts = [" ".join(page.get_textpage().get_text_range().split()) for page in document]
    document.close()
    return texts


def test_the_pdf_says_the_same_and_ends_with_room_for_hand_and_name(job: Job, cabin: Cabin) -> None:
    pages = text_of(job.report.pdf)
    whole = " ".join(pages)
    assert "■ out of tolerance" in pages[0]
    assert " ".join(CAUTION.split()) in pages[0]
    for s in cabin.gap.stations:
        assert amount(s.total_mm, s.total_expanded_mm) in whole
    for entry in cabin.opened.photos:
        assert entry.name in whole
    for source in job.report.book.sources:
        assert source.sha256 in whole
    hand = next(p for p in pages if "Checks by hand" in p)
    assert "licensed or scrutineering person" in hand
    for length in lengths_to_check(cabin.opened):
        assert amount(length.length_mm, length.expanded_mm) in hand
    assert all("approves no design, weld or material" in page for page in pages)
    assert all(f"page {n}" in page for n, page in enumerate(pages, 1))


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_paper_is_a4_or_letter_and_nothing_runs_off_it(
    job: Job, tmp_path: Path, paper: str, size_mm: tuple[float, float]
) -> None:
    files = [job.folder / n for n in ("gap.json", "back.json", "open.json", "kept.json")]
    done = write_report(files, tmp_path / "r", paper=paper)
    document = pypdfium2.PdfDocument(done.pdf)
    for page in document:
        assert np.array(page.get_size()) / 72 * 25.4 == pytest.approx(np.array(size_mm), abs=0.1)
        grey = np.asarray(page.render(scale=1.0).to_pil().convert("L"))
        edge = round(8.0 / 25.4 * 72)  # common printers reach to 4 or 6 mm
        for margin in (grey[:edge], grey[-edge:], grey[:, :edge], grey[:, -edge:]):
            assert margin.min() > 250
    document.close()


def test_the_page_prints_white_with_every_picture_on_paper(browser: Browser, job: Job) -> None:
    with opened(browser, job.report.html, DESK, dark=True) as seen:
        printed = seen.page.pdf(format="A4", print_background=True)
    document = pypdfium2.PdfDocument(io.BytesIO(printed))
    first = np.asarray(document[0].render(scale=1.0).to_pil().convert("L"))
    assert np.median(first) > 250
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    assert "Tap the picture" not in text
    assert "Checks by hand" in text
    document.close()


def test_an_older_report_is_replaced_only_when_asked_and_nothing_else_ever(
    job: Job, tmp_path: Path
) -> None:
    files = [job.folder / "gap.json", job.folder / "open.json"]
    done = write_report(files, tmp_path / "r.html")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["r.html", "r.pdf"]
    with pytest.raises(InputError, match="exists already"):
        write_report(files, tmp_path / "r")
    write_report(files, tmp_path / "r", title="second", replace=True)
    assert "second" in done.html.read_text(encoding="utf-8")
    done.html.write_text("my own page", encoding="utf-8")
    with pytest.raises(InputError, match="only over an older report"):
        write_report(files, tmp_path / "r", replace=True)
    assert done.html.read_text(encoding="utf-8") == "my own page"
    with pytest.raises(InputError, match="no paper 'b5'"):
        write_report(files, tmp_path / "s", paper="b5")


def test_lengths_to_check_by_hand_are_true_long_and_in_different_directions(cabin: Cabin) -> None:
    found = lengths_to_check(cabin.record)
    assert len(found) == 3
    at = dict(zip(cabin.record.markers, cabin.record.poses, strict=True))
    ways = []
    for length in found:
        across = at[length.ids[1]].translation - at[length.ids[0]].translation
        assert length.length_mm == pytest.approx(float(np.linalg.norm(across)), abs=1e-6)
        assert length.expanded_mm > 0.0
        ways.append(across / np.linalg.norm(across))
    assert abs(ways[0] @ ways[1]) < 0.7
