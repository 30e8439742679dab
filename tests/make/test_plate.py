"""Foot plates: bend allowance of a standard, patterns folded back in space, areas, rules, U."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from known_surveys import coverage, known_survey, somewhere
from printed import Printed
from scipy.spatial.transform import Rotation

from fitscan.errors import DataError, InputError
from fitscan.geometry.rigid import Rigid
from fitscan.make.cope_file import cope_format
from fitscan.make.flat_marks import marks_named
from fitscan.make.plate import FlatPlate, Sheet
from fitscan.make.plate_file import PlateFile, write_plate
from fitscan.make.plate_plan import PlatePlan, PlateRequest, plan_plate
from fitscan.make.plate_rule import PlateRule, asked_rule, read_plate_rule
from fitscan.make.plate_source import PlateFaces, asked_sheet, surveyed_faces, typed_faces
from fitscan.markers.kit import Kit, PointerSpec
from fitscan.store.json_file import read_json
from fitscan.survey.survey import Survey

Array = npt.NDArray[np.float64]

FLOOR = np.array([[0.0, 0, 0], [120.0, 0, 0], [120.0, 80.0, 0], [0.0, 80.0, 0]])
ABOVE = np.array([60.0, -400.0, 300.0])
BEYOND = np.array([60.0, 400.0, 300.0])


def sill(deg: float = 90.0, start: float = 15.0, height: float = 70.0, spare: float = 5.0) -> Array:
    """A face that rises from y = 100 at an angle to the floor, towards a viewer from above."""
    a = math.radians(deg)
    way = np.array([0.0, math.cos(a), math.sin(a)])
    base = np.array([0.0, 100.0, 0.0])
    left, right = spare, 120.0 - spare
    rows = [(left, start), (right, start), (right, height), (left, height)]
    return np.array([base + [x, 0.0, 0.0] + far * way for x, far in rows])


def flat(
    faces: list[Array], sheet: Sheet, world: Rigid | None = None, seen_from: Array = ABOVE
) -> FlatPlate:
    world = world or Rigid.identity()
    return typed_faces([world.apply(f) for f in faces], world.apply(seen_from)).unfolded(sheet)


def plan(faces: list[Array], sheet: Sheet, **more: Any) -> PlatePlan:
    source = typed_faces(faces, ABOVE, u_mm=more.pop("u_mm", None))
    return plan_plate(PlateRequest("foot", source, sheet, **more))


def test_a_right_angle_has_the_flat_length_of_the_standard() -> None:
    """DIN 6935 (from memory): flat length a + b + v over outer dimensions, for 90 deg

    v = pi / 2 (r + s k / 2) - 2 (r + s), its k being twice the k-factor.
    """
    r, s, k = 4.0, 3.0, 0.42
    plate = flat([FLOOR, sill(90.0)], Sheet(s, r, k))
    v = math.pi / 2.0 * (r + s / 2.0 * (2.0 * k)) - 2.0 * (r + s)
    assert np.ptp(plate.outline[:, 1]) == pytest.approx(100.0 + 70.0 + v, abs=1e-9)


def test_over_an_outer_corner_the_inner_side_touches() -> None:
    """The same standard, dimensions to the inner sharp corner: outer ones less the thickness."""
    r, s, k = 4.0, 3.0, 0.42
    down = sill(-90.0)
    plate = flat([FLOOR, down], Sheet(s, r, k), seen_from=BEYOND)
    v = math.pi / 2.0 * (r + s / 2.0 * (2.0 * k)) - 2.0 * (r + s)
    outer = (100.0 + s) + (70.0 + s)
    assert np.ptp(plate.outline[:, 1]) == pytest.approx(outer + v, abs=1e-9)
    assert not plate.folds[0].inner_corner
    assert flat([FLOOR, sill()], Sheet(s, r, k)).folds[0].inner_corner


def folded_back(plate: FlatPlate, sheet: Sheet) -> list[Array]:
    """Corners in space, by bending the pattern's touching surface round each fold in turn."""
    place = Rigid.identity()
    out = []
    for n, spots in enumerate(plate.corners):
        points = np.column_stack([spots, np.zeros(len(spots))])
        if n == 0:
            out.append(points)
            continue
        fold = plate.folds[n - 1]
        a = np.append(fold.starts[0], 0.0)
        x = np.append(fold.starts[1] - fold.starts[0], 0.0)
        x = x / np.linalg.norm(x)
        y = np.array([-x[1], x[0], 0.0])
        # The touching surface runs on an arc about an axis over (or under) the bend's start.
        over = 1.0 if fold.inner_corner else -1.0
        radius = sheet.radius_mm + (sheet.thickness_mm if fold.inner_corner else 0.0)
        axis = a + over * radius * np.array([0.0, 0.0, 1.0])
        turn = Rotation.from_rotvec(over * fold.angle_rad * x).as_matrix()
        bend = Rigid(turn, axis - turn @ axis)
        back = Rigid(np.eye(3), -fold.allowance_mm * y)
        place = place @ bend @ back
        out.append(place.apply(points))
    return out


