"""Templates as paper and as DXF: measured in millimetres, and compared with a closed form."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from printed import Printed, PrintedPage

from fitscan.errors import InputError
from fitscan.make.cope import BranchTube, RunAt
from fitscan.make.cope_file import CopeFile, CopeFiles, cope_format, write_cope
from fitscan.make.cope_plan import CopePlan, CopeRequest, Quantity, plan_cope
from fitscan.store.json_file import read_json

Array = npt.NDArray[np.float64]
RIGHT = math.pi / 2.0
R, OD, INSIDE, PAPER = 22.5, 38.0, 16.5, 0.1
# ISO 216, and 8.5 x 11 in of ANSI/ASME Y14.1.
SIZES_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


def saddle(angle: Array) -> Array:
    """Height of a square cut at a right angle: Gray 1997, "Steinmetz curve", for the inside."""
    height: Array = np.sqrt(R**2 - (INSIDE * np.sin(angle)) ** 2)
    return height


def plan(**changes: object) -> CopePlan:
    values: dict[str, object] = {
        "name": "rear stay left",
        "branch": BranchTube(OD, 2.5),
        "near": (RunAt(2.0 * R, RIGHT),),
        "far": (RunAt(2.0 * R, RIGHT, turn_rad=math.radians(30.0)),),
        "length_mm": 800.0,
    }
    return plan_cope(CopeRequest(**{**values, **changes}))  # type: ignore[arg-type]


def written(folder: Path, paper: str = "a4", **changes: object) -> tuple[CopePlan, CopeFiles]:
    made = plan(**changes)
    return made, write_cope(made, folder, cope_format(paper))


def marks(profile: Array) -> Array:
    """Centres in pixels of the dark runs of a profile (share of black)."""
    dark = np.flatnonzero(profile > 0.3)
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return np.array([np.average(run, weights=profile[run]) for run in runs])


def across(page: PrintedPage, y_mm: float) -> Array:
    """Places in mm of the upright lines that a level line at y crosses, right of the ruler."""
    profile = page.black(16.5, page.width_mm, y_mm - 0.05, y_mm + 0.05).mean(axis=0)
    left = round(16.5 * page.px_per_mm[0])
    return np.asarray((left + marks(profile) + 0.5) / float(page.px_per_mm[0]))


def upright(page: PrintedPage, x_mm: float, low: float, high: float) -> Array:
    """Places in mm of the level lines that an upright line at x crosses."""
    profile = page.black(x_mm - 0.05, x_mm + 0.05, low, high).mean(axis=1)
    top = round(low * page.px_per_mm[1])
    return np.asarray((top + marks(profile) + 0.5) / float(page.px_per_mm[1]))


def square_edge(page: PrintedPage, right: float) -> float:
    """Y in mm of the square edge: the only line that is level over its whole length."""
    dark = page.black(20.0, right, 15.0, 150.0).mean(axis=1)
    rows = np.flatnonzero(dark > 0.95)
    assert len(rows) < 10
    return 15.0 + (float(np.average(rows, weights=dark[rows])) + 0.5) / float(page.px_per_mm[1])


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_printed_template_has_the_true_size_and_the_closed_forms_edge(
    tmp_path: Path, paper: str
) -> None:
    made, files = written(tmp_path, paper)
    around = math.pi * (OD + PAPER)
    # Angles between ticks and letters, so that only the square edge and the cut are crossed.
    degrees = np.array([3.5, 77.0, 100.0, 173.0, 187.0, 203.0, 263.0, 287.0, 303.0, 337.0])
    for page, end, turn in zip(
        Printed(files.pdf, dpi=600.0).pages, made.ends, (0.0, 30.0), strict=True
    ):
        assert (page.width_mm, page.height_mm) == pytest.approx(SIZES_MM[paper], abs=0.01)
        for axis in (0, 1):
            assert page.ruler_mm(axis) == pytest.approx(150.0, abs=0.03)
        # The square edge is the longest level line; a few mm inside it the match lines stand.
        square = square_edge(page, 20.0 + around)
        inward = 1.0 if end.name == "near" else -1.0
        lines = across(page, square + inward * 2.4)
        assert lines[4] - lines[0] == pytest.approx(around, abs=0.05)
        np.testing.assert_allclose(np.diff(lines[:5]), around / 4.0, atol=0.05)
        edge = []
        for deg in degrees:
            x = lines[0] + around * deg / 360.0
            ends = sorted((square - inward, square + inward * (end.template.drawing.height + 0.7)))
            crossed = upright(page, x, *ends)
            # The cut is the outermost line on the other side of the square edge.
            edge.append(abs((crossed.max() if inward > 0 else crossed.min()) - square))
        wanted = end.template.square_edge_mm - saddle(np.radians(degrees - turn))
        np.testing.assert_allclose(edge, wanted, atol=0.06)


def test_every_sheet_says_what_it_is_and_carries_the_cautions(tmp_path: Path) -> None:
    _, files = written(tmp_path, warnings=("The scale is a guess.",))
    pages = Printed(files.pdf, dpi=50.0).pages
    assert len(pages) == files.pages == 2
    for page, end in zip(pages, ("near", "far"), strict=True):
        words = " ".join(page.text.split())
        for said in (
            f"Cope: rear stay left, {end} end", "OD 38 x 2.5 mm", "this edge is the cut",
            "Dry-fit before cutting", "does not approve", "scrutineering", "hot work",
            "The scale is a guess.", "0 match", "90", "180", "270", "tip to tip",
            "near end" if end == "far" else "far end",
        ):  # fmt: skip
            assert said in words, said


def test_the_print_dialogue_is_asked_not_to_scale_and_the_same_request_gives_the_same_paper(
    tmp_path: Path,
) -> None:
    _, one = written(tmp_path / "one")
    _, two = written(tmp_path / "two")
    assert b"/PrintScaling /None" in one.pdf.read_bytes()
    assert one.pdf.read_bytes() == two.pdf.read_bytes()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_template_larger_than_a_page_is_tiled_with_crosses_at_the_same_places(
    tmp_path: Path, paper: str
) -> None:
    _, files = written(
        tmp_path, paper, branch=BranchTube(120.0, 3.0), near=(RunAt(120.0, math.radians(20.0)),),
        far=(), length_mm=None,
    )  # fmt: skip
    pages = Printed(files.pdf, dpi=50.0).pages
    assert len(pages) >= 4
    named: dict[str, int] = {}
    for page in pages:
        assert "lay cross on cross" in page.text
        for word in set(page.text.split()):
            if len(word) == 2 and {word[0].isalpha(), word[1].isalpha()} == {True, False}:
                named[word] = named.get(word, 0) + 1
    crosses = {name: count for name, count in named.items() if name != "A4"}
    assert len(crosses) >= 8
    assert min(crosses.values()) >= 2, crosses


def test_tiles_laid_cross_on_cross_continue_the_drawing(tmp_path: Path) -> None:
    """A full turn measured over two sheets, from the 0 line to the 360 line."""
    od = 63.5
    _, files = written(
        tmp_path, "letter", branch=BranchTube(od, 2.5), near=(RunAt(od, math.radians(20.0)),),
        far=(), length_mm=None,
    )  # fmt: skip
    first, second = Printed(files.pdf, dpi=600.0).pages
    places = [square_edge(page, right) + 2.4 for page, right in ((first, 200.0), (second, 35.0))]
    left, right = (across(page, y) for page, y in zip((first, second), places, strict=True))
    cross = (cross_place(first, 190.0, 212.0), cross_place(second, 17.0, 31.0))
    shift = cross[0] - cross[1]
    quarter = math.pi * (od + PAPER) / 4.0
    assert right[-2] + shift - left[0] == pytest.approx(4.0 * quarter, abs=0.1)


def cross_place(page: PrintedPage, low: float, high: float) -> float:
    """X in mm of the upright stroke, 8 mm long, of a registration cross."""
    share = page.black(low, high, 45.0, 75.0).sum(axis=0) / float(page.px_per_mm[1])
    column = np.flatnonzero(share > 0.8 * share.max())
    assert share.max() > 6.0
    return low + float(column.mean()) / float(page.px_per_mm[0])


def test_a_known_printer_is_made_up_for(tmp_path: Path) -> None:
    made = plan()
    files = write_cope(made, tmp_path, cope_format("a4", (149.4, 150.6)))
    page = Printed(files.pdf, dpi=600.0).pages[0]
    assert page.ruler_mm(0) * 149.4 / 150.0 == pytest.approx(150.0, abs=0.03)
    assert page.ruler_mm(1) * 150.6 / 150.0 == pytest.approx(150.0, abs=0.03)


def test_the_dxf_reads_back_in_millimetres_with_the_closed_forms_edge(tmp_path: Path) -> None:
    from ezdxf.entities.lwpolyline import LWPolyline
    from ezdxf.filemanagement import read

    made, files = written(tmp_path)
    document = read(io.StringIO(files.dxf.read_text(encoding="utf-8")))
    assert document.units == 4  # millimetres, DXF reference: $INSUNITS
    edges = [
        np.array(line.get_points("xy")) for line in document.modelspace()
        if isinstance(line, LWPolyline) and line.dxf.layer == "CUT"
    ]  # fmt: skip
    assert len(edges) == 2
    around = math.pi * (OD + PAPER)
    for edge, sense, turn in zip(edges, (1.0, -1.0), (0.0, math.radians(30.0)), strict=True):
        x = edge[:, 0] - edge[0, 0]
        assert x[-1] == pytest.approx(around, abs=1e-6)
        wanted = saddle(2.0 * math.pi * x / around - turn)
        np.testing.assert_allclose(sense * (edge[:, 1] - edge[0, 1]), wanted - wanted[0], atol=2e-3)
    words = " ".join(t.dxf.text for t in document.modelspace().query("TEXT"))
    assert "Dry-fit before cutting" in words
    assert "does not approve" in words
    assert not document.audit().errors
    assert len(made.ends) == 2


def test_the_lengths_between_the_ends_are_those_of_the_closed_form() -> None:
    made = plan(kerf_mm=1.0)
    quarters: Array = np.array([0.0, 1.0, 2.0, 3.0]) * RIGHT
    wanted = 800.0 - saddle(quarters) - saddle(quarters - math.radians(30.0))
    np.testing.assert_allclose(made.lines_mm or (), wanted, atol=1e-3)
    lowest = float(saddle(np.array(RIGHT)))
    assert made.stock_mm == pytest.approx(800.0 - 2.0 * (lowest - 1.0), abs=1e-3)
    assert made.between_mm == pytest.approx(
        800.0 - sum(e.template.square_edge_mm for e in made.ends), abs=1e-9
    )


def test_the_result_file_reads_back_and_carries_numbers_and_caution(tmp_path: Path) -> None:
    made, files = written(tmp_path)
    document = read_json(files.json, CopeFile)
    assert document.stock_mm == made.stock_mm
    assert "Dry-fit" in document.caution
    assert [end.end for end in document.ends] == ["near", "far"]
    for row in document.ends[0].edge:
        assert row.cut_mm == pytest.approx(
            float(saddle(np.array(math.radians(row.angle_deg)))), abs=1e-3
        )
    assert json.loads(files.json.read_text())["kind"] == "fitscan.cope"


def test_an_existing_file_is_refused_and_nothing_else_is_written(tmp_path: Path) -> None:
    (tmp_path / "cope.json").write_text("kept")
    with pytest.raises(InputError, match="exists already"):
        written(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["cope.json"]
    write_cope(plan(), tmp_path, cope_format("a4"), replace=True)
    assert len(list(tmp_path.iterdir())) == 3


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"length_mm": None}, "belong together"),
        ({"far": ()}, "belong together"),
        ({"length_mm": 30.0}, "nothing of the tube is left"),
        ({"length_mm": -5.0}, "none of a tube"),
        ({"paper_mm": 3.0}, "office paper has 0.1"),
        ({"name": "two\nlines"}, "cannot be printed"),
        ({"name": "\u0141uk"}, "cannot be printed"),
        ({"name": "n" * 81}, "cannot be printed"),
    ],
)
def test_a_plan_that_cannot_be_made_is_refused(changes: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        plan(**changes)


def test_another_paper_or_a_wild_ruler_is_refused() -> None:
    with pytest.raises(InputError, match="a4 or letter"):
        cope_format("a3")
    with pytest.raises(InputError, match=r"142.5 to 157.5"):
        cope_format("a4", (100.0, 150.0))


def test_what_was_measured_stands_with_its_u_on_the_template_and_on_a_sheet(tmp_path: Path) -> None:
    measured = (
        Quantity("near end: run 1 angle", 90.0, 0.12, "deg"),
        Quantity("near end: run 1 offset", 0.0, 0.34, "mm"),
        Quantity("length", 800.0, 0.56, "mm"),
    )
    _, files = written(
        tmp_path, near=(RunAt(2.0 * R, RIGHT, name="run 1"),), measured=measured,
        placing=("The seam stands at 12.0 deg.",), warnings=("The scale is a guess.",),
    )  # fmt: skip
    near, far, numbers = (" ".join(p.text.split()) for p in Printed(files.pdf, dpi=50.0).pages)
    assert "run 1 OD 45: angle 90.00 deg (U 0.12), offset 0.00 mm (U 0.34)" in near
    assert "U 0.12" not in far
    for said in ("length 800.00 mm (U 0.56)", "The seam stands at 12.0 deg.", "Dry-fit", "k = 2"):
        assert said in numbers
    for page in (near, far, numbers):
        assert "The scale is a guess." in page


def test_sentences_never_push_into_the_rulers(tmp_path: Path) -> None:
    """Ten warnings still leave whole rulers; a hundred are refused, not drawn over them."""
    warnings = tuple(f"Warning {n} of a survey: something was not seen well." for n in range(10))
    _, files = written(tmp_path / "ten", warnings=warnings)
    for page in Printed(files.pdf, dpi=300.0).pages:
        assert page.ruler_mm(0) == pytest.approx(150.0, abs=0.05)
        assert page.ruler_mm(1) == pytest.approx(150.0, abs=0.05)
    with pytest.raises(InputError, match="no room for the rulers"):
        written(tmp_path / "many", warnings=warnings * 10)
    assert not (tmp_path / "many").exists()


def test_a_runs_name_in_other_letters_is_still_printed_and_kept_in_the_file(tmp_path: Path) -> None:
    near = (RunAt(2.0 * R, RIGHT, name="\u0142uk A"),)
    _, files = written(tmp_path, near=near, far=(), length_mm=None)
    assert "?uk A OD 45" in Printed(files.pdf, dpi=50.0).pages[0].text
    assert read_json(files.json, CopeFile).ends[0].runs[0].name == "\u0142uk A"


def test_a_piece_shorter_than_its_two_templates_says_that_they_overlap() -> None:
    assert any("overlap by" in s for s in plan(length_mm=100.0).sentences)
    assert not any("overlap" in s for s in plan().sentences)
