"""The sheets as paper: rasterised by pdfium, read by OpenCV, measured in millimetres."""

from __future__ import annotations

import math

import numpy as np
import pytest
from printed import Array, Printed, PrintedPage

from fitscan.markers.kit import RuleSpec, read_kit
from fitscan.markers.layout import Layout
from fitscan.markers.sheets import (
    PointerRequest,
    RuleRequest,
    SheetRequest,
    SheetResult,
    TagGroup,
    TubeRequest,
    make_sheets,
)

# A4: ISO 216. US Letter: 8.5 x 11 in, ANSI/ASME Y14.1 size A, at 25.4 mm an inch.
PAPER_MM = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11 * 25.4)}
ODS_MM = (20.0, 25.0, 32.0, 38.0, 40.0, 45.0, 48.3, 50.0, 57.0, 63.5, 76.0)


def typical(**changes: object) -> SheetRequest:
    """What a door-bar job prints: portrait."""
    values: dict[str, object] = {
        "name": "Wren",
        "tags": (TagGroup("shell", 24), TagGroup("trim", 8, 25.0)),
        "tubes": (
            TubeRequest("main hoop", 45.0, straights=2),
            TubeRequest("door bar left", 40.0, cuffs=3),
            TubeRequest("stub 1", 40.0, part="trim"),
        ),
        "pointers": (
            PointerRequest("upper lip 1", "trim"),
            PointerRequest("plumb line at B pillar foot", "shell", 30.0, 50.0),
            PointerRequest("seam", "shell", 12.5, 22.0),
        ),
        "rules": (RuleRequest(), RuleRequest(801.0, 0.25)),
    }
    return SheetRequest(**{**values, **changes})  # type: ignore[arg-type]


def every_tube(**changes: object) -> SheetRequest:
    """A cuff for every diameter: landscape, because the largest do not fit upright."""
    tubes = tuple(TubeRequest(f"tube {od:g}", od, cuffs=1) for od in ODS_MM)
    return typical(tubes=tubes, tags=(TagGroup("shell", 3),), **changes)


REQUESTS = {
    "a4 typical": typical(paper="a4"),
    "letter typical": typical(paper="letter", tags=(TagGroup("shell", 7), TagGroup("trim", 2, 25))),
    "a4 every tube": every_tube(paper="a4"),
    "letter every tube": every_tube(paper="letter"),
}


