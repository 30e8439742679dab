"""One survey and the results on it, in one frame: what a scene shows and an export writes.

Files are given in any order; the survey, or the record, is the one that the rest is drawn in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import InputError
from fitscan.fit.result_file import CAUTION
from fitscan.report.book import RecordPart, ResultPart, Source, SurveyPart, gather
from fitscan.report.kinds import result_of_kind
from fitscan.report.shapes import Shapes, shapes_of
from fitscan.shape.datum import car_axes
from fitscan.survey.survey import Survey

__all__ = ["Space", "space_of"]


@dataclass(frozen=True)
class Space:
    """Everything in the told frame.

    Attributes:
        survey: that all is drawn in.
        shapes: in the car's axes, or the survey's own when the kit has no datum.
        known: whether the axes are the car's.
        results: that belong to the survey, with or without places.
        sources: files that it rests on, the survey's first.
        warnings: that every output must carry.
        notes: what could not be placed, and why.
        tool_version, made_at: of this program, now.
        caution: what no number here can tell.
    """

    survey: Survey
    shapes: Shapes
    known: bool
    results: tuple[ResultPart, ...]
    sources: tuple[Source, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    tool_version: str
    made_at: str
    caution: str = CAUTION


def space_of(files: Sequence[Path]) -> Space:
    """Read one survey or record, and results, and put them into one frame.

    Raises:
        InputError: no survey or more than one; a file that is none of fitscan's; see `gather`.
    """
    book = gather(files, beside=False)
    if len(book.shoots) != 1:
        names = ", ".join(p.source.name for p in book.shoots)
        raise InputError(
            f"{len(book.shoots)} surveys are named, and all is drawn in one", names,
            "name one survey or record, and the results that belong to it",
        )  # fmt: skip
    base: SurveyPart | RecordPart = book.shoots[0]
    survey = base.survey
    shapes = shapes_of(survey)
    notes = []
    for part in book.results:
        result = result_of_kind(part.document.KIND)
        more = result.shapes(part.document, survey) if result is not None else None
        if more is None:
            notes.append(
                f"{part.source.name} has no places in the frame of survey {survey.name}, so "
                "nothing of it is drawn here"
            )
        else:
            shapes = shapes.with_more(more)
    axes = car_axes(survey)
    return Space(
        survey,
        shapes.told(axes.frame, axes.car_from_survey),
        axes.known,
        book.results,
        (base.source, *(r.source for r in book.results)),
        book.warnings,
        tuple(notes),
        book.tool_version,
        book.made_at,
    )
