"""What making sheets does with known printers, older files and parts of a request."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from printed import Printed

from fitscan.errors import InputError
from fitscan.markers.kit import read_kit
from fitscan.markers.sheets import (
    PointerRequest,
    PrinterScale,
    RuleRequest,
    SheetRequest,
    TagGroup,
    TubeRequest,
    make_sheets,
)


def job() -> SheetRequest:
    """What a whole cage and its door print."""
    return SheetRequest(
        name="Wren",
        tags=(TagGroup("shell", 40), TagGroup("trim", 8, 25.0)),
        tubes=tuple(TubeRequest(f"tube {n}", 38.0 + n, straights=2) for n in range(8)),
        pointers=tuple(PointerRequest(f"lip {n}", "trim") for n in range(6)),
        rules=(RuleRequest(),),
    )


def test_a_known_printer_is_made_up_for_in_the_drawing_and_the_kit_stays_at_one(
    tmp_path: Path,
) -> None:
    scale = PrinterScale(short_edge=0.997, long_edge=1.004)
    for od, (across, along) in ((45.0, (0.997, 1.004)), (76.0, (1.004, 0.997))):
        tube = TubeRequest("main hoop", od, cuffs=1)
        asked = SheetRequest(tags=(TagGroup("shell", 1),), tubes=(tube,), printer=scale)
        result = make_sheets(asked, tmp_path, replace=True)
        printed = Printed(result.pdf)
        page, _ = printed.page_of(0)
        left, right, top, bottom = page.square(page.tags[0])
        # What the printer then puts on paper is nominal.
        assert (right - left) * across == pytest.approx(40.0, abs=0.01)
        assert (bottom - top) * along == pytest.approx(40.0, abs=0.01)
        assert page.ruler_mm(0) * across == pytest.approx(150.0, abs=0.02)
        assert page.ruler_mm(1) * along == pytest.approx(150.0, abs=0.02)
        board = printed.pages[-1]  # always upright
        assert board.ruler_mm(0) * 0.997 == pytest.approx(150.0, abs=0.02)
        kit = read_kit(result.kit_file)
        assert kit.printer is not None
        assert (kit.printer.across, kit.printer.along) == (1.0, 1.0)
        for p in printed.pages:
            text = " ".join(p.text.split())
            assert not p.tags or "kit.toml keeps printer scale 1" in text
            # The margin is meant on the printed paper.
            assert p.black(0, 7.9, 0, p.height_mm).max() == 0.0


def test_sheets_are_made_in_a_moment(tmp_path: Path) -> None:
    start = time.process_time()
    result = make_sheets(job(), tmp_path)
    assert time.process_time() - start < 5.0
    assert result.pdf.stat().st_size < 2_000_000


def test_the_same_request_gives_the_same_bytes(tmp_path: Path) -> None:
    one = make_sheets(job(), tmp_path / "one")
    two = make_sheets(job(), tmp_path / "two")
    assert one.pdf.read_bytes() == two.pdf.read_bytes()
    assert one.kit_file.read_bytes() == two.kit_file.read_bytes()


@pytest.mark.parametrize("name", ["sheets.pdf", "kit.toml"])
def test_older_files_are_kept_unless_asked(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(InputError, match="never overwritten unasked"):
        make_sheets(job(), tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"
    make_sheets(job(), tmp_path, replace=True)
    assert read_kit(tmp_path / "kit.toml").tag


def test_only_what_is_asked_for_is_printed(tmp_path: Path) -> None:
    tags_only = make_sheets(SheetRequest(tags=(TagGroup("dash", 2),), board=False), tmp_path / "a")
    assert [g.purpose for g in tags_only.groups] == ["cover", "tags"]
    assert tags_only.board is None
    assert any("no rule" in note for note in tags_only.notes)
    board_only = make_sheets(SheetRequest(), tmp_path / "b")
    assert [g.purpose for g in board_only.groups] == ["cover", "board"]
    assert board_only.kit.tag_ids == []
    # A kit without markers is no kit for a survey, whoever wrote it.
    with pytest.raises(InputError, match="lists no tag, pointer or cuff"):
        read_kit(board_only.kit_file)


def test_a_long_list_of_markers_goes_on_on_a_second_cover(tmp_path: Path) -> None:
    names = tuple(PointerRequest(f"point {n}", "shell") for n in range(60))
    result = make_sheets(SheetRequest(pointers=names), tmp_path)
    cover = result.groups[0]
    assert (cover.first, cover.last) == (1, 2)
    text = " ".join(" ".join(p.text.split()) for p in Printed(result.pdf, 50).pages[:2])
    assert all(f"its tip on point {n}." in text for n in range(60))


def test_a_card_larger_than_the_page_is_refused_in_one_sentence(tmp_path: Path) -> None:
    scale = PrinterScale(0.95, 0.95)
    with pytest.raises(InputError, match=r"One of the cuffs needs .* smaller one"):
        make_sheets(
            SheetRequest(paper="letter", tubes=(TubeRequest("spigot", 76.0),), printer=scale),
            tmp_path,
        )
    assert not list(tmp_path.iterdir())
