"""Lines in space of what a survey knows: tubes' silhouettes and axes, borders of printed squares.

Bringing them into a picture is left to `view` and `overlay`.
"""

from __future__ import annotations

import numpy as np

from fitscan.geometry.line import Line, two_normals
from fitscan.geometry.rotation import Array
from fitscan.markers.layout import CORNERS, TagPlace, cuff_points, flat_points
from fitscan.survey.survey import Survey

__all__ = ["axis_points", "end_circles", "silhouette", "square_border"]

_SAMPLES = 96
"""Points along a straight: fine enough that lens distortion shows no corners."""


def axis_points(axis: Line, span: tuple[float, float]) -> Array:
    """Points (n, 3) along a line from span[0] to span[1], mm from its point."""
    along = np.linspace(span[0], span[1], _SAMPLES)
    return np.asarray(axis.point + along[:, None] * axis.direction)


def silhouette(axis: Line, radius_mm: float, span: tuple[float, float], eye: Array) -> list[Array]:
    """The two edges (n, 3) of a round tube as an eye (3,) sees it; none from inside the tube.

    A plane through the eye touches the cylinder along a whole generator. In the plane square to
    the axis through the eye, at distance d, the tangents touch at angles of +-acos(r / d) from
    the direction to the eye.
    """
    to_eye = eye - axis.foot(eye)
    distance = float(np.linalg.norm(to_eye))
    if distance <= radius_mm:
        return []
    towards = to_eye / distance
    aside = np.cross(axis.direction, towards)
    cosine = radius_mm / distance
    sine = float(np.sqrt(1.0 - cosine**2))
    middle = axis_points(axis, span)
    return [middle + radius_mm * (cosine * towards + sign * sine * aside) for sign in (1.0, -1.0)]


def end_circles(axis: Line, radius_mm: float, span: tuple[float, float]) -> list[Array]:
    """The circles (n, 3) in which a straight is cut off."""
    angle = np.linspace(0.0, 2.0 * np.pi, 61)[:, None]
    n0, n1 = two_normals(axis.direction)
    ring = radius_mm * (np.cos(angle) * n0 + np.sin(angle) * n1)
    return [axis.at(along) + ring for along in span]


def square_border(survey: Survey, place: TagPlace) -> Array | None:
    """Border (33, 3) of a printed square in the survey's frame, closed; None without a pose."""
    if not survey.has(place.marker_id):
        return None
    pose = survey.poses[survey.row(place.marker_id)]
    corners = CORNERS * place.side_mm
    share = np.linspace(0.0, 1.0, 8, endpoint=False)[:, None]
    sides = [
        a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)
    ]
    uv = np.concatenate([*sides, corners[:1]])[None]
    scale = np.array(survey.quality.printer)
    if place.cuff is None:
        x, _ = flat_points(uv, scale)
    else:
        spot = np.array([[place.cuff.radius_mm, place.cuff.angle_rad, place.cuff.z_mm]])
        form = np.array([survey.forms.get(place.marker_id, (0.0, 0.0, 0.0))])
        x, _ = cuff_points(uv, spot, scale, form)
    return pose.apply(x[0])
