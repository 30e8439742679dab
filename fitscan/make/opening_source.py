"""Panel and tube of an opening, measured or typed, with the covariance of all that is drawn.

The geometry is left to `opening`, the plan to `opening_plan`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.geometry.line import Line
from fitscan.geometry.rotation import Array
from fitscan.make.flat_marks import FlatMark
from fitscan.make.opening import Crossing, crossing
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.marks import Marks
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.survey.survey import Survey

__all__ = ["PanelTube", "crossing_numbers", "surveyed_panel", "typed_panel"]


@dataclass(frozen=True)
class PanelTube:
    """A tube through a panel.

    Attributes:
        names: of the marks, in order.
        at: the crossing.
        covariance: of (marks (2 k), off (k), centre (2), lean (2)); None for typed points without
            uncertainty. `lean` is used because a heading is not known where there is no slant.
        tube: name; od_mm: its diameter.
        beyond_mm: how far beyond the measured part of the tube the panel lies.
        warnings: that every output must carry.
        bulge_mm: how far a scanned surface leaves its plane beside the hole; None when the marks
            give the plane.
    """

    names: tuple[str, ...]
    at: Crossing
    covariance: Array | None
    tube: str
    od_mm: float
    beyond_mm: float = 0.0
    warnings: tuple[str, ...] = ()
    bulge_mm: float | None = None

    def u(self, what: str) -> Array | None:
        """Covariance of "marks", "off", "centre" or "lean"; None where there is none."""
        if self.covariance is None:
            return None
        k = len(self.names)
        rows = {
            "marks": slice(0, 2 * k),
            "off": slice(2 * k, 3 * k),
            "centre": slice(3 * k, 3 * k + 2),
            "lean": slice(3 * k + 2, 3 * k + 4),
        }[what]
        return np.asarray(self.covariance[rows, rows])


def surveyed_panel(survey: Survey, marks: Sequence[FlatMark], rule: AxisRule) -> PanelTube:
    """Panel by pointers' tips or tags' centres, tube by its cuffs.

    Args:
        survey: that shows them all.
        marks: three or more on the panel's face; the paper's own side is the face's outside.
        rule: the straight of the tube that passes the panel.

    Raises:
        InputError: fewer than three marks, or one that was not found.
        DataError: as `crossing`.
    """
    _three(len(marks))
    ids = [m.id for m in marks]
    flat = Marks.of(survey, ids, "the panel")
    used = tuple(dict.fromkeys([*flat.ids, *rule.cuffs]))

    def at(poses: Poses) -> Crossing:
        outward = np.sum([poses[i].rotation[:, 2] for i in ids], axis=0)
        return crossing(flat.points(poses, ids), outward, rule.axis(poses))

    source = MarkerInput(survey, used)
    found = at(source.poses)
    _, covariance = propagate(lambda poses: crossing_numbers(at(poses[0])), [source])
    passes = found.origin + found.panel_from_frame[:2].T @ found.centre
    low, high = rule.straight.span
    along = float(rule.straight.axis.along(passes))
    return PanelTube(
        tuple(m.name for m in marks), found, covariance, rule.straight.tube,
        rule.straight.od_mm, max(low - along, along - high, 0.0), survey.quality.warnings,
    )  # fmt: skip


def typed_panel(
    names: Sequence[str], marks: Array, through: Array, od_mm: float, *, u_mm: float | None = None
) -> PanelTube:
    """Panel and tube by typed points.

    Args:
        names: of the marks.
        marks: (k, 3) mm; as one looks at the face, the first three run anticlockwise.
        through: (2, 3) mm, two points of the tube's axis.
        od_mm: of the tube.
        u_mm: standard uncertainty of every coordinate.

    Raises:
        InputError: fewer than three marks, or points that are none.
        DataError: as `crossing`.
    """
    _three(len(marks))
    every = np.vstack([marks, through])
    if not np.all(np.isfinite(every)) or np.abs(every).max() > 1e5:
        raise InputError("A point is not finite", "opening", "give plain numbers of millimetres")
    if np.linalg.norm(through[1] - through[0]) < 1.0:
        raise InputError(
            "The two points of the tube's axis are at one place", "--through", "give two apart"
        )
    k = len(marks)

    def at(x: Array) -> Crossing:
        points = x.reshape(-1, 3)
        outward = np.cross(points[1] - points[0], points[2] - points[0])
        axis = Line.through(points[k], points[k + 1] - points[k])
        return crossing(points[:k], outward, axis)

    x = every.ravel()
    covariance = None
    if u_mm is not None:
        rows = _jacobian(lambda x: crossing_numbers(at(x)), x)
        covariance = u_mm**2 * rows @ rows.T
    return PanelTube(tuple(names), at(x), covariance, "the tube", od_mm)


def _three(count: int) -> None:
    if count < 3:
        raise InputError(
            f"A panel's plane needs three marks and {count} were named", "opening",
            "name three pointers or more round the place",
        )  # fmt: skip


def crossing_numbers(at: Crossing) -> Array:
    """What a template shows, in the order of `PanelTube.covariance`."""
    return np.concatenate([at.marks.ravel(), at.off, at.centre, at.lean])


def _jacobian(function: Callable[[Array], Array], x: Array, step: float = 1e-3) -> Array:
    columns = []
    for k in range(len(x)):
        change = np.zeros(len(x))
        change[k] = step
        columns.append((function(x + change) - function(x - change)) / (2.0 * step))
    return np.column_stack(columns)