@pytest.fixture(scope="module", params=list(REQUESTS))
def made(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[SheetRequest, SheetResult, Printed]:
    asked = REQUESTS[request.param]
    result = make_sheets(asked, tmp_path_factory.mktemp("sheets"))
    return asked, result, Printed(result.pdf, dpi=300.0)


Made = tuple[SheetRequest, SheetResult, Printed]


def measured(page: PrintedPage, tag_id: int) -> Array:
    """Left, right, top, bottom in mm."""
    return page.square(page.tags[tag_id])


def centre(page: PrintedPage, tag_id: int) -> Array:
    left, right, top, bottom = measured(page, tag_id)
    return np.array([(left + right) / 2, (top + bottom) / 2])


def test_every_id_of_the_kit_is_printed_once_and_no_other(made: Made) -> None:
    _, result, printed = made
    assert sorted(i for page in printed.pages for i in page.tags) == sorted(result.kit.tag_ids)


def test_every_black_square_has_its_size_and_a_white_ring(made: Made) -> None:
    _, result, printed = made
    places = Layout.of(result.kit).tags
    for page in printed.pages:
        for tag_id in page.tags:
            edges, side = measured(page, tag_id), places[tag_id].side_mm
            size = [edges[1] - edges[0], edges[3] - edges[2]]
            np.testing.assert_allclose(size, side, atol=0.01, err_msg=f"tag {tag_id}")
            assert page.is_white_round(edges, side / 8), f"ink beside tag {tag_id}"


def test_tags_stand_upright_on_the_sheet(made: Made) -> None:
    _, _, printed = made
    for page in printed.pages:
        for corners in page.tags.values():
            top_left, _, bottom_right, _ = corners
            assert (bottom_right > top_left).all()


def test_cells_join_without_a_seam(made: Made) -> None:
    _, result, printed = made
    page, corners = printed.page_of(result.kit.tag[0].id)
    left, right, top, _ = page.square(corners)
    cell = (right - left) / 8
    # The border is one cell wide: its middle line passes seven joints and must stay black.
    border = page.black(left + 0.3, right - 0.3, top + 0.4 * cell, top + 0.6 * cell)
    assert border.min() == 1.0


def test_pages_have_the_size_of_the_paper_and_blank_margins(made: Made) -> None:
    asked, _, printed = made
    for page in printed.pages:
        size = sorted((page.width_mm, page.height_mm))
        np.testing.assert_allclose(size, PAPER_MM[asked.paper], atol=0.01)
        for box in (
            (0, page.width_mm, 0, 7.9),
            (0, page.width_mm, page.height_mm - 7.9, page.height_mm),
            (0, 7.9, 0, page.height_mm),
            (page.width_mm - 7.9, page.width_mm, 0, page.height_mm),
        ):
            assert page.black(*box).max() == 0.0


def test_both_rulers_of_each_sheet_are_150_mm(made: Made) -> None:
    _, _, printed = made
    for page in printed.pages:
        assert page.ruler_mm(0) == pytest.approx(150.0, abs=0.02)
        assert page.ruler_mm(1) == pytest.approx(150.0, abs=0.02)


def test_a_kits_sheets_lie_all_the_same_way_because_the_printers_scale_is_said_once(
    made: Made,
) -> None:
    _, _, printed = made
    with_tags = {page.width_mm > page.height_mm for page in printed.pages if page.tags}
    assert len(with_tags) == 1


def test_columns_of_a_cuff_are_spread_evenly_round_the_ink(made: Made) -> None:
    _, result, printed = made
    for cuff in result.kit.cuff:
        page, _ = printed.page_of(cuff.first_id)
        at = np.array([centre(page, i) for i in cuff.ids]).reshape(cuff.rows, cuff.columns, 2)
        pitch = math.pi * (cuff.od_mm + 2 * 0.15) / cuff.columns
        column = np.arange(cuff.columns)
        np.testing.assert_allclose(at[0, :, 0] - at[0, 0, 0], column * pitch, atol=0.01)
        np.testing.assert_allclose(at[1, :, 0], at[0, :, 0], atol=0.01)
        np.testing.assert_allclose(at[1, :, 1] - at[0, :, 1], cuff.row_pitch_mm, atol=0.01)


def test_the_cut_edge_and_the_line_it_is_laid_on_are_one_turn_apart(made: Made) -> None:
    _, result, printed = made
    for cuff in result.kit.cuff:
        page, _ = printed.page_of(cuff.first_id)
        once = math.pi * (cuff.od_mm + 2 * 0.15)
        first = centre(page, cuff.first_id)
        seam = first[0] - once / cuff.columns / 2
        # Between the first two rows only the cut line and the dashed line cross.
        y0 = first[1] + cuff.side_mm / 2
        y1 = y0 + cuff.row_pitch_mm - cuff.side_mm
        for want in (seam, seam + once):
            strip = page.black(want - 0.8, want + 0.8, y0, y1).max(axis=0)
            where = (round((want - 0.8) * page.px_per_mm[0]) + 0.5 + np.arange(len(strip))) / (
                page.px_per_mm[0]
            )
            peak = strip > 0.5 * strip.max()
            assert np.average(where[peak], weights=strip[peak]) == pytest.approx(want, abs=0.05)


def test_a_pointers_arrow_ends_exactly_at_its_reach(made: Made) -> None:
    _, result, printed = made
    assert result.kit.pointer
    for pointer in result.kit.pointer:
        page, _ = printed.page_of(pointer.id)
        x, y = centre(page, pointer.id)
        # The arrow narrows evenly: its width, extended to nothing, is its tip.
        y1 = y + pointer.reach_mm
        y0 = y1 - 0.6 * (pointer.reach_mm - 0.6375 * pointer.side_mm - 2.0)
        ink = page.black(x - 4.5, x + 4.5, y0, y1 - 0.3)
        rows = (round(y0 * page.px_per_mm[1]) + 0.5 + np.arange(len(ink))) / page.px_per_mm[1]
        width = ink.sum(axis=1) / page.px_per_mm[0]
        slope, offset = np.polyfit(rows, width, 1)
        assert -offset / slope == pytest.approx(y1, abs=0.02)
        columns = (round((x - 4.5) * page.px_per_mm[0]) + 0.5 + np.arange(ink.shape[1])) / (
            page.px_per_mm[0]
        )
        middle = (ink * columns).sum(axis=1) / ink.sum(axis=1)
        lean, start = np.polyfit(rows, middle, 1)
        assert lean * y1 + start == pytest.approx(x, abs=0.02)
        # And nothing is printed past the tip.
        assert page.black(x - 3, x + 3, y1 + 0.15, y1 + 2).max() == 0.0


def test_ids_are_written_in_digits_beside_their_markers(made: Made) -> None:
    _, _, printed = made
    for page in printed.pages:
        words = set(page.text.replace("\r\n", " ").split())
        for tag_id in page.tags:
            assert str(tag_id) in words


def test_each_sheet_says_which_kit_it_belongs_to_and_what_it_does_not_approve(made: Made) -> None:
    _, result, printed = made
    assert len(printed.pages) == result.pages
    for n, page in enumerate(printed.pages, 1):
        text = " ".join(page.text.split())
        assert f"kit Wren · {result.paper} · sheet {n}/{result.pages}" in text
        for words in (
            "does not approve a design, a weld or a material",
            "Check by hand before cutting",
            "away from hot work and fuel",
            "must be 150.0 mm",
        ):
            assert words in text


def test_each_marker_says_where_it_goes(made: Made) -> None:
    asked, result, printed = made
    text = " ".join(" ".join(page.text.split()) for page in printed.pages)
    for tube in asked.tubes:
        assert f"{tube.name} · straight 1 · OD {tube.od_mm:g} mm" in text
    for cuff in result.kit.cuff:
        first, last = cuff.ids[0], cuff.ids[-1]
        assert f"Cuff {first}-{last}: {cuff.part}, {cuff.tube}, straight {cuff.straight}" in text
    assert "flat stiff sheet metal, not on a loose panel" in text
    assert "trim: arrow tip on it" in text
    assert "this end up (+z)" in text


def test_groups_name_the_pages_of_each_kind(made: Made) -> None:
    _, result, printed = made
    kit = result.kit
    kinds = {
        "tags": {t.id for t in kit.tag if not t.part.startswith("rule")},
        "pointers": {p.id for p in kit.pointer},
        "cuffs": {i for c in kit.cuff for i in c.ids},
        "rules": {t.id for t in kit.tag if t.part.startswith("rule")},
    }
    groups = {g.purpose: g for g in result.groups}
    assert list(groups) == ["cover", "tags", "pointers", "cuffs", "rules", "board"]
    for kind, ids in kinds.items():
        pages = printed.pages[groups[kind].first - 1 : groups[kind].last]
        assert {i for page in pages for i in page.tags} == ids
    assert groups["board"].last == result.pages


def test_the_kit_file_says_what_was_asked_for(made: Made) -> None:
    asked, result, _ = made
    kit = read_kit(result.kit_file)
    assert kit == result.kit
    assert kit.printer is None
    for group in asked.tags:
        tags = [t for t in kit.tag if t.part == group.part]
        assert len(tags) == group.count
        assert {t.side_mm for t in tags} == {group.side_mm}
    cuffs = [(c.tube, c.od_mm, c.part, c.straight) for c in kit.cuff]
    assert cuffs == [
        (t.name, t.od_mm, t.part, straight)
        for t in asked.tubes
        for straight in range(1, t.straights + 1)
        for _ in range(t.cuffs)
    ]
    pointers = [(p.name, p.part, p.side_mm, p.reach_mm) for p in kit.pointer]
    assert pointers == [(p.name, p.part, p.side_mm, p.reach_mm) for p in asked.pointers]
    # Only the rule with a length is there: a rule that nobody measured must not carry a scale.
    assert kit.rule == (RuleSpec(ids=(92, 93), length_mm=801.0, u_mm=0.25),)
    assert "# ids = [90, 91]" in result.kit_file.read_text(encoding="utf-8")


def test_the_pdf_asks_the_print_dialogue_not_to_scale_it(made: Made) -> None:
    _, result, _ = made
    assert b"/PrintScaling /None" in result.pdf.read_bytes()
