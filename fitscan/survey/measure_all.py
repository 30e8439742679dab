"""A round of measuring: every photo's expected squares, as far as no earlier answer holds.

What is measured in one photo is `measure`'s business, when the rounds end `rounds`'s; what a survey
asks that begins beside another, `measure_beside`'s.
"""

from __future__ import annotations

from dataclasses import replace

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections
from fitscan.survey.expected import Asked
from fitscan.survey.look import Looked
from fitscan.survey.measured_before import question
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import Network
from fitscan.survey.photo_work import measure
from fitscan.survey.workers import Progress, run_all

__all__ = ["measure_all", "sentence_of"]


def measure_all(
    network: Network,
    values: Values,
    looked: Looked,
    found: list[Detections],
    doubles: set[int],
    before: list[PhotoMeasurement],
    workers: int | None,
    tell: Progress,
    number: int,
    rough: frozenset[int] = frozenset(),
) -> list[PhotoMeasurement]:
    """Measure the expected squares of every photo on the model.

    Args:
        network: unknowns of the shoot.
        values: the survey so far.
        looked: photos of the network.
        found: the first look, photo by photo.
        doubles: ids that are left alone.
        before: an earlier round's measurements, or an empty list.
        workers: processes.
        tell: progress.
        number: of the round, for the progress sentence.
        rough: ids whose marker is placed only roughly.
    """
    squares = network.all_squares
    memory = looked.memory
    calls, questions = [], []
    known: dict[int, PhotoMeasurement] = {}
    for row, path in enumerate(looked.paths):
        last = before[row] if before else None
        asked = Asked(squares.of_photo(row), frozenset(doubles), last, rough)
        if memory is not None:
            questions.append(question(asked, values, found[row]))
            same = memory.answer(looked.sha256[row], questions[row])
            if same is not None:
                known[row] = same
                continue
            asked = replace(asked, before=memory.nearest(looked.sha256[row], number) or last)
        calls.append((path, looked.shelf, asked, values, found[row]))
    rest = iter(run_all(measure, calls, workers, tell, sentence_of(number)) if calls else ())
    out = [known[row] if row in known else next(rest) for row in range(len(looked.paths))]
    if memory is not None:
        for sha256, hashed, measured in zip(looked.sha256, questions, out, strict=True):
            memory.add(sha256, hashed, measured)
    return out


def sentence_of(number: int) -> str:
    """What is told of a round's progress."""
    return f"Measuring edges, round {number}"
