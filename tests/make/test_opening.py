"""Openings against ellipses of textbooks, solids cut by a library, and surveys drawn at random."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from known_surveys import coverage, cuff, known_survey, on_axis, somewhere
from printed import Printed, PrintedPage

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.make.cope_file import cope_format
from fitscan.make.flat_marks import marks_named
from fitscan.make.opening_file import OpeningFile, write_opening
from fitscan.make.opening_plan import OpeningPlan, OpeningRequest, place_u, plan_opening
from fitscan.make.opening_sheet import opening_drawing
from fitscan.make.opening_source import PanelTube, surveyed_panel, typed_panel
from fitscan.markers.kit import Kit, PointerSpec
from fitscan.shape.axis_rule import axis_named
from fitscan.store.json_file import read_json
from fitscan.survey.survey import Survey

Array = npt.NDArray[np.float64]

NAMES = ("left", "right", "lip", "top")
MARKS = np.array([[0.0, 0, 0], [160.0, 0, 0], [150.0, 95.0, 0], [-10.0, 100.0, 0]])
CENTRE = np.array([70.0, 50.0, 0.0])


def lean(slant_deg: float, heading_deg: float) -> Array:
    s, h = math.radians(slant_deg), math.radians(heading_deg)
    return np.array([math.sin(s) * math.cos(h), math.sin(s) * math.sin(h), math.cos(s)])


def typed(slant_deg: float = 0.0, heading_deg: float = 0.0, world: Rigid | None = None,
          **more: Any) -> PanelTube:  # fmt: skip
    world = world or Rigid.identity()
    through = np.array([CENTRE, CENTRE + 80.0 * lean(slant_deg, heading_deg)])
    marks = more.pop("marks", MARKS)
    return typed_panel(NAMES, world.apply(marks), world.apply(through), 38.0, **more)


def planned(source: PanelTube, clearance_mm: float = 3.0, **more: Any) -> OpeningPlan:
    return plan_opening(OpeningRequest("dash", source, clearance_mm, **more))


@pytest.mark.parametrize(
    ("slant", "heading"), [(0.0, 0.0), (30.0, 0.0), (41.0, 125.0), (70.0, -60)]
)
def test_the_hole_is_the_ellipse_that_a_plane_cuts_from_a_cylinder(
    slant: float, heading: float
) -> None:
    """Half axes r / cos(slant) and r (any textbook of solid geometry), in any frame."""
    plan = planned(typed(slant, heading, somewhere(3)))
    assert math.degrees(plan.request.source.at.slant_rad) == pytest.approx(slant, abs=1e-6)
    assert plan.hole.width_mm == pytest.approx(44.0, abs=1e-3)
    assert plan.hole.length_mm == pytest.approx(44.0 / math.cos(math.radians(slant)), rel=2e-5)
    h = math.radians(heading)
    turn = np.array([[math.cos(h), math.sin(h)], [-math.sin(h), math.cos(h)]])
    u, v = turn @ (plan.hole.outline - CENTRE[:2]).T
    on = (u * math.cos(math.radians(slant)) / 22.0) ** 2 + (v / 22.0) ** 2
    np.testing.assert_allclose(on, 1.0, atol=1e-9)


@pytest.mark.parametrize(("slant", "heading", "thick"), [(35.0, 20.0, 6.0), (60.0, 200.0, 12.0)])
def test_a_thick_panels_hole_is_the_shadow_of_the_solid_that_passes_it(
    slant: float, heading: float, thick: float
) -> None:
    """manifold3d: cylinder of tube and clearance, cut to the panel, seen along the normal."""
    from manifold3d import Manifold

    d = lean(slant, heading)
    side = np.cross(d, [0.3, 0.2, -0.5])
    side /= np.linalg.norm(side)
    # The cylinder's facets lie inside it by r (1 - cos(pi / 2000)) = 0.03 micrometres.
    tube = Manifold.cylinder(600.0, 22.0, 22.0, 2000, True)
    tube = tube.transform(np.column_stack([side, np.cross(d, side), d, CENTRE]))
    panel = Manifold.cube([500.0, 500.0, thick], True).translate([70.0, 50.0, -thick / 2.0])
    solid = np.asarray((tube ^ panel).to_mesh64().vert_properties)[:, :2]
    plan = planned(typed(slant, heading), thickness_mm=thick)
    for angle in np.linspace(0.0, 2.0 * math.pi, 73):
        way = np.array([math.cos(angle), math.sin(angle)])
        reach = float((plan.hole.outline @ way).max())
        assert reach == pytest.approx(float((solid @ way).max()), abs=0.003)


def test_places_of_marks_and_centre_are_distances_on_the_panel() -> None:
    plan = planned(typed(33.0, 10.0, somewhere(8)))
    at = plan.request.source.at
    np.testing.assert_allclose(at.marks, MARKS[:, :2], atol=1e-9)
    np.testing.assert_allclose(at.centre, CENTRE[:2], atol=1e-9)
    told = {(a, b): mm for a, b, mm in plan.distances}
    assert told[("left", "right")] == pytest.approx(160.0)
    assert len(told) == 6


def test_a_slot_is_as_wide_as_the_hole_and_ends_at_the_edge() -> None:
    plan = planned(typed(30.0, 90.0), edge=("lip", "top"), slot=True)
    hole = plan.hole.outline
    start, run = MARKS[2, :2], MARKS[3, :2] - MARKS[2, :2]
    normal = np.array([-run[1], run[0]]) / np.linalg.norm(run)
    ends = (hole[[0, -1]] - start) @ normal
    np.testing.assert_allclose(ends, 0.0, atol=1e-9)
    along = run / np.linalg.norm(run)
    # Near the edge, across the way that it opens, the slot is as wide as the ellipse.
    closed = planned(typed(30.0, 90.0)).hole.outline
    assert np.ptp(hole[[0, -1]] @ along) == pytest.approx(np.ptp(closed @ along), abs=1e-3)
    # Everything that the tube needs on its way in lies inside.
    inside = (hole @ along).min(), (hole @ along).max()
    for far in np.linspace(0.0, 40.0, 9):
        moved = closed + far * np.sign((start - CENTRE[:2]) @ normal) * normal
        assert inside[0] - 1e-6 <= (moved @ along).min()
        assert (moved @ along).max() <= inside[1] + 1e-6


def test_land_to_the_edge_is_told_and_a_thin_one_named() -> None:
    wide = planned(typed(), edge=("left", "right"))
    assert wide.hole.land_mm == pytest.approx(50.0 - 22.0, abs=1e-3)
    thin = planned(typed(), 23.0, edge=("left", "right"))
    assert any("that is thin" in s for s in thin.sentences)


# --- from a survey --------------------------------------------------------------------------


def panel_survey(slant: float = 25.0, sigma_mm: float = 0.1) -> Survey:
    poses, pointers = {}, []
    for n, (name, place) in enumerate(zip(NAMES, MARKS, strict=True)):
        pointers.append(PointerSpec(id=n, side_mm=20.0, reach_mm=25.0, part="dash", name=name))
        turn = exp(np.array([0.0, 0.0, 1.1 * n]))
        poses[n] = Rigid(turn, place + 25.0 * turn[:, 1])
    cuffs = (cuff(100, "hoop"), cuff(120, "hoop"))
    for c, far in zip(cuffs, (60.0, 220.0), strict=True):
        poses[c.first_id] = on_axis(CENTRE, lean(slant, 40.0), far)
    return known_survey(Kit(pointer=tuple(pointers), cuff=cuffs), poses, sigma_mm=sigma_mm)


def surveyed(survey: Survey) -> PanelTube:
    return surveyed_panel(
        survey, marks_named(survey, NAMES, "--mark"), axis_named(survey, "hoop", "--tube")
    )


def test_a_surveyed_panel_gives_the_hole_of_the_typed_one() -> None:
    found, wanted = surveyed(panel_survey()), typed(25.0, 40.0)
    np.testing.assert_allclose(found.at.marks, wanted.at.marks, atol=1e-6)
    np.testing.assert_allclose(found.at.centre, wanted.at.centre, atol=1e-6)
    assert found.at.slant_rad == pytest.approx(wanted.at.slant_rad, abs=1e-9)
    assert found.at.heading_rad == pytest.approx(wanted.at.heading_rad, abs=1e-6)
    assert found.od_mm == 38.0
    # The first cuff stands 60 mm off the face; its own half is measured too.
    assert found.beyond_mm == pytest.approx(60.0 - 25.0, abs=1e-6)


def test_u_of_place_and_slant_covers_surveys_drawn_at_random() -> None:
    """JCGM 101 by drawing; k = 2 covers about 95 of 100."""
    survey = panel_survey()
    plan = planned(surveyed(survey))

    def values(drawn: Survey) -> Array:
        at = surveyed(drawn).at
        return np.array([*at.centre, math.degrees(at.slant_rad)])

    expanded = np.array([q.expanded for q in plan.numbers])
    share = coverage(survey, values, expanded, draws=250)
    assert (share > 0.9).all()
    assert (share < 0.99).all()
    assert place_u(plan.request.source) == pytest.approx(
        max(expanded[:2]), rel=0.5
    )  # the worst direction, at least as large as either axis
    assert (place_u(plan.request.source) or 0.0) >= max(expanded[:2]) - 1e-9


# --- paper and DXF --------------------------------------------------------------------------


def lines_across(page: PrintedPage, y_mm: float) -> Array:
    """Places in mm of upright lines that a level line crosses, right of the ruler."""
    profile = page.black(22.0, page.width_mm - 10.0, y_mm - 0.05, y_mm + 0.05).mean(axis=0)
    dark = np.flatnonzero(profile > 0.3)
    if len(dark) == 0:
        return np.zeros(0)
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    centres = np.array([np.average(r, weights=profile[r]) for r in runs])
    return np.asarray(22.0 + (centres + 0.5) / float(page.px_per_mm[0]))


def test_the_printed_template_has_hole_and_crosses_at_true_size(tmp_path: Path) -> None:
    plan = planned(typed(30.0, 90.0), edge=None)
    written = write_opening(plan, tmp_path, cope_format("a4"))
    page = Printed(written.paths[0], dpi=600.0).pages[0]
    for axis in (0, 1):
        assert page.ruler_mm(axis) == pytest.approx(150.0, abs=0.03)
    # A level line through the upright arms of the two lower crosses meets nothing else.
    places = np.arange(30.0, page.height_mm - 40.0, 0.25)
    seen = [(y, lines_across(page, y)) for y in places]
    arms = [y for y, x in seen if len(x) == 2 and abs(x[1] - x[0] - 160.0) < 0.06]
    arms = [y for y in arms if max(arms) - y < 12.0]
    assert max(arms) - min(arms) > 7.0
    # The hole's centre lies 50 mm above; it is 44 mm wide, its length lies upright.
    middle = 0.5 * (max(arms) + min(arms)) - 50.0
    chords = [x[-1] - x[0] for y, x in seen if abs(y - middle) < 21.0]
    assert max(chords) == pytest.approx(44.0, abs=0.06)
    words = " ".join(page.text.split())
    for said in ("left (0.0, 0.0)", "right (160.0, 0.0)", "CUT OUT", "Dry-fit before cutting",
                 "does not approve", "hot work", "150.0 mm"):  # fmt: skip
        assert said in words, said


def test_a_panel_with_marks_from_door_to_door_has_a_template_of_the_near_ones() -> None:
    marks = np.vstack([MARKS, [[900.0, -60.0, 0.0], [-800.0, -50.0, 0.0]]])
    through = np.array([CENTRE, np.add(CENTRE, [0.0, 0.0, 50.0])])
    source = typed_panel((*NAMES, "far right", "far left"), marks, through, 38.0)
    plan = planned(source, edge=("far left", "far right"))
    drawing = opening_drawing(plan)
    assert drawing.width < 450.0
    words = " ".join(label.words for label in drawing.labels)
    assert "top (" in words
    assert "far" not in words


def test_the_dxf_reads_back_in_millimetres_with_the_cut_on_its_layer(tmp_path: Path) -> None:
    from ezdxf.entities.lwpolyline import LWPolyline
    from ezdxf.filemanagement import read

    plan = planned(typed(30.0, 0.0))
    written = write_opening(plan, tmp_path, cope_format("a4"))
    document = read(io.StringIO(written.paths[1].read_text(encoding="utf-8")))
    assert document.units == 4
    (cut,) = [
        np.array(line.get_points("xy")) for line in document.modelspace()
        if isinstance(line, LWPolyline) and line.dxf.layer == "CUT"
    ]  # fmt: skip
    assert np.ptp(cut[:, 0]) == pytest.approx(44.0 / math.cos(math.radians(30.0)), abs=1e-3)
    assert np.ptp(cut[:, 1]) == pytest.approx(44.0, abs=1e-3)
    np.testing.assert_allclose(cut[0], cut[-1], atol=1e-9)
    assert not document.audit().errors
    stored = read_json(written.paths[2], OpeningFile)
    assert stored.slant_deg == pytest.approx(30.0)
    assert "Dry-fit" in stored.caution


# --- refusals -------------------------------------------------------------------------------


def test_a_curved_panel_is_refused_with_what_to_do() -> None:
    bent = MARKS.copy()
    bent[[0, 2], 2] = 6.0
    with pytest.raises(DataError, match="cannot be drawn flat"):
        planned(typed(marks=bent))
    assert planned(typed(marks=bent), flat_mm=5.0).hole is not None


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"edge": ("left", "nowhere")}, "name two different marks"),
        ({"edge": ("left", "left")}, "name two different marks"),
        ({"slot": True}, "needs the panel's edge"),
        ({"slot": True, "edge": ("left", "right"), "slide_deg": 80.0}, "-60 to 60"),
        ({"thickness_mm": -1.0}, "give 0 to 100"),
    ],
)
def test_an_opening_that_cannot_be_is_refused(more: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        planned(typed(), **more)


def test_a_hole_past_the_edge_or_a_tube_along_the_panel_is_refused() -> None:
    with pytest.raises(InputError, match="--slot"):
        planned(typed(), 40.0, edge=("left", "right"))
    with pytest.raises(InputError, match="15 deg or more is possible"):
        typed(80.0, 0.0)
    with pytest.raises(DataError, match="on one line"):
        typed(marks=MARKS * [1.0, 0.0, 1.0])
    with pytest.raises(InputError, match="needs three marks"):
        typed_panel(("a", "b"), MARKS[:2], np.array([CENTRE, CENTRE + 1.0]), 38.0)


def test_a_name_that_cannot_be_printed_is_refused_before_anything_is_written(
    tmp_path: Path,
) -> None:
    plan = planned(typed())
    bad = replace(plan, request=replace(plan.request, name="two\nlines"))
    with pytest.raises(InputError, match="cannot be printed"):
        write_opening(bad, tmp_path, cope_format("a4"))
    assert not list(tmp_path.iterdir())
