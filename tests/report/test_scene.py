"""The scene in a real browser without a network, and its shapes against the cabin's truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import DESK, PHONE, Opened, chromium, opened
from cabins import BEND, LEGS, OD_MM, SHIFT_MM, Cabin, truth_poses
from numpy.typing import NDArray
from playwright.sync_api import Browser

from fitscan.errors import InputError
from fitscan.fit.record_file import keep_record
from fitscan.fit.result_file import gap_document, recheck_document
from fitscan.markers.kit import Kit
from fitscan.report.scene import scene_page, scene_traces
from fitscan.report.shapes import Shapes, shapes_of
from fitscan.report.space import Space, space_of
from fitscan.store.json_file import write_json
from fitscan.survey.survey_file import write_survey

FloatArray = NDArray[np.float64]
NASTY = "</script><script>document.title = 1</script> <b>&amp;"


@dataclass(frozen=True)
class Scene:
    space: Space
    page: Path


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def folder(cabin: Cabin, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("job")
    write_survey(out / "open.json", cabin.opened)
    write_survey(out / "shut.json", cabin.shut)
    keep_record(out / "kept.json", cabin.record, "cage", "shell")
    write_json(out / "gap.json", gap_document(cabin.gap))
    write_json(out / "back.json", recheck_document(cabin.recheck))
    return out


def scene(folder: Path, *names: str) -> Scene:
    space = space_of([folder / n for n in names])
    page = folder / f"{names[-1]}.html"
    page.write_text(scene_page(space), encoding="utf-8")
    return Scene(space, page)


@pytest.fixture(scope="module")
def moved(folder: Path) -> Scene:
    return scene(folder, "kept.json", "back.json")


@pytest.fixture(scope="module")
def gapped(folder: Path) -> Scene:
    return scene(folder, "gap.json", "open.json")


# ---------------------------------------------------------------- shapes


def test_tubes_run_where_they_truly_are_in_the_cars_axes(moved: Scene) -> None:
    bar = next(t for t in moved.space.shapes.tubes if t.name == "door bar")
    assert moved.space.known
    assert bar.joined
    assert bar.od_mm == OD_MM
    start = BEND + (420.0 + 25.0) * LEGS[0] / np.linalg.norm(LEGS[0])
    end = BEND + (420.0 + 25.0) * LEGS[1] / np.linalg.norm(LEGS[1])
    told = np.stack([start, BEND, end]) - car_origin(moved)
    assert bar.path == pytest.approx(told, abs=0.01)


def car_origin(moved: Scene) -> FloatArray:
    """Where the car's origin lies in the cabin: the told place of a tag gives it away."""
    tag = next(s for s in moved.space.shapes.spots if s.marker_id == 5)
    return np.asarray(truth_poses()[5].translation - tag.place)


def test_a_bend_of_a_known_radius_is_an_arc_that_touches_both_legs(cabin: Cabin) -> None:
    plan = cabin.record.kit.model_dump()
    plan["tube"] = ({"name": "door bar", "clr_mm": 114.0},)
    survey = replace(cabin.record, kit=Kit.model_validate(plan))
    bar = next(t for t in shapes_of(survey).tubes if t.name == "door bar")
    arc = bar.path[1:-1]
    assert len(arc) >= 3
    # Bend arithmetic: arc = CLR x angle (rad), setback = CLR x tan(angle / 2).
    legs = [leg / np.linalg.norm(leg) for leg in LEGS]
    angle = np.pi - np.arccos(legs[0] @ legs[1])
    chord = np.linalg.norm(np.diff(arc, axis=0), axis=1)
    assert chord.sum() == pytest.approx(114.0 * angle, rel=2e-3)
    apex = shapes_of(cabin.record).tubes
    corner = next(t for t in apex if t.name == "door bar").path[1]
    setback = 114.0 * np.tan(angle / 2)
    assert np.linalg.norm(arc[0] - corner) == pytest.approx(setback, abs=0.01)
    assert np.linalg.norm(arc[-1] - corner) == pytest.approx(setback, abs=0.01)


