"""What is drawn on photos, against truth that OpenCV projects and Pillow's rules turn upright."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise

import cv2
import numpy as np
import pytest
from cabins import (
    BEND,
    HEIGHT,
    LEGS,
    LENS,
    OD_MM,
    ORIENTATIONS,
    SHIFT_MM,
    WIDTH,
    Cabin,
    cameras,
    truth_poses,
)
from numpy.typing import NDArray

from fitscan.fit.gap import find_gap
from fitscan.fit.recheck import recheck
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rigid import Rigid
from fitscan.report.drawing import Drawing
from fitscan.report.overlay import (
    gap_drawing,
    gap_points,
    recheck_drawing,
    recheck_points,
    survey_drawing,
    worst_gap_points,
)
from fitscan.report.view import CLOSE_UP, PhotoView
from fitscan.report.words import SHORT_CAUTION, amount

FloatArray = NDArray[np.float64]

# Where a sensor's pixel (x, y) lies in the upright picture of W x H sensor pixels, written out
# from EXIF 2.32 (CIPA DC-008), tag 0x0112: which side row 0 and column 0 are on.
UPRIGHT = {
    1: lambda x, y: (x, y),
    3: lambda x, y: (WIDTH - 1 - x, HEIGHT - 1 - y),
    6: lambda x, y: (HEIGHT - 1 - y, x),
    8: lambda x, y: (y, WIDTH - 1 - x),
}


def truth_in(view: PhotoView, photo: int, x_in_world: FloatArray) -> FloatArray:
    """Places (n, 2) in the picture of points (n, 3) of the true world."""
    cam = cameras()[photo]
    turn, _ = cv2.Rodrigues(cam.rotation)
    factor = 1.0 + 0.001 * (photo - 2)
    matrix = LENS.camera_matrix * np.array([[factor, 1, 1], [1, factor, 1], [1, 1, 1]])
    out, _ = cv2.projectPoints(x_in_world, turn, cam.translation, matrix, LENS.distortion)
    x, y = np.asarray(out, dtype=np.float64).reshape(-1, 2).T
    upright = np.stack(UPRIGHT[ORIENTATIONS[photo]](x + 0.4 * photo - 1.0, y + 0.3), axis=-1)
    c = view.crop
    scale = np.array([c.shown_width / c.width, c.shown_height / c.height])
    return np.asarray((upright - [c.left, c.top] + 0.5) * scale - 0.5)


def distance_to_strokes(places: FloatArray, strokes: list[FloatArray]) -> FloatArray:
    """Distance (n,) of places from the nearest of some polylines."""
    best = np.full(len(places), np.inf)
    for line in strokes:
        for a, b in pairwise(line):
            ab = b - a
            share = np.clip((places - a) @ ab / max(float(ab @ ab), 1e-12), 0.0, 1.0)
            best = np.minimum(best, np.linalg.norm(places - a - share[:, None] * ab, axis=1))
    return best


def view_of(cabin: Cabin, photo: int, *, cropped: bool = True) -> PhotoView:
    entry = cabin.shut.photos[photo]
    return PhotoView.of(cabin.shut, entry, gap_points(cabin.gap) if cropped else None)


def drawn(cabin: Cabin, photo: int) -> tuple[Drawing, PhotoView]:
    view = view_of(cabin, photo)
    return gap_drawing(cabin.gap, cabin.shut, cabin.opened, view), view


def bar_in_world(leg: int) -> tuple[FloatArray, FloatArray]:
    """The true axis of a straight between its cuffs (n, 3), and its direction."""
    axis = LEGS[leg] / np.linalg.norm(LEGS[leg])
    return BEND + np.linspace(90.0, 420.0, 50)[:, None] * axis, axis


@pytest.mark.parametrize("photo", [0, 1, 2, 3])
def test_the_bars_outline_lies_on_the_rim_of_the_true_tube(cabin: Cabin, photo: int) -> None:
    drawing, view = drawn(cabin, photo)
    outline = [s.places for s in drawing.of_role("tube outline", "door bar")]
    eye = cameras()[photo].inverse().translation
    for leg in (0, 1):
        points, axis = bar_in_world(leg)
        # Rim by brute force: of each true ring, the two points farthest from the drawn axis line.
        first = np.cross(axis, points[0] - eye)
        first /= np.linalg.norm(first)
        second = np.cross(axis, first)
        middle = truth_in(view, photo, points)
        for sign in (1.0, -1.0):
            rim = []
            for i in range(1, len(points) - 1):
                angle = np.radians(np.arange(-90.0, 90.0, 0.25))[:, None]
                ring = points[i] + OD_MM / 2 * (
                    sign * np.cos(angle) * first + np.sin(angle) * second
                )
                places = truth_in(view, photo, ring)
                along = middle[i + 1] - middle[i - 1]
                normal = np.array([-along[1], along[0]])
                rim.append(places[np.argmax(np.abs((places - middle[i]) @ normal))])
            assert distance_to_strokes(np.array(rim), outline).max() < 2.0


@pytest.mark.parametrize("photo", [0, 1, 2, 3])
def test_the_bars_axis_and_the_seat_carried_over_are_drawn_at_their_true_places(
    cabin: Cabin, photo: int
) -> None:
    drawing, view = drawn(cabin, photo)
    poses = truth_poses()
    for first, role, of in ((100, "tube axis", "door bar"), (200, "seat axis", "door bar seat")):
        strokes = [s.places for s in drawing.of_role(role, of)]
        for leg in (0, 24):
            ends = [poses[first + leg + n].translation for n in (0, 12)]
            line = np.linspace(ends[0], ends[1], 40)
            assert distance_to_strokes(truth_in(view, photo, line), strokes).max() < 0.5


def test_each_station_has_its_whisker_from_seat_to_bar_and_its_label(cabin: Cabin) -> None:
    drawing, view = drawn(cabin, 0)
    shut_from_open = cabin.gap.alignment.a_from_b.inverse()
    texts = {label.of: label.text for label in drawing.labels}
    for number, s in enumerate(cabin.gap.stations, 1):
        of = f"station {number}"
        (whisker,) = drawing.of_role("whisker", of)
        ends = shut_from_open.apply(np.array([s.seated_mm, s.bar_mm]))
        world = cabin.shut_from_world.inverse().apply(ends)
        assert np.abs(whisker.places - truth_in(view, 0, world)).max() < 0.5
        assert texts[of] == amount(s.total_mm, s.total_expanded_mm, "mm")
    assert texts["station 1"].startswith("3.3")
    assert all(label.shape == "s" for label in drawing.labels)
    assert {s.verdict for s in cabin.gap.stations} == {Verdict.OUT}


def test_labels_neither_overlap_nor_leave_the_picture(cabin: Cabin) -> None:
    for photo in (0, 1, 2, 3):
        drawing, _ = drawn(cabin, photo)
        boxes = [label.box for label in drawing.labels]
        for left, top, right, bottom in boxes:
            assert left >= 0
            assert top >= 0
            assert right < drawing.width
            assert bottom < drawing.height
        for a, b in combinations(boxes, 2):
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_the_gaps_words_give_result_u_verdict_warnings_and_caution(cabin: Cabin) -> None:
    drawing, _ = drawn(cabin, 0)
    words = " ".join(drawing.lines)
    assert drawing.heading.startswith("door bar: 3.")
    assert "off its seat" in drawing.heading
    assert "k = 2" in words
    assert "18 of 18 stations are outside 2 mm" in words
    assert "true place and size" in words
    assert "P1000.jpg" in words
    assert "door_open" in words
    assert any("No rule was measured" in w for w in drawing.warnings)
    assert drawing.caution == SHORT_CAUTION
    assert drawing.factor == 1.0


def test_the_legend_names_what_is_drawn_and_nothing_else(cabin: Cabin) -> None:
    drawing, _ = drawn(cabin, 1)
    roles = {k.role for k in drawing.legend}
    assert roles == {"tube outline", "seat outline", "whisker", "marker", "symbol", "arrow"}
    with_cross, _ = drawn(cabin, 0)
    assert "left out" in {k.role for k in with_cross.legend}


def test_a_square_left_out_of_one_photo_is_crossed_out_there_only(cabin: Cabin) -> None:
    first, _ = drawn(cabin, 0)
    second, _ = drawn(cabin, 1)
    assert [c.of for c in first.crosses] == ["tag 34"]
    assert second.crosses == ()
    view = view_of(cabin, 0)
    centre = truth_in(view, 0, truth_poses()[34].translation[None])[0]
    assert np.linalg.norm(first.crosses[0].lines.mean(axis=(0, 1)) - centre) < 1.0


def test_a_marker_that_moved_is_crossed_out_and_named(cabin: Cabin) -> None:
    poses = dict(zip(cabin.opened.markers, cabin.opened.poses, strict=True))
    poses[33] = Rigid(poses[33].rotation, poses[33].translation + np.array([3.0, 0.0, 2.0]))
    opened = replace(cabin.opened, poses=tuple(poses.values()))
    gap = find_gap(cabin.shut, "door bar", opened, "door bar seat", "trim")
    assert [m.marker_id for m in gap.alignment.moved] == [33]
    drawing = gap_drawing(gap, cabin.shut, opened, view_of(cabin, 1))
    assert [c.of for c in drawing.crosses] == ["tag 33"]
    assert "33 moved" in [label.text for label in drawing.labels]


def test_measured_markers_are_outlined_where_they_are(cabin: Cabin) -> None:
    view = view_of(cabin, 0, cropped=False)
    drawing = gap_drawing(cabin.gap, cabin.shut, cabin.opened, view)
    outlined = {s.of for s in drawing.of_role("marker")}
    assert outlined == {f"tag {t}" for t in cabin.shut.photos[0].tags}
    # Tag 34's corners, with the printer's scale of the survey.
    pose, half = truth_poses()[34], np.array([0.998, 0.999]) * 15.0
    corners = np.array([[-1, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]]) * np.append(half, 0.0)
    (stroke,) = drawing.of_role("marker", "tag 34")
    expected = truth_in(view, 0, pose.apply(corners))
    assert np.abs(stroke.places[[0, 8, 16, 24]] - expected).max() < 0.5


def test_labels_of_moved_markers_keep_off_the_other_labels(cabin: Cabin) -> None:
    for photo in range(4):
        drawing, _ = rechecked(cabin, photo)
        for a, b in combinations([label.box for label in drawing.labels], 2):
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_a_tube_without_a_measured_cuff_in_the_photo_is_drawn_as_its_axis(cabin: Cabin) -> None:
    entry = cabin.shut.photos[0]
    seen = tuple(t for t in entry.tags if not 124 <= t < 160)
    view = PhotoView.of(cabin.shut, replace(entry, tags=seen))
    hidden, full = survey_drawing(cabin.shut, view), survey_drawing(cabin.shut, view_of(cabin, 0))
    assert len(hidden.of_role("tube axis", "door bar")) == 2
    assert len(full.of_role("tube outline", "door bar")) == 8
    assert len(hidden.of_role("tube outline", "door bar")) == 4
    words = "Tubes of which this photo shows no cuff are drawn as their axes."
    assert words in hidden.lines


def test_a_close_up_shows_the_worst_station_large(cabin: Cabin) -> None:
    entry = cabin.shut.photos[0]
    view = PhotoView.of(cabin.shut, entry, worst_gap_points(cabin.gap), CLOSE_UP)
    drawing = gap_drawing(cabin.gap, cabin.shut, cabin.opened, view)
    worst = max(cabin.gap.stations, key=lambda s: s.total_mm)
    number = cabin.gap.stations.index(worst) + 1
    (whisker,) = drawing.of_role("whisker", f"station {number}")
    wide, _ = drawn(cabin, 0)
    (small,) = wide.of_role("whisker", f"station {number}")
    length = [float(np.linalg.norm(np.diff(w.places, axis=0))) for w in (whisker, small)]
    assert length[0] > 2.0 * length[1]
    assert np.all(whisker.places > 0.25 * np.array([drawing.width, drawing.height]))
    assert np.all(whisker.places < 0.75 * np.array([drawing.width, drawing.height]))
    assert any("enlarged" in line for line in drawing.lines)


# ---------------------------------------------------------------- recheck


def rechecked(cabin: Cabin, photo: int = 0) -> tuple[Drawing, PhotoView]:
    entry = cabin.now.photos[photo]
    view = PhotoView.of(cabin.now, entry, recheck_points(cabin.recheck))
    return recheck_drawing(cabin.recheck, cabin.record, cabin.now, view), view


def test_arrows_lead_back_to_the_record_and_are_as_long_as_the_factor_says(cabin: Cabin) -> None:
    drawing, view = rechecked(cabin)
    assert drawing.factor in (5.0, 10.0, 20.0, 50.0, 100.0)
    poses = truth_poses()
    arrows = {a.of: a for a in drawing.arrows}
    assert {"marker 100", "marker 136"} <= set(arrows)
    for m in (100, 136):
        now = poses[m].translation + SHIFT_MM
        back = now - drawing.factor * SHIFT_MM
        tail, head = truth_in(view, 0, np.stack([now, back]))
        arrow = arrows[f"marker {m}"]
        assert np.linalg.norm(arrow.tail - tail) < 0.5
        assert np.linalg.norm(arrow.head - head) < 1.0 + 0.02 * np.linalg.norm(head - tail)
    longest = max(float(np.linalg.norm(a.head - a.tail)) for a in drawing.arrows)
    assert 0.03 * drawing.width < longest < 0.25 * drawing.width


def test_the_exaggeration_is_said_in_the_words_and_in_the_legend(cabin: Cabin) -> None:
    drawing, _ = rechecked(cabin)
    assert any(f"drawn {drawing.factor:g} times too long" in line for line in drawing.lines)
    (key,) = (k for k in drawing.legend if k.role == "arrow")
    assert f"{drawing.factor:g} x" in key.text
    assert "move it this way" in key.text
    assert any(k.text.startswith("where it was recorded") for k in drawing.legend)


def test_the_largest_shifts_are_labelled_with_u(cabin: Cabin) -> None:
    drawing, _ = rechecked(cabin, 5)  # the photo that shows all of the cage
    worst = max(cabin.recheck.shifts, key=lambda s: s.size_mm)
    text = amount(worst.size_mm, worst.size_expanded_mm, "mm")
    assert text in [label.text for label in drawing.labels]
    assert worst.size_mm == pytest.approx(np.linalg.norm(SHIFT_MM), abs=0.01)


def test_the_recorded_and_the_present_tube_are_both_at_their_true_places(cabin: Cabin) -> None:
    drawing, view = rechecked(cabin)
    poses = truth_poses()
    for role, shift in (("tube axis", SHIFT_MM), ("seat axis", np.zeros(3))):
        strokes = [s.places for s in drawing.of_role(role, "door bar")]
        line = np.linspace(poses[100].translation, poses[112].translation, 30) + shift
        assert distance_to_strokes(truth_in(view, 0, line), strokes).max() < 0.5


def test_where_no_shift_is_proven_there_is_no_arrow(cabin: Cabin) -> None:
    still = recheck(cabin.record, cabin.record, "cage", "shell")
    entry = cabin.record.photos[0]
    view = PhotoView.of(cabin.record, entry, recheck_points(still))
    drawing = recheck_drawing(still, cabin.record, cabin.record, view)
    assert drawing.arrows == ()
    assert drawing.factor == 1.0
    assert len(drawing.symbols) >= 4
    assert any(k.text == "no shift proven here" for k in drawing.legend)
    assert any("no shift or turn is proven" in line for line in drawing.lines)


# ---------------------------------------------------------------- survey


def test_a_survey_picture_names_each_measured_marker(cabin: Cabin) -> None:
    view = view_of(cabin, 0, cropped=False)
    drawing = survey_drawing(cabin.shut, view)
    named = {label.text for label in drawing.labels}
    assert {"30", "34", "100", "124"} <= named
    assert "0" not in named  # tag 0 lies outside this photo
    assert drawing.heading == "Survey door_shut: 31 markers"
    assert drawing.warnings == cabin.shut.quality.warnings


def test_an_arrow_pushes_the_bar_towards_its_seat_at_the_worst_place(cabin: Cabin) -> None:
    view = view_of(cabin, 0)
    drawing = gap_drawing(cabin.gap, cabin.shut, cabin.opened, view)
    pushes = [a for a in drawing.arrows if a.of.startswith("push")]
    assert pushes
    poses = truth_poses()
    for arrow in pushes:
        number = int(arrow.of.split()[-1])
        straight = next(s for s in cabin.gap.straights if s.number == number)
        worst = max(straight.stations, key=lambda s: s.total_mm)
        # In the cabin the seat lies from the bar the way its cuffs lie from the bar's.
        first = 100 if number == 1 else 124
        away = poses[first + 100].translation - poses[first].translation
        way = away / np.linalg.norm(away)
        bar = cabin.gap.alignment.a_from_b.inverse().apply(worst.bar_mm)
        in_world = cabin.shut_from_world.inverse().apply(bar)
        head = in_world - 0.5 * OD_MM * way
        tip, ahead = truth_in(view, 0, np.stack([head, head + 5.0 * way]))
        assert arrow.head == pytest.approx(tip, abs=0.5)
        drawn = (arrow.head - arrow.tail) / np.linalg.norm(arrow.head - arrow.tail)
        assert drawn @ (ahead - tip) / np.linalg.norm(ahead - tip) > 0.99
    assert any("direction only" in key.text for key in drawing.legend)


def test_a_gap_that_is_not_proven_gets_no_arrow(cabin: Cabin) -> None:
    straights = tuple(
        replace(s, stations=tuple(replace(x, total_expanded_mm=50.0) for x in s.stations))
        for s in cabin.gap.straights
    )
    unproven = replace(cabin.gap, straights=straights)
    drawing = gap_drawing(unproven, cabin.shut, cabin.opened, view_of(cabin, 0))
    assert drawing.arrows == ()
