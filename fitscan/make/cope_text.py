"""What a person types for `fitscan cope`, turned into runs.

Checking the values themselves is left to `cope`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import cast

from fitscan.errors import InputError
from fitscan.make.cope import BranchTube, Fit, RunAt
from fitscan.make.cope_plan import CopeRequest
from fitscan.make.cope_u import typed_covariance

__all__ = ["request_from_survey", "request_from_text", "runs_from_text", "with_cut"]

FORM = "OD:ANGLE[:OFFSET[:TURN[:ALONG]]] in mm and degrees, like 45:60 or 45:60:2.5:90"


def request_from_text(
    name: str | None,
    od_mm: float | None,
    wall_mm: float,
    near: list[str],
    far: list[str],
    length_mm: float | None,
    u: tuple[float, float] | None = None,
) -> CopeRequest:
    """A cope from typed numbers.

    Args:
        name: of the branch.
        od_mm: its outside diameter.
        wall_mm: its wall.
        near: runs at the near end.
        far: runs at the far end.
        length_mm: between them.
        u: standard uncertainty of every typed angle (deg) and length (mm).

    Raises:
        InputError: a short form that cannot be read, no diameter, or an uncertainty that is none.
    """
    if od_mm is None:
        raise InputError(
            "The branch has no diameter", "--od-mm", "give its outside diameter, or a --survey"
        )
    near_runs, far_runs = runs_from_text(near, "--run"), runs_from_text(far, "--far-run")
    covariance = None
    if u is not None:
        for option, value, most in (("--u-deg", u[0], 10.0), ("--u-mm", u[1], 100.0)):
            if not 0.0 <= value < most:
                raise InputError(
                    f"A standard uncertainty of {value:g} is none", option,
                    f"give 0 to less than {most:g}",
                )  # fmt: skip
        covariance = typed_covariance(near_runs, far_runs, *u)
    return CopeRequest(
        name or "branch",
        BranchTube(od_mm, wall_mm),
        near_runs,
        far_runs,
        length_mm,
        covariance=covariance,
    )


def request_from_survey(
    file: Path,
    branch: str | None,
    od_mm: float | None,
    wall_mm: float,
    near: list[str],
    far: list[str],
    length_mm: float | None,
) -> CopeRequest:
    """A cope from a survey's file and the names of its tubes.

    Raises:
        InputError: a typed number that the survey says itself, no branch, or what `measured_cope`
            refuses.
        DataError: as `measured_cope`.
    """
    from fitscan.make.measured_cope import measured_cope
    from fitscan.survey.survey_file import read_survey

    for option, number in (("--od-mm", od_mm), ("--length-mm", length_mm)):
        if number is not None:
            raise InputError(
                f"The survey says {option} itself", option, "leave it out, or leave out --survey"
            )
    if branch is None:
        raise InputError("The branch is not named", "--branch", "give the tube's name in the kit")
    return measured_cope(read_survey(file), branch, wall_mm, near, far)


def with_cut(request: CopeRequest, kerf_mm: float, fit: str, paper_mm: float) -> CopeRequest:
    """The same cope with how it will be cut.

    Raises:
        InputError: another fit than square or ground.
    """
    if fit not in ("square", "ground"):
        raise InputError(f"There is no fit {fit!r}", "--fit", "give square or ground")
    return replace(request, kerf_mm=kerf_mm, fit=cast("Fit", fit), paper_mm=paper_mm)


def runs_from_text(texts: list[str], option: str) -> tuple[RunAt, ...]:
    """Read OD_MM:ANGLE_DEG[:OFFSET_MM[:TURN_DEG[:ALONG_MM]]] for each run of an end.

    Raises:
        InputError: a short form that cannot be read.
    """
    return tuple(_run(text, option, n) for n, text in enumerate(texts, 1))


def _run(text: str, option: str, number: int) -> RunAt:
    fields = text.split(":")
    try:
        numbers = [float(f) for f in fields]
    except ValueError:
        raise InputError(f"{text!r} cannot be read", option, f"write {FORM}") from None
    if not 2 <= len(numbers) <= 5:
        raise InputError(f"{text!r} cannot be read", option, f"write {FORM}")
    od, angle, offset, turn, along = [*numbers, 0.0, 0.0, 0.0][:5]
    return RunAt(od, math.radians(angle), offset, math.radians(turn), along, f"run {number}")
