"""Rounds of measuring where nearly all photos were measured by a survey that has ended.

The first asks the new photos alone; those that follow ask all photos, but only of what they are
predicted to show elsewhere by now. Any other survey's rounds are `measure_all`'s.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections
from fitscan.survey.expected import Asked, expected_in_each
from fitscan.survey.look import Looked
from fitscan.survey.measure_all import sentence_of
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import Network
from fitscan.survey.photo_work import measure
from fitscan.survey.workers import FEW, Progress, run_all

__all__ = ["measure_again", "measure_new"]

_AT_ONCE = 20_000
"""Squares that are predicted at a time: twenty megabytes."""


def measure_new(
    network: Network,
    values: Values,
    looked: Looked,
    found: list[Detections],
    doubles: set[int],
    workers: int | None,
    tell: Progress,
    rough: frozenset[int],
) -> list[PhotoMeasurement]:
    """Measure what a survey before has not; of all else, what it has measured last.

    Args:
        network: unknowns of the shoot.
        values: the survey so far.
        looked: photos of the network, with a memory and those that stand.
        found: the first look, photo by photo.
        doubles: ids that are left alone.
        workers: processes.
        tell: progress.
        rough: ids whose marker is placed only roughly.
    """
    squares = network.all_squares
    wanted = frozenset(squares.tag_id.tolist()) - doubles
    known: dict[int, PhotoMeasurement] = {}
    asked: dict[int, Asked] = {}
    for row in range(len(looked.paths)):
        last = _last(looked, row)
        # Another shoot with this photo may have found nothing in it.
        if last is None or not len(last.tag_ids) or not _stands(looked, row):
            asked[row] = Asked(squares.of_photo(row), frozenset(doubles), last, rough)
        elif wanted.issuperset(last.expected):
            known[row] = last
        else:
            known[row] = last.only(np.array(sorted(wanted)))
    return _answered(asked, known, values, looked, found, workers, tell, 1)


def measure_again(
    network: Network,
    values: Values,
    looked: Looked,
    found: list[Detections],
    doubles: set[int],
    before: list[PhotoMeasurement],
    workers: int | None,
    tell: Progress,
    number: int,
    rough: frozenset[int],
) -> list[PhotoMeasurement]:
    """Measure what the prediction has left since the round before, as `measure_all` does.

    A photo that the survey before has searched for what is still placed roughly is not searched for
    it again.
    """
    squares = network.all_squares
    asked = []
    for row, last in enumerate(before):
        searched = _last(looked, row) if _stands(looked, row) else None
        if searched is None:
            again = Asked(squares.of_photo(row), frozenset(doubles), last, rough)
        else:
            new = rough.difference(searched.expected)
            vain = rough.difference(new, last.tag_ids.tolist())
            again = Asked(squares.of_photo(row), vain | doubles, last, new, settled=True)
        asked.append(replace(again, size_px=last.size_px))
    known: dict[int, PhotoMeasurement] = {}
    calls: dict[int, Asked] = {}
    # Many at once, in this process: there is next to nothing to measure, and much to compare.
    several = max(1, _AT_ONCE // max(len(squares), 1))
    parts = (asked[i : i + several] for i in range(0, len(asked), several))
    together = (e for part in parts for e in expected_in_each(part, values))
    for row, expected in enumerate(together):
        if len(expected.part):
            calls[row] = asked[row]
        else:
            known[row] = expected.joined()
    return _answered(calls, known, values, looked, found, workers, tell, number)


def _stands(looked: Looked, row: int) -> bool:
    """Whether the survey before had placed a photo."""
    return looked.sha256[row] in looked.standing


def _last(looked: Looked, row: int) -> PhotoMeasurement | None:
    """What surveys before have measured last in a photo."""
    assert looked.memory is not None
    return looked.memory.nearest(looked.sha256[row], None)


def _answered(
    asked: dict[int, Asked],
    known: dict[int, PhotoMeasurement],
    values: Values,
    looked: Looked,
    found: list[Detections],
    workers: int | None,
    tell: Progress,
    number: int,
) -> list[PhotoMeasurement]:
    """What is known, and answers to what is asked, in the photos' order; these are remembered."""
    assert looked.memory is not None
    calls = [
        (looked.paths[row], looked.shelf, one, values, found[row]) for row, one in asked.items()
    ]
    alone = 1 if len(calls) < FEW else workers
    answers = run_all(measure, calls, alone, tell, sentence_of(number)) if calls else []
    for row, measured in zip(asked, answers, strict=True):
        looked.memory.add(looked.sha256[row], "", measured)
        known[row] = measured
    return [known[row] for row in range(len(looked.paths))]