def test_moves_lead_from_where_a_marker_is_to_where_it_was_recorded(moved: Scene) -> None:
    moves = [s for s in moved.space.shapes.spans if s.role == "move"]
    assert len(moves) == 6
    for move in moves:
        assert move.ends[0] - move.ends[1] == pytest.approx(SHIFT_MM, abs=0.05)
        assert "mm to move" in move.text
        assert "±" in move.text


def test_gaps_stand_at_their_true_places_and_the_seat_is_as_thick_as_the_bar(
    gapped: Scene, cabin: Cabin
) -> None:
    gaps = [s for s in gapped.space.shapes.spans if s.role == "gap"]
    assert len(gaps) == len(cabin.gap.stations)
    told = cabin.gap.stations  # the open survey has no datum of its own in the told frame
    for span, station in zip(gaps, told, strict=True):
        size = np.linalg.norm(span.ends[1] - span.ends[0])
        assert size == pytest.approx(station.total_mm)
        assert station.verdict.value in span.text
    seats = [t for t in gapped.space.shapes.tubes if t.role == "seat"]
    assert {t.od_mm for t in seats} == {OD_MM}


def test_a_result_of_another_survey_is_not_drawn_and_said_so(folder: Path) -> None:
    space = space_of([folder / "shut.json", folder / "gap.json"])
    assert [s for s in space.shapes.spans if s.role == "gap"] == []
    assert any("gap.json has no places in the frame of survey door_shut" in n for n in space.notes)
    with pytest.raises(InputError, match="2 surveys are named"):
        space_of([folder / "shut.json", folder / "open.json"])


def test_every_shape_keeps_its_form_in_another_frame(moved: Scene, cabin: Cabin) -> None:
    here, there = shapes_of(cabin.record), moved.space.shapes
    for a, b in zip(here.spots, there.spots, strict=True):
        assert a.expanded_mm == pytest.approx(b.expanded_mm)
    for tube, told in zip(here.tubes, there.tubes, strict=True):
        size = np.linalg.norm(np.diff(tube.path, axis=0), axis=1)
        assert np.linalg.norm(np.diff(told.path, axis=0), axis=1) == pytest.approx(size)
    assert len(here.eyes) == sum(p.refused is None for p in cabin.record.photos)


# ---------------------------------------------------------------- page


@pytest.fixture(scope="module")
def desk(browser: Browser, moved: Scene) -> Iterator[Opened]:
    """The scene on a computer, drawn once for all that is asked of it."""
    with opened(browser, moved.page, DESK) as seen:
        drawn(seen)
        yield seen


def drawn(seen: Opened) -> None:
    seen.page.wait_for_function(
        "document.querySelector('#scene')._fullLayout?.scene?._scene?.glplot"
    )


def test_the_scene_opens_offline_on_a_phone_and_fits_it(browser: Browser, moved: Scene) -> None:
    with opened(browser, moved.page, PHONE) as seen:
        drawn(seen)
        assert seen.complaints == []
        assert [r for r in seen.requests if not r.startswith(("file:", "data:", "blob:"))] == []
        assert seen.sees("document.documentElement.scrollWidth") <= PHONE[0]
        assert seen.sees("document.querySelector('#scene canvas').width") > 0
        said = seen.sees("document.body.innerText")
    assert "Moves are drawn" in said
    assert "approve a design" in said
    for span in moved.space.shapes.spans:
        assert span.role == "rule" or span.text in said


def screen_place(seen: Opened, point: FloatArray) -> FloatArray:
    """Where a point of the scene is on the screen, by the drawing library's own matrices."""
    found: dict[str, Any] = seen.sees(
        """(() => { const s = document.querySelector('#scene')._fullLayout.scene._scene;
            const c = s.glplot.cameraParams, r = s.container.getBoundingClientRect();
            return {model: [...c.model], view: [...c.view], projection: [...c.projection],
                    scale: s.dataScale, box: [r.left, r.top, r.width, r.height]}; })()"""
    )
    x = np.append(point * np.array(found["scale"]), 1.0)
    for name in ("model", "view", "projection"):
        x = np.array(found[name]).reshape(4, 4).T @ x  # stored column by column
    left, top, width, height = found["box"]
    return np.array([left + width * (1 + x[0] / x[3]) / 2, top + height * (1 - x[1] / x[3]) / 2])