@pytest.mark.parametrize(("first", "second"), [(90.0, None), (62.0, None), (115.0, -55.0)])
def test_a_pattern_folded_back_puts_every_corner_where_it_was(
    first: float, second: float | None
) -> None:
    faces = [FLOOR, sill(first)]
    if second is not None:
        # A third face over the sill's top edge, turned a little: the folds are not parallel.
        a = math.radians(first + second)
        top = faces[1][[3, 2]].mean(axis=0) + 15.0 * np.array(
            [0.0, math.cos(math.radians(first)), math.sin(math.radians(first))]
        )
        way = np.array([0.06, math.cos(a), math.sin(a)])
        faces.append(
            np.array([top + [x, 0, 0] + far * way for far in (15.0, 50.0) for x in (-40.0, 40.0)])
        )
    sheet = Sheet(3.0, 4.0, 0.4)
    back = np.vstack(folded_back(flat(faces, sheet, somewhere(5)), sheet))
    truth = np.vstack(faces)
    apart = np.linalg.norm(truth[:, None] - truth[None], axis=2)
    seen = np.linalg.norm(back[:, None] - back[None], axis=2)
    np.testing.assert_allclose(seen, apart, atol=1e-8)


def test_one_face_has_the_area_of_its_corners() -> None:
    plate = flat([FLOOR], Sheet(3.0), somewhere(2))
    assert plate.area_mm2 == pytest.approx(120.0 * 80.0)
    assert plate.folds == ()
    assert len(plate.outline) == 5


def test_the_patterns_area_is_that_of_its_faces_and_bends() -> None:
    plate = flat([FLOOR, sill()], Sheet(3.0, 3.0, 0.4))
    strip = plate.folds[0].allowance_mm * 120.0
    assert plate.area_mm2 == pytest.approx(sum(plate.face_areas_mm2) + strip, abs=1e-6)


def test_the_pattern_is_seen_from_the_side_of_the_metal() -> None:
    """Corners that run anticlockwise for one who looks at the faces do so on the print."""
    plate = flat([FLOOR, sill()], Sheet(3.0, 3.0, 0.4))
    x, y = plate.corners[0].T
    assert float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 0.0


# --- the rule -------------------------------------------------------------------------------

SETTINGS = """
# Third parties' transcript of FIA Appendix J, Art. 253-8 (2009 text): check the current year.
[[plate_rule]]
name = "FIA 253-8, 2009 text"
area_cm2 = 120.0
thickness_mm = 3.0
note = "check the current year"

[[plate_rule]]
name = "FIA 253-8 backstay, 2009 text"
area_cm2 = 60.0
thickness_mm = 3.0
"""


