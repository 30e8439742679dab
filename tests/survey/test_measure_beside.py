"""Rounds beside a survey that has ended: who is asked again, and for what."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest
from scenes import small_scene
from solved import network_of

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections
from fitscan.survey import measure_beside
from fitscan.survey.expected import Asked, expected_in
from fitscan.survey.look import Looked
from fitscan.survey.measure_beside import measure_again, measure_new
from fitscan.survey.measured_before import Memory
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import Network

SIZE = (4032, 3024)
STANDS, NEW = 0, 1
NOTHING = Detections(np.zeros(0, dtype=np.intp), np.zeros((0, 4, 2)), ())


@pytest.fixture(scope="module")
def network() -> Network:
    scene = small_scene(2, 8)
    return network_of(scene, scene.lens)


@pytest.fixture(scope="module")
def values() -> Values:
    return {g.name: g.values for g in small_scene(2, 8).state.groups()}


def measured_in(network: Network, values: Values, row: int, every: int = 2) -> PhotoMeasurement:
    """Every second of a photo's expected squares, or all, exactly where they are predicted."""
    expected = expected_in(Asked(network.all_squares.of_photo(row), size_px=SIZE), values)
    part = expected.part
    some = np.arange(0, len(part), every)
    n = len(some)
    # Top left, top right, bottom right, bottom left of the lattice.
    corners = expected.predicted[some][:, [4, 24, 20, 0]].reshape(n, 8)
    observed = np.concatenate([corners, np.zeros((n, 1))], axis=1)
    seen = np.zeros(len(part))
    seen[some] = 1.0
    return PhotoMeasurement(
        part.tag_id[some], observed, np.tile(np.eye(9) * 1e-3, (n, 1, 1)), np.ones(n),
        np.zeros(n, dtype=bool), tuple(part.tag_id.tolist()), 0.0, np.ones(n),
        expected.predicted, np.zeros((n, 8)), seen, np.full(len(part), 100.0), SIZE,
    )  # fmt: skip


@pytest.fixture
def looked(network: Network, values: Values, tmp_path: Path) -> Looked:
    """Two photos; what was measured of the first is kept by a survey that has ended."""
    kept = Memory(tmp_path, network.kit)
    kept.add("stands", "", measured_in(network, values, STANDS))
    kept.keep()
    return Looked(
        tmp_path, (Path("a.jpg"), Path("b.jpg")), (NOTHING, NOTHING), ("stands", "new"), (1, 1),
        {}, (), {}, memory=Memory(tmp_path, network.kit),
        standing=frozenset({"stands"}),
    )  # fmt: skip


def asked_of(
    call: Any, network: Network, values: Values, *rest: Any
) -> tuple[dict[str, Asked], list[PhotoMeasurement]]:
    """What a round asks of which photo, answered with nothing; and what the round gives."""
    asked: dict[str, Asked] = {}

    def answering(_: object, calls: list[tuple[Any, ...]], *__: Any, **___: Any) -> list[Any]:
        asked.update({path.name: one for path, _, one, *_ in calls})
        return [measured_in(network, values, NEW).only(np.zeros(0, dtype=np.intp)) for _ in calls]

    with mock.patch.object(measure_beside, "run_all", answering):
        return asked, call(network, values, *rest)


def quiet(*_: object) -> None: ...


def test_at_first_a_photo_that_stands_is_not_asked_and_keeps_what_was_measured(
    network: Network, values: Values, looked: Looked
) -> None:
    before = measured_in(network, values, STANDS)
    double = int(before.tag_ids[0])
    some = (looked, [NOTHING] * 2, {double}, None, quiet)
    asked, out = asked_of(measure_new, network, values, *some, frozenset({1}))
    assert list(asked) == ["b.jpg"]
    assert asked["b.jpg"].rough == {1}
    assert double not in out[STANDS].expected
    assert out[STANDS].tag_ids.tolist() == before.tag_ids[1:].tolist()
    assert np.array_equal(out[STANDS].observed, before.observed[1:])


