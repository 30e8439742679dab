"""A panel taken from a scan that was placed in a survey, for an opening.

Placing the scan is left to `fitscan.shape.scan_place`, the hole to `opening`. The panel must be
flat where the tube passes: what a flat sheet cannot follow is refused later.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fitscan.errors import DataError, InputError
from fitscan.geometry.line import Line
from fitscan.geometry.rotation import Array
from fitscan.make.flat_marks import FlatMark
from fitscan.make.opening import Crossing, crossing
from fitscan.make.opening_source import PanelTube, crossing_numbers
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.marks import Marks
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.shape.scan_place import Placement
from fitscan.shape.scan_surface import Surface
from fitscan.survey.survey import Survey

__all__ = ["scanned_panel"]

_ROUND_MM, _NEAR_MM, _ALONG_MM = 40.0, 12.0, 150.0
"""Round the hole: what the plane is fitted to, what must be flat, and how far along the tube from
the marks the panel is looked for."""

_FEWEST = 12


def scanned_panel(
    survey: Survey, marks: Sequence[FlatMark], rule: AxisRule, placement: Placement,
    surface: Surface, surface_u_mm: float, clearance_mm: float,
) -> PanelTube:  # fmt: skip
    """Panel by the scan's surface round the tube; the marks only lay the template.

    Args:
        survey: that shows the marks and the tube.
        marks: two or more on the panel.
        rule: the straight of the tube.
        placement: where the scan lies.
        surface: of the scan.
        surface_u_mm: what the scanner may be off by, standard uncertainty.
        clearance_mm: of the hole.

    Raises:
        InputError: fewer than two marks, or one that was not found.
        DataError: the scan has no surface there.
    """
    if len(marks) < 2:
        raise InputError(
            "A template on a scanned panel needs two marks to lay it by", "--mark",
            "name two pointers or more beside the hole",
        )  # fmt: skip
    ids = [m.id for m in marks]
    flat = Marks.of(survey, ids, "the panel")
    used = tuple(dict.fromkeys([*flat.ids, *rule.cuffs, *placement.markers]))
    source = MarkerInput(survey, used)
    point, normal, spread, bulge, count = _patch(
        surface, placement, rule.axis(source.poses), flat.points(source.poses, ids),
        rule.straight.od_mm / 2.0 + clearance_mm,
    )  # fmt: skip

    def at(poses: Poses, own: Array) -> Crossing:
        survey_from_scan = placement.survey_from_scan_for(poses).step(own[:6])
        z = survey_from_scan.turn(normal)
        place = survey_from_scan.apply(point) + own[6] * z
        outward = np.sum([poses[i].rotation[:, 2] for i in ids], axis=0)
        return crossing(flat.points(poses, ids), outward, rule.axis(poses), (place, z))

    still = np.zeros(7)
    found = at(source.poses, still)
    _, covariance = propagate(lambda poses: crossing_numbers(at(poses[0], still)), [source])
    columns = []
    for k, step in enumerate([1e-5] * 3 + [1e-2] * 4):
        change = np.zeros(7)
        change[k] = step
        ends = [crossing_numbers(at(source.poses, s * change)) for s in (1.0, -1.0)]
        columns.append((ends[0] - ends[1]) / (2.0 * step))
    rows = np.column_stack(columns)
    noise = np.zeros((7, 7))
    noise[:6, :6] = placement.own
    noise[6, 6] = surface_u_mm**2 + spread**2 / count
    passes = found.origin + found.panel_from_frame[:2].T @ found.centre
    low, high = rule.straight.span
    along = float(rule.straight.axis.along(passes))
    return PanelTube(
        tuple(m.name for m in marks), found, covariance + rows @ noise @ rows.T,
        rule.straight.tube, rule.straight.od_mm, max(low - along, along - high, 0.0),
        (*survey.quality.warnings, *placement.remarks), bulge,
    )  # fmt: skip


def _patch(
    surface: Surface, placement: Placement, axis: Line, tips: Array, radius_mm: float
) -> tuple[Array, Array, float, float, int]:
    """Plane of the surface round a tube in the scan's frame: point, normal, rms, bulge, count."""
    scan_from_survey = placement.survey_from_scan.inverse()
    there = Line.through(scan_from_survey.apply(axis.point), scan_from_survey.turn(axis.direction))
    vertices = surface.scan.vertices
    along = there.along(vertices) - float(np.mean(there.along(scan_from_survey.apply(tips))))
    away = there.distance(vertices)
    near = (away < radius_mm / 0.26 + _ROUND_MM) & (np.abs(along) < _ALONG_MM)
    if near.sum() < _FEWEST:
        raise DataError(
            "The scan has no surface where the tube passes", surface.scan.name,
            "scan the panel round the tube's place, or name three marks without a scan",
        )  # fmt: skip
    rows = np.flatnonzero(near)
    keep = rows
    normal = np.median(surface.normals[rows], axis=0)
    for _ in range(6):
        point = vertices[keep].mean(axis=0)
        way = np.linalg.svd(vertices[keep] - point, full_matrices=False)[2][2]
        normal = way if way @ normal >= 0.0 else -way
        # Only what lies beside the place where the axis passes this plane counts.
        square = float(there.direction @ normal)
        if abs(square) < 1e-3:
            break
        passes = there.at(float((point - there.point) @ normal) / square)
        beside = np.linalg.norm(vertices[rows] - passes, axis=1)
        reach = radius_mm / max(abs(square), 0.26) + _ROUND_MM
        off = np.abs((vertices[rows] - point) @ normal)
        within = beside < reach
        limit = max(3.0 * 1.4826 * float(np.median(off[within])), 0.5) if within.any() else 0.5
        chosen = rows[within & (off < limit)]
        if len(chosen) < _FEWEST or np.array_equal(chosen, keep):
            break
        keep = chosen
    off = (vertices[rows] - point) @ normal
    beside = np.linalg.norm(vertices[rows] - passes, axis=1)
    close = beside < radius_mm / max(abs(square), 0.26) + _NEAR_MM
    bulge = float(np.percentile(np.abs(off[close]), 98.0)) if close.any() else np.inf
    spread = float(np.sqrt(np.mean(((vertices[keep] - point) @ normal) ** 2)))
    return point, np.asarray(normal), spread, bulge, len(keep)
