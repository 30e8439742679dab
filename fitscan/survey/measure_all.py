"""A round of measuring: every photo's expected squares, as far as no earlier answer holds.

What is measured in one photo is `measure`'s business, when the rounds end `build`'s.
"""

from __future__ import annotations

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections
from fitscan.survey.expected import expected_in
from fitscan.survey.look import Looked
from fitscan.survey.measured_before import question
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import Network
from fitscan.survey.photo_work import measure
from fitscan.survey.workers import FEW, Progress, run_all

__all__ = ["measure_all"]


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
    ids = [t for m in network.markers for t in network.layout.markers[m]]
    sentence = f"Measuring edges, round {number}"
    memory = looked.memory
    calls, asked, gone = [], [], frozenset(doubles)
    wanted = frozenset(ids) - gone
    known: dict[int, PhotoMeasurement] = {}
    for row, path in enumerate(looked.paths):
        geometry = network.geometry(ids, [row] * len(ids))
        last, alone = before[row] if before else None, gone
        own = last
        if memory is not None:
            sha256 = looked.sha256[row]
            earlier = memory.nearest(sha256, None if looked.resumed else number)
            own = (last or earlier) if looked.resumed else (earlier or last)
            if looked.resumed and earlier is not None and own is not None:
                # The survey before has searched an old photo for what is still placed roughly.
                alone = gone | (rough - set(own.tag_ids.tolist()))
            some = (geometry, values, found[row], alone, rough)
            asked.append(question(*some, last))
            same = memory.answer(sha256, asked[row])
            if same is None and looked.resumed and own is not None:
                if number == 1 and wanted.issuperset(own.expected):
                    # The survey before has searched it, and its end is where this one begins.
                    same = own
                else:
                    # Where most photos need not be asked again, no worker starts for them.
                    expected = expected_in(
                        own.size_px, geometry, values,
                        doubles=alone, rough=rough, before=own, settled=True,
                    )  # fmt: skip
                    same = None if len(expected.part) else expected.joined()
            if same is not None:
                known[row] = same
                continue
        asks = (geometry, values, found[row], alone, rough, own, looked.resumed)
        calls.append((path, looked.shelf, *asks))
    if looked.resumed and len(calls) < FEW:
        workers = 1
    rest = iter(run_all(measure, calls, workers, tell, sentence) if calls else ())
    out = [known[row] if row in known else next(rest) for row in range(len(looked.paths))]
    if memory is not None:
        for sha256, hashed, measured in zip(looked.sha256, asked, out, strict=True):
            memory.add(sha256, hashed, measured)
    return out