def test_a_rule_is_read_by_name(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(SETTINGS)
    assert read_plate_rule(file, "FIA 253-8, 2009 text").area_cm2 == 120.0
    with pytest.raises(InputError, match="name one with --rule"):
        read_plate_rule(file, None)
    with pytest.raises(InputError, match="no rule 'other'"):
        read_plate_rule(file, "other")
    file.write_text("[[plate_rule]]\nname = 'x'\narea = 3\n")
    with pytest.raises(InputError, match="area"):
        read_plate_rule(file, "x")
    with pytest.raises(InputError, match="--settings"):
        asked_rule(None, "x")


@pytest.mark.parametrize(
    ("area", "u_mm", "verdict"),
    [(90.0, 0.1, "above"), (110.0, 0.1, "below"), (96.0, 0.1, "cannot be decided")],
)
def test_area_is_held_against_the_rule_with_u_taken_off(
    area: float, u_mm: float, verdict: str
) -> None:
    """A plate of 96.0 cm2 against 90, 110 and 96 cm2."""
    rule = PlateRule(name="book", area_cm2=area, thickness_mm=3.0)
    made = plan([FLOOR], Sheet(2.5), rule=rule, u_mm=u_mm)
    assert made.area_cm2 == pytest.approx(96.0)
    assert made.against[0].verdict == verdict
    assert made.against[1].verdict == "below"
    said = " ".join(made.sentences)
    assert "no approval" in said
    assert "approved" not in said


# --- U --------------------------------------------------------------------------------------


def plate_survey() -> Survey:
    poses, pointers = {}, []
    faces = [(FLOOR, np.array([0.0, 0, 1.0])), (sill(70.0), np.array([0.0, -1.0, 0.4]))]
    for f, (corners, z) in enumerate(faces):
        z = np.cross(corners[1] - corners[0], corners[3] - corners[0])
        z = z / np.linalg.norm(z)
        x = np.cross([0.2, 0.9, 0.4], z)
        x /= np.linalg.norm(x)
        rotation = np.column_stack([x, np.cross(z, x), z])
        for k, corner in enumerate(corners):
            own = PointerSpec(
                id=10 * f + k, side_mm=20.0, reach_mm=25.0, part="shell", name=f"{f + 1}{'abcd'[k]}"
            )
            pointers.append(own)
            poses[own.id] = Rigid(rotation, corner + 25.0 * rotation[:, 1])
    return known_survey(Kit(pointer=tuple(pointers)), poses)


def surveyed(survey: Survey) -> PlateFaces:
    groups = [[f"{f}{k}" for k in "abcd"] for f in (1, 2)]
    return surveyed_faces(survey, [marks_named(survey, g, "--face") for g in groups])


def test_a_surveyed_plate_is_the_typed_one_and_its_u_covers_drawn_surveys() -> None:
    """JCGM 101 by drawing; k = 2 covers about 95 of 100."""
    survey, sheet = plate_survey(), Sheet(3.0, 3.0, 0.4)
    made = plan_plate(PlateRequest("foot", surveyed(survey), sheet))
    typed = flat([FLOOR, sill(70.0)], sheet)
    assert made.plate.area_mm2 == pytest.approx(typed.area_mm2, rel=1e-9)

    def values(drawn: Survey) -> Array:
        plate = surveyed(drawn).unfolded(sheet)
        return np.array([plate.area_mm2 / 100.0, math.degrees(plate.folds[0].angle_rad)])

    share = coverage(survey, values, np.array([q.expanded for q in made.numbers]), draws=250)
    assert (share > 0.9).all()
    assert (share < 0.99).all()


# --- paper and DXF --------------------------------------------------------------------------


def test_the_printed_pattern_and_the_dxf_have_the_true_size(tmp_path: Path) -> None:
    from ezdxf.entities.lwpolyline import LWPolyline
    from ezdxf.filemanagement import read

    made = plan([FLOOR, sill(spare=0.0)], Sheet(3.0, 3.0, 0.4), u_mm=0.3)
    written = write_plate(made, tmp_path, cope_format("a4"), picture=b"png")
    assert [p.name for p in written.paths] == ["plate.pdf", "plate.dxf", "plate.json", "plate.png"]
    page = Printed(written.paths[0], dpi=600.0).pages[0]
    assert page.ruler_mm(0) == pytest.approx(150.0, abs=0.03)
    # The lower edge is the longest level line of the drawing: 120 mm, between the corners' crosses.
    dark = page.black(20.0, page.width_mm, 20.0, page.height_mm - 32.0) > 0.5
    longest = max(run_length(row) for row in dark) / float(page.px_per_mm[0])
    # Crosses reach 2.5 mm beyond at the lower corners.
    assert longest == pytest.approx(120.0 + 5.0, abs=0.4)
    upright = max(run_length(row) for row in dark.T) / float(page.px_per_mm[1])
    # The sides: floor and sill to where the bend starts, bend allowance, half a cross at each end.
    side = (100.0 - 6.0) + math.pi / 2.0 * (3.0 + 0.4 * 3.0) + (70.0 - 6.0)
    assert upright == pytest.approx(side + 5.0, abs=0.4)
    document = read(io.StringIO(written.paths[1].read_text(encoding="utf-8")))
    lines = [e for e in document.modelspace() if isinstance(e, LWPolyline)]
    (cut,) = [np.array(e.get_points("xy")) for e in lines if e.dxf.layer == "CUT"]
    (fold,) = [np.array(e.get_points("xy")) for e in lines if e.dxf.layer == "FOLD"]
    x, y = cut[:-1].T
    area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    assert area / 100.0 == pytest.approx(made.area_cm2, abs=1e-6)
    assert np.linalg.norm(fold[1] - fold[0]) == pytest.approx(120.0, abs=1e-9)
    assert document.units == 4
    stored = read_json(written.paths[2], PlateFile)
    assert stored.area_cm2 == pytest.approx(made.area_cm2)
    assert "Dry-fit" in stored.caution
    words = " ".join(page.text.split())
    for said in ("fold 1: 90.0 deg towards you", "DRY-FIT IN CARD FIRST", "does not approve"):
        assert said in words, said


def run_length(row: npt.NDArray[np.bool_]) -> int:
    """Longest run of dark pixels."""
    padded = np.concatenate([[False], row, [False]])
    steps = np.flatnonzero(np.diff(padded.astype(int)))
    return int((steps[1::2] - steps[::2]).max()) if len(steps) else 0


# --- refusals -------------------------------------------------------------------------------


def test_a_plate_that_cannot_be_is_refused_with_what_would_be_possible() -> None:
    with pytest.raises(DataError, match="lie in one plane"):
        plan([FLOOR, np.add(FLOOR, [0.0, 90.0, 0.0])], Sheet(3.0, 3.0, 0.4))
    with pytest.raises(DataError, match="on one line"):
        plan([FLOOR * [1.0, 0.0, 0.0]], Sheet(3.0))
    with pytest.raises(InputError, match="smaller inside radius"):
        plan([FLOOR, sill(start=2.0)], Sheet(3.0, 8.0, 0.4))
    with pytest.raises(InputError, match="k-factor"):
        plan([FLOOR, sill()], Sheet(3.0, 3.0, 0.9))
    with pytest.raises(InputError, match="its plane needs three"):
        typed_faces([FLOOR[:2]], ABOVE)
    bent = FLOOR.copy()
    bent[[0, 2], 2] = 4.0
    with pytest.raises(DataError, match="not flat"):
        plan([bent], Sheet(3.0))
    with pytest.raises(InputError, match="--k-factor"):
        asked_sheet(typed_faces([FLOOR, sill()], ABOVE), 3.0, 3.0, None)