def test_what_the_survey_before_had_no_place_for_is_searched_in_photos_that_stand(
    network: Network, values: Values, looked: Looked
) -> None:
    """A marker that the new photo was the first to show."""
    before = [measured_in(network, values, row) for row in (STANDS, NEW)]
    first, second = before[STANDS].expected[:2]
    some = (looked, [NOTHING] * 2, set[int](), before, None, quiet, 2)
    rest = np.array(before[STANDS].expected[2:])
    searched = before[STANDS].only(rest)
    with mock.patch.object(Memory, "nearest", return_value=searched):
        asked, _ = asked_of(measure_again, network, values, *some, frozenset({first, second}))
    assert asked["a.jpg"].rough == {first, second}
    assert asked["a.jpg"].settled
    assert not asked["a.jpg"].doubles


def test_a_photo_of_which_nothing_was_kept_is_asked_as_a_new_one(
    network: Network, values: Values, looked: Looked
) -> None:
    nothing = measured_in(network, values, STANDS).only(np.zeros(0, dtype=np.intp))
    some = (looked, [NOTHING] * 2, set[int](), None, quiet, frozenset[int]())
    with mock.patch.object(Memory, "nearest", return_value=nothing):
        asked, _ = asked_of(measure_new, network, values, *some)
    assert list(asked) == ["a.jpg", "b.jpg"]


def test_photos_are_compared_a_few_at_a_time_with_the_same_answer(
    network: Network, values: Values, looked: Looked
) -> None:
    before = [measured_in(network, values, row) for row in (STANDS, NEW)]
    some = (looked, [NOTHING] * 2, set[int](), before, None, quiet, 2, frozenset[int]())
    moved = values["photo"].copy()
    moved[:, 14] += 0.2
    now = {**values, "photo": moved}
    whole = asked_of(measure_again, network, now, *some)[1]
    with mock.patch.object(measure_beside, "_AT_ONCE", 1):
        each = asked_of(measure_again, network, now, *some)[1]
    for a, b in zip(whole, each, strict=True):
        assert a.expected == b.expected
        assert a.observed == pytest.approx(b.observed, abs=1e-9)


def test_a_photo_that_another_survey_measured_is_new_all_the_same(
    network: Network, values: Values, looked: Looked
) -> None:
    """It was taken out meanwhile, or is of another shoot."""
    before = [measured_in(network, values, row) for row in (STANDS, NEW)]
    rough = frozenset(before[STANDS].expected[:2])
    away = replace(looked, standing=frozenset({"new"}))
    first = (away, [NOTHING] * 2, set[int](), None, quiet, frozenset[int]())
    assert "a.jpg" in asked_of(measure_new, network, values, *first)[0]
    some = (away, [NOTHING] * 2, set[int](), before, None, quiet, 2, rough)
    asked, _ = asked_of(measure_again, network, values, *some)
    assert asked["a.jpg"].rough == rough
    assert not asked["a.jpg"].settled


@pytest.mark.parametrize("photo", [STANDS, NEW])
def test_for_what_is_placed_roughly_only_a_new_photo_is_searched_again(
    network: Network, values: Values, looked: Looked, photo: int
) -> None:
    before = [measured_in(network, values, row) for row in (STANDS, NEW)]
    found, vain = int(before[photo].tag_ids[1]), int(before[photo].expected[1])
    assert vain not in before[photo].tag_ids
    some = (looked, [NOTHING] * 2, set[int](), before, None, quiet, 2)
    asked, out = asked_of(measure_again, network, values, *some, frozenset({found, vain}))
    assert "a.jpg" not in asked
    if photo == NEW:
        assert asked["b.jpg"].rough == {found, vain}
    else:
        assert found in out[STANDS].tag_ids


def test_a_photo_that_stands_is_asked_again_once_its_prediction_has_moved_far(
    network: Network, values: Values, looked: Looked
) -> None:
    before = [measured_in(network, values, row, every=1) for row in (STANDS, NEW)]
    steps: list[tuple[float, list[str]]] = [
        (0.29, []), (0.31, ["b.jpg"]), (0.44, ["b.jpg"]), (0.46, ["a.jpg", "b.jpg"]),
    ]  # fmt: skip
    for pixels, again in steps:
        moved = values["photo"].copy()
        moved[:, 14] += pixels
        now = {**values, "photo": moved}
        some = (looked, [NOTHING] * 2, set[int](), before, None, quiet, 2, frozenset[int]())
        asked, _ = asked_of(measure_again, network, now, *some)
        assert list(asked) == again