def test_hovering_tells_name_and_mm_with_u(desk: Opened, moved: Scene) -> None:
    spot = next(s for s in moved.space.shapes.spots if s.kind == "tip")
    desk.page.locator("[data-view=above]").click()
    plot = "document.querySelector('#scene')._fullLayout.scene._scene.glplot"
    desk.page.wait_for_function(f"{plot}.cameraParams.view[10] > 0.99")
    x, y = screen_place(desk, spot.place)
    desk.page.mouse.move(x - 3, y)
    desk.page.mouse.move(x, y, steps=3)
    desk.page.wait_for_selector("#scene g.hovertext")
    said = desk.sees("document.querySelector('#scene g.hovertext').textContent")
    assert spot.name in said
    assert f"U = {spot.expanded_mm:.2f} mm" in said


def test_groups_are_hidden_and_shown_by_their_boxes(desk: Opened) -> None:
    shown = """[...document.querySelector('#scene')._fullData].filter(t => t.meta === '{}')
               .map(t => t.visible)"""
    assert not any(desk.sees(shown.format("cameras")))
    desk.page.locator("[data-group=cameras]").check()
    assert all(desk.sees(shown.format("cameras")))
    desk.page.locator("[data-group=tubes]").uncheck()
    assert not any(desk.sees(shown.format("tubes")))
    assert desk.complaints == []


def test_the_gaps_are_looked_at_closely_and_shine_through_the_bar(
    browser: Browser, gapped: Scene
) -> None:
    ends = np.concatenate([s.ends for s in gapped.space.shapes.spans if s.role == "gap"])
    with opened(browser, gapped.page, PHONE) as seen:
        drawn(seen)
        seen.page.locator("[data-closer=gaps]").click()
        scene = "document.querySelector('#scene')._fullLayout.scene"
        seen.page.wait_for_function(f"!{scene}.xaxis.autorange")
        for number, axis in enumerate("xyz"):
            low, high = seen.sees(f"{scene}.{axis}axis.range")
            assert low == pytest.approx(ends[:, number].min() - 120.0, abs=0.1)
            assert high == pytest.approx(ends[:, number].max() + 120.0, abs=0.1)
        seen.page.locator("[data-view=round]").click()
        seen.page.wait_for_function(f"{scene}.xaxis.autorange")
        assert seen.complaints == []
    tubes = [t for t in scene_traces(gapped.space.shapes) if t["type"] == "mesh3d"]
    bars = [t for t in tubes if t["meta"] in ("tubes", "seat, where it should be")]
    assert all(t["opacity"] < 0.5 for t in bars)
    names = [t.name for t in gapped.space.shapes.tubes if t.role == "tube"]
    assert "door bar seat" not in names


def test_names_cannot_break_out_of_the_page(
    browser: Browser, folder: Path, cabin: Cabin, tmp_path: Path
) -> None:
    write_survey(tmp_path / "s.json", replace(cabin.opened, name=NASTY))
    page = tmp_path / "s.html"
    page.write_text(scene_page(space_of([tmp_path / "s.json"])), encoding="utf-8")
    with opened(browser, page) as seen:
        drawn(seen)
        assert seen.sees("document.title") == f"Survey {NASTY}"
        assert NASTY in seen.sees("document.querySelector('h1').innerText")
        assert seen.complaints == []


def test_arrows_are_as_many_times_too_long_as_is_said(moved: Scene) -> None:
    traces = scene_traces(moved.space.shapes)
    line = next(t for t in traces if t["meta"] == "moves" and t.get("mode") == "lines")
    points = np.array(list(zip(line["x"], line["y"], line["z"], strict=True)), dtype=np.float64)
    tail, head = points[0], points[1]
    factor = np.linalg.norm(head - tail) / np.linalg.norm(SHIFT_MM)
    page = moved.page.read_text(encoding="utf-8")
    assert f"{round(factor):g} times too long" in page
    assert factor == pytest.approx(round(factor), rel=0.02)


def test_nothing_to_draw_is_no_crash() -> None:
    assert scene_traces(Shapes("nowhere")) == []
