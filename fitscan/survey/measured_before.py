"""What was measured in a photo, kept by its content: a later survey of it begins from there.

A survey that asks the very same of a photo, round by round, is answered from here; any other one
takes the same round of the earlier survey, or where it begins beside that one its last, as it does
an earlier round of its own (see `measure`, which measures again what the new prediction calls for).
Entries that cannot be read are as if they were not there.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fitscan.adjust.problem import Values
from fitscan.detect.tags import Detections
from fitscan.markers.kit import Kit
from fitscan.store.sealed import keep_arrays, recall_arrays
from fitscan.survey.expected import Asked
from fitscan.survey.found_before import fingerprint
from fitscan.survey.measurement import PhotoMeasurement

__all__ = ["Memory", "question"]

_SOURCES = (
    "detect", "photos", "geometry", "lens/model.py", "markers/family.py", "markers/layout.py",
    "survey/expected.py", "survey/measure.py", "survey/measurement.py", "survey/photo_work.py",
    "survey/shelf.py", "survey/tag_block.py", "store/sealed.py",
)  # fmt: skip
"""What a measurement depends on beside the question."""


@dataclass(frozen=True)
class Round:
    """One question to a photo, see `question`, and its answer."""

    asked: str
    measured: PhotoMeasurement


def question(asked: Asked, values: Values, found: Detections) -> str:
    """Hash of all that is asked of a photo's pixels, see `measure_expected`.

    What is `settled` is never asked so.
    """
    digest = hashlib.sha256()

    def add(name: str, part: npt.ArrayLike) -> None:
        array = np.ascontiguousarray(part)
        digest.update(f"{name} {array.dtype} {array.shape} ".encode())
        digest.update(array.tobytes())

    for one in (asked.geometry, found, asked.before):
        for field in fields(one) if one is not None else ():
            add(field.name, getattr(one, field.name))
    for name in sorted(values):
        add(name, values[name])
    add("doubles", sorted(asked.doubles))
    add("rough", sorted(asked.rough))
    return digest.hexdigest()


class Memory:
    """What earlier surveys with one kit measured, and what this one does."""

    def __init__(self, folder: Path, kit: Kit) -> None:
        self._folder = folder
        sources = fingerprint(*_SOURCES)
        self._suffix = hashlib.sha256((sources + kit.model_dump_json()).encode()).hexdigest()[:16]
        self._earlier: dict[str, tuple[Round, ...]] = {}
        self._now: dict[str, list[Round]] = {}

    def answer(self, sha256: str, asked: str) -> PhotoMeasurement | None:
        """What the photo with these bytes answered to the same question."""
        return next((r.measured for r in self._rounds(sha256) if r.asked == asked), None)

    def nearest(self, sha256: str, number: int | None) -> PhotoMeasurement | None:
        """What was measured in it in a round, from 1, or in the last if there were fewer; None is
        the last one, whichever it was.
        """
        rounds = self._rounds(sha256)[:number]
        return rounds[-1].measured if rounds else None

    def add(self, sha256: str, asked: str, measured: PhotoMeasurement) -> None:
        """Remember an answer of this survey; an empty question was one that comes only once."""
        self._now.setdefault(sha256, []).append(Round(asked, measured))

    def keep(self) -> None:
        """Write what is new; that it cannot be written costs time later and nothing else."""
        for sha256, rounds in self._now.items():
            asked = [r.asked for r in rounds]
            if all(asked) and asked == [r.asked for r in self._rounds(sha256)]:
                continue
            if not keep_arrays(self._place(sha256), _packed(rounds)):
                return

    def _place(self, sha256: str) -> Path:
        return self._folder / f"{sha256[:32]}-{self._suffix}.edges"

    def _rounds(self, sha256: str) -> tuple[Round, ...]:
        if sha256 not in self._earlier:
            entry = recall_arrays(self._place(sha256))
            try:
                self._earlier[sha256] = _unpacked(entry) if entry is not None else ()
            except (ValueError, KeyError, TypeError):
                self._earlier[sha256] = ()
        return self._earlier[sha256]


_SINGLE = ("tone", "size_px")
_SEVERAL = tuple(f.name for f in fields(PhotoMeasurement) if f.name not in _SINGLE)
"""What a measurement has once, and what it has of each of its squares."""


def _packed(rounds: list[Round]) -> dict[str, npt.ArrayLike]:
    """Rounds one behind the other: an entry of few large arrays is read in half the time."""
    own = [r.measured for r in rounds]
    single = {name: [getattr(m, name) for m in own] for name in _SINGLE}
    several = {name: [np.asarray(getattr(m, name)) for m in own] for name in _SEVERAL}
    return {
        "asked": [r.asked for r in rounds],
        "ends": [np.cumsum([len(part) for part in parts]) for parts in several.values()],
        **single,
        **{name: np.concatenate(parts) for name, parts in several.items()},
    }


def _unpacked(entry: Mapping[str, npt.NDArray[np.generic]]) -> tuple[Round, ...]:
    ends = entry["ends"].astype(np.intp).tolist()
    parts = {
        name: [entry[name][a:b] for a, b in pairwise([0, *own])]
        for name, own in zip(_SEVERAL, ends, strict=True)
    }
    return tuple(
        Round(str(asked), _measured(entry, {k: v[number] for k, v in parts.items()}, number))
        for number, asked in enumerate(entry["asked"])
    )


def _measured(
    entry: Mapping[str, npt.NDArray[np.generic]],
    parts: dict[str, npt.NDArray[Any]],
    number: int,
) -> PhotoMeasurement:
    # Where one round expects nothing, numpy makes all of them real numbers.
    expected = tuple(int(t) for t in parts.pop("expected"))
    width, height = entry["size_px"][number].tolist()
    tone = entry["tone"][number].item()
    return PhotoMeasurement(**parts, expected=expected, tone=tone, size_px=(width, height))
