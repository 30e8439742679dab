"""The faces of a foot plate, by pointers of a survey or typed, with the covariance of its numbers.

Unfolding is left to `plate`, rules and words to `plate_plan`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.rotation import Array
from fitscan.make.flat_marks import FlatMark
from fitscan.make.plate import Face, FlatPlate, Sheet, face_of, unfold
from fitscan.shape.marks import Marks
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.survey.survey import Survey

__all__ = ["PlateFaces", "asked_sheet", "surveyed_faces", "typed_faces"]


@dataclass(frozen=True)
class PlateFaces:
    """Faces of a plate.

    Attributes:
        faces: in order.
        names: of each face's corners.
        warnings: that every output must carry.
        covariance_of: from a function of all corners (faces, each (k, 3)) and outward directions
            to the covariance of its values; None where the corners have no uncertainty.
    """

    faces: tuple[Face, ...]
    names: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]
    covariance_of: Callable[[Callable[[list[Face]], Array]], Array] | None

    def unfolded(self, sheet: Sheet) -> FlatPlate:
        """The flat pattern; raises as `unfold`."""
        return unfold(list(self.faces), sheet)


def surveyed_faces(survey: Survey, groups: Sequence[Sequence[FlatMark]]) -> PlateFaces:
    """Faces by pointers' tips (or tags' centres); the papers' side is where the plate will be.

    Args:
        survey: that shows them.
        groups: three or more marks on each face, in the order of the faces.

    Raises:
        InputError: fewer than three on a face, one on two faces, or one that was not found.
        DataError: those of a face lie on one line.
    """
    _check([[m.name for m in group] for group in groups])
    ids = [m.id for group in groups for m in group]
    marks = Marks.of(survey, ids, "the plate")
    source = MarkerInput(survey, marks.ids)

    def faces(poses: Poses) -> list[Face]:
        out = []
        for group in groups:
            own = [m.id for m in group]
            outward = np.sum([poses[i].rotation[:, 2] for i in own], axis=0)
            out.append(face_of(marks.points(poses, own), outward))
        return out

    def covariance_of(values: Callable[[list[Face]], Array]) -> Array:
        return propagate(lambda poses: values(faces(poses[0])), [source])[1]

    return PlateFaces(
        tuple(faces(source.poses)),
        tuple(tuple(m.name for m in group) for group in groups),
        survey.quality.warnings,
        covariance_of,
    )


def typed_faces(
    groups: Sequence[Array], seen_from: Array, *, u_mm: float | None = None
) -> PlateFaces:
    """Faces by typed corners.

    Args:
        groups: (k, 3) mm of each face, in order.
        seen_from: (3,) mm, a point on the side where the plate will be.
        u_mm: standard uncertainty of every coordinate.

    Raises:
        InputError: fewer than three corners on a face, or numbers that are none.
        DataError: those of a face lie on one line.
    """
    names = [[f"{n}.{k}" for k in range(1, len(g) + 1)] for n, g in enumerate(groups, 1)]
    _check(names)
    every = np.vstack([*groups, seen_from[None]])
    if not np.all(np.isfinite(every)) or np.abs(every).max() > 1e5:
        raise InputError("A corner is not finite", "plate", "give plain numbers of millimetres")
    counts = np.cumsum([len(g) for g in groups])[:-1]

    def faces(x: Array) -> list[Face]:
        split = np.split(x.reshape(-1, 3), counts)
        return [face_of(g, seen_from - g.mean(axis=0)) for g in split]

    x = np.vstack(groups).ravel()

    def covariance_of(values: Callable[[list[Face]], Array]) -> Array:
        columns = []
        for k in range(len(x)):
            change = np.zeros(len(x))
            change[k] = 1e-3
            columns.append((values(faces(x + change)) - values(faces(x - change))) / 2e-3)
        rows = np.column_stack(columns)
        return np.asarray((u_mm or 0.0) ** 2 * rows @ rows.T)

    told = tuple(tuple(group) for group in names)
    return PlateFaces(tuple(faces(x)), told, (), None if u_mm is None else covariance_of)


def _check(names: Sequence[Sequence[str]]) -> None:
    if not names:
        raise InputError("The plate has no face", "plate", "name three pointers or more on each")
    for n, group in enumerate(names, 1):
        if len(group) < 3:
            raise InputError(
                f"Face {n} has {len(group)} corners and its plane needs three", "plate",
                "name three pointers or more on each face",
            )  # fmt: skip
    every = [name for group in names for name in group]
    for name in every:
        if every.count(name) > 1:
            raise InputError(
                f"{name!r} is named on two faces", "plate", "name each pointer on one face"
            )


def asked_sheet(
    source: PlateFaces, thickness_mm: float, radius_mm: float | None, k_factor: float | None
) -> Sheet:
    """The sheet; a plate with folds needs the user's own radius and k-factor.

    Raises:
        InputError: one of them is missing.
    """
    if len(source.faces) == 1:
        return Sheet(thickness_mm)
    for option, value, words in (
        ("--radius-mm", radius_mm, "the inside radius that your folder makes"),
        ("--k-factor", k_factor, "what a trial strip of the same metal gives, often 0.33 to 0.5"),
    ):
        if value is None:
            raise InputError("A plate with a fold needs a bend allowance", option, f"give {words}")
    return Sheet(thickness_mm, radius_mm or 0.0, k_factor or 0.0)
