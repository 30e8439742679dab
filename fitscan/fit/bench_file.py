"""A part held against itself on the bench, as a file: distances between tubes, and the pull.

U is the expanded uncertainty (k = 2) throughout. Computing is left to `bench`.
"""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from fitscan.fit.bench import Bench, PairChange
from fitscan.fit.recheck import CuffShift
from fitscan.fit.result_file import CAUTION
from fitscan.geometry.rotation import Array
from fitscan.store.json_file import JsonDocument

__all__ = ["BenchFile", "bench_document"]

Vector = tuple[float, float, float]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class PairRow(_Model):
    """How the distance of two tubes changed between two of their cuffs."""

    first: str
    second: str
    cuffs: tuple[int, int]
    where: str
    distance_mm: float
    change_mm: float
    change_U_mm: float
    proven: bool
    verdict: str


class PullRow(_Model):
    """How far one marker was pulled out of the part's figure.

    `chance` is the probability that measuring alone leaves as much; of a cuff that was wrapped anew
    (`line_only`) the pull is that of the tube's line, square to it.
    """

    marker_id: int
    label: str
    place_mm: Vector
    pull_mm: Vector
    pull_U_mm: Vector
    total_mm: float
    total_U_mm: float
    pulled: bool
    line_only: bool
    together: bool
    chance: float
    verdict: str


class BenchFile(JsonDocument):
    """A part against itself as stored."""

    KIND: ClassVar[str] = "fitscan.bench"
    SCHEMA_VERSION: ClassVar[int] = 1

    tool_version: str
    coverage_factor: float
    part: str
    frame: str
    tolerance_mm: float
    pairs: tuple[PairRow, ...]
    markers: tuple[PullRow, ...]
    sentences: tuple[str, ...]
    deciding: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str


def _vector(x: Array) -> Vector:
    return (float(x[0]), float(x[1]), float(x[2]))


def _pair(p: PairChange) -> PairRow:
    return PairRow(
        first=p.first,
        second=p.second,
        cuffs=p.cuffs,
        where=p.where,
        distance_mm=p.distance_mm,
        change_mm=p.change_mm,
        change_U_mm=p.expanded_mm,
        proven=p.proven,
        verdict=p.verdict.value,
    )


def _pull(s: CuffShift) -> PullRow:
    return PullRow(
        marker_id=s.marker_id,
        label=s.label,
        place_mm=_vector(s.place_mm),
        pull_mm=_vector(s.left_mm),
        pull_U_mm=_vector(s.left_expanded_mm),
        total_mm=s.left_size_mm,
        total_U_mm=s.size_expanded_mm,
        pulled=s.bent,
        line_only=s.line_only,
        together=s.together,
        chance=s.significance,
        verdict=s.verdict.value,
    )


def bench_document(b: Bench) -> BenchFile:
    """Turn a result into its file's model."""
    from fitscan import __version__
    from fitscan.fit.verdict import COVERAGE

    return BenchFile(
        tool_version=__version__,
        coverage_factor=COVERAGE,
        part=b.part,
        frame=b.axes.frame,
        tolerance_mm=b.tolerance_mm,
        pairs=tuple(_pair(p) for p in b.pairs),
        markers=tuple(_pull(s) for s in b.shifts),
        sentences=b.sentences,
        deciding=b.deciding,
        warnings=b.warnings,
        caution=CAUTION,
    )
