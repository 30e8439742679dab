"""Printed sheets: one true-scale PDF with every marker of a job, and the kit that belongs to it.

What is asked for is described in `sheet_request`; finding the markers in photos is left to
`fitscan.detect`.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import InputError
from fitscan.markers.kit import Kit
from fitscan.markers.sheet_board import BoardCard, board_page
from fitscan.markers.sheet_cover import cover_cards
from fitscan.markers.sheet_cuffs import TAIL_MM, CuffCard
from fitscan.markers.sheet_ink import Ink
from fitscan.markers.sheet_page import Card, Format, Page, flow
from fitscan.markers.sheet_plan import SheetPlan, plan_sheets
from fitscan.markers.sheet_request import (
    PointerRequest,
    PrinterScale,
    RuleRequest,
    SheetRequest,
    TagGroup,
    TubeRequest,
)
from fitscan.markers.sheet_sketch import CuffSketch, PointerSketch, RuleSketch
from fitscan.markers.sheet_tags import Blank, PointerCard, TagCard
from fitscan.markers.write_kit import kit_text
from fitscan.store.access import make_folder
from fitscan.store.atomic import write_new

__all__ = [
    "PageGroup",
    "PointerRequest",
    "PrinterScale",
    "RuleRequest",
    "SheetRequest",
    "SheetResult",
    "TagGroup",
    "TubeRequest",
    "make_sheets",
]

PDF_NAME, KIT_NAME = "sheets.pdf", "kit.toml"

ROW_GAP_MM = 6.0

RULE_ADVICE = (
    "Stick both cards on one straight stiff bar or level, 800 to 1000 mm apart, in line and the "
    "same way up, so that the bar runs left to right.",
    "With a steel rule measure from the left black edge of A to the left black edge of B, then "
    "right to right: the mean is the length, centre to centre.",
    "Write it into kit.toml under [[rule]]. Leave the bar in the car, lying still, for every "
    "photo of a shoot.",
)


@dataclass(frozen=True)
class PageGroup:
    """Pages of the PDF that serve one purpose, first and last counted from 1."""

    purpose: str
    first: int
    last: int


@dataclass(frozen=True)
class SheetResult:
    """What was made.

    Attributes:
        pdf: the sheets.
        kit_file: the kit that belongs to them.
        kit: the same as read from that file.
        paper: "A4" or "US Letter".
        pages: number of sheets.
        groups: which pages hold what.
        board: text for `--board`, None when no board was asked for.
        notes: sentences that the user should see.
    """

    pdf: Path
    kit_file: Path
    kit: Kit
    paper: str
    pages: int
    groups: tuple[PageGroup, ...]
    board: str | None
    notes: tuple[str, ...]


def make_sheets(request: SheetRequest, out_dir: Path, *, replace: bool = False) -> SheetResult:
    """Draw the sheets and write `sheets.pdf` and `kit.toml`.

    Args:
        request: what to print.
        out_dir: folder for both files, made if it is missing.
        replace: whether older files of these names may be replaced.

    Raises:
        InputError: something in the request cannot be printed, or a file exists already.
        EnvironmentProblem: the disk is full or read-only.
    """
    form = request.checked_format()
    plan = plan_sheets(request, form)
    last_page, board = board_page(form) if request.board else (None, None)
    sections = _sections(request, plan, form, board)
    if last_page is not None:
        sections.append(("board", [last_page]))
    pages = [page for _, group in sections for page in group]
    data = _draw(pages, form, request.name)
    text = _kit_file(request, plan, form)
    folder = make_folder(out_dir)
    pdf, kit_file = folder / PDF_NAME, folder / KIT_NAME
    for path in (pdf, kit_file):
        # Asked before either is written, so that a PDF never lies beside another kit.
        if path.exists() and not replace:
            raise InputError(
                "The file exists already and is never overwritten unasked",
                path,
                "choose another folder, move the old file away or ask to replace it",
            )
    write_new(kit_file, text.encode(), replace=replace)
    write_new(pdf, data, replace=replace)
    return SheetResult(
        pdf,
        kit_file,
        plan.kit,
        form.paper.name,
        len(pages),
        _groups(sections),
        board.text if board else None,
        _notes(request, plan, form, board),
    )


def _sections(
    request: SheetRequest, plan: SheetPlan, form: Format, board: BoardCard | None
) -> list[tuple[str, list[Page]]]:
    """Pages by purpose; all of a kit's pages lie the same way, because the printer's scale of a
    kit is said once for across and once for along.
    """
    upright = Page("", (), "", landscape=False).frame(form)
    wide = any(c.shape.length + TAIL_MM > upright.width for c in plan.cuffs)
    note = _ruler_note(form)

    def page(heading: str, *advice: str) -> Page:
        return Page(heading, advice, note, wide)

    cover = page("Read this first")
    frame = cover.frame(form)
    texts = cover_cards(plan, form, board.text if board else None, frame.width, frame.height)
    first: list[Card] = [*texts, CuffSketch(), PointerSketch(), RuleSketch()]
    sections = [("cover", flow(cover, form, first, gap_mm=ROW_GAP_MM, what="The first sheet"))]
    tags = page(
        "Tags: flat squares on parts that do not bend",
        "Stick them flat on clean, stiff metal or trim. Spread them so that every photo shows "
        "five or more, and neighbours share photos.",
    )
    pointers = page(
        "Pointers: the arrow's tip touches the point that is named",
        "Cut along the grey line and along the black arrow to a sharp tip. Stick the card flat, "
        "its tip exactly on the point: a lip, a seam, a hole's edge, a plumb line.",
    )
    cuffs = page(
        "Cuffs: wrapped once round a tube",
        "Wrap tight and square, print outwards, hatched end underneath, cut left edge exactly on "
        "the dashed line. All arrows of one tube point to the same end.",
    )
    rules = page("Rules: the length that carries the scale", *RULE_ADVICE)
    cards: list[tuple[str, Page, list[Card], float]] = [
        ("tags", tags, [*_tag_cards(plan)], 0.0),
        ("pointers", pointers, [*_pointer_cards(plan)], 4.0),
        ("cuffs", cuffs, [CuffCard(c.spec, c.shape, c.where) for c in plan.cuffs], 2.0),
        ("rules", rules, _rule_cards(plan, frame.width), ROW_GAP_MM),
    ]
    for purpose, empty, group, gap in cards:
        if group:
            what = f"One of the {purpose}"
            sections.append((purpose, flow(empty, form, group, gap_mm=gap, what=what)))
    return sections


def _tag_cards(plan: SheetPlan) -> list[TagCard]:
    return [TagCard(t.spec.id, t.spec.side_mm, t.spec.part, t.where) for t in plan.tags]


def _pointer_cards(plan: SheetPlan) -> list[PointerCard]:
    return [PointerCard(p.id, p.side_mm, p.reach_mm, p.name, p.part) for p in plan.pointers]


def _rule_cards(plan: SheetPlan, width: float) -> list[Card]:
    """The sketch, then each rule's two cards, every row filled up to the page's width."""
    where = "on one straight bar with its partner"
    rows: list[list[Card]] = [[RuleSketch()]] if plan.rules else []
    for rule in plan.rules:
        rows.append([TagCard(e.id, e.side_mm, e.name, where, centre_marks=True) for e in rule.ends])
    cards: list[Card] = []
    for row in rows:
        used = sum(c.width + ROW_GAP_MM for c in row)
        cards += [*row, Blank(max(0.0, width - used))]
    return cards


def _ruler_note(form: Format) -> str:
    if form.corrected:
        return (
            f"Both rulers must measure 150.0 mm: drawn for a printer of {form.short:g} (short "
            f"edge) and {form.long:g} (long edge); kit.toml keeps printer scale 1."
        )
    return (
        "Measure both rulers with a steel rule. If one is not 150.0 mm, write measured / 150.0 "
        "under [printer] in kit.toml: across, along."
    )


def _draw(pages: list[Page], form: Format, name: str) -> bytes:
    """Draw all pages into one PDF that asks the reader's print dialogue not to scale it."""
    from reportlab.pdfgen.canvas import Canvas

    stream = io.BytesIO()
    # invariant: no date and no random id, so that the same request gives the same bytes.
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(f"fitscan sheets, kit {name}")
    canvas.setCreator("fitscan")
    canvas.setViewerPreference("PrintScaling", "None")
    ink = Ink(canvas)
    for n, page in enumerate(pages, 1):
        page.draw(ink, form, f"kit {name} · {form.paper.name} · sheet {n}/{len(pages)}")
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _kit_file(request: SheetRequest, plan: SheetPlan, form: Format) -> str:
    places = {t.spec.id: t.where for t in plan.tags}
    places |= {c.spec.first_id: c.where for c in plan.cuffs}
    open_rules = [(r.ends[0].id, r.ends[1].id) for r in plan.rules if r.spec is None]
    title = f"Kit {request.name}, printed on {form.paper.name}: what every marker is."
    return kit_text(plan.kit, title, places=places, open_rules=open_rules)


def _groups(sections: list[tuple[str, list[Page]]]) -> tuple[PageGroup, ...]:
    groups, first = [], 1
    for purpose, pages in sections:
        groups.append(PageGroup(purpose, first, first + len(pages) - 1))
        first += len(pages)
    return tuple(groups)


def _notes(
    request: SheetRequest, plan: SheetPlan, form: Format, board: BoardCard | None
) -> tuple[str, ...]:
    notes = []
    if not request.rules:
        notes.append("There is no rule, so nothing will carry the scale; ask for at least one.")
    elif not plan.kit.rule:
        notes.append(
            "Measure the rule and write its length into kit.toml, or the scale is a guess."
        )
    if form.corrected:
        notes.append("The drawing makes up for the printer; kit.toml keeps printer scale 1.")
    if board is not None:
        notes.append(f"The board on the last sheet is --board {board.text}.")
    return tuple(notes)
