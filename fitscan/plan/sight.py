"""What a photo from a place would show: which squares it would give a survey.

The rule for size, slant and frame is the survey's own (`fitscan.survey.measure`); what stands in
between is simple: tubes, panels under tags, boxes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitscan.adjust.problem import IntArray
from fitscan.geometry.rotation import Array
from fitscan.plan.stage import Stage
from fitscan.survey.expected import expected_squares
from fitscan.survey.measurement import Acceptance
from fitscan.survey.network import Network
from fitscan.survey.state import State
from fitscan.survey.tag_block import TagGeometry

__all__ = ["RULE", "seen_squares"]

RULE = Acceptance(smallest_px=18.0)
"""Somewhat larger than the smallest square that a survey takes: a plan must not live on luck."""

_AT_ONCE = 40_000
"""Squares that are projected together: a few hundred megabytes."""


def seen_squares(
    stage: Stage,
    network: Network,
    state: State,
    photos: Array,
    *,
    rule: Acceptance = RULE,
    only: frozenset[int] | None = None,
) -> TagGeometry:
    """Squares that photos (c, 16) would show; `photo` of the result counts in these.

    Args:
        stage: what is in the way.
        network: markers and lens.
        state: their values.
        photos: rows of the state.
        rule: when a square counts as seen.
        only: ids of markers that are asked about; all if None.
    """
    wanted = [m for m in network.markers if only is None or m in only]
    photo, marker = _in_view(network, state, photos, wanted)
    parts: list[TagGeometry] = []
    values = {g.name: g.values for g in replace(state, photo=photos).groups()}
    size = (network.lens.width_px, network.lens.height_px)
    squares = network.all_squares
    begins = np.cumsum([0, *(len(network.layout.markers[m]) for m in network.markers)])
    for start in range(0, max(len(photo), 1), _AT_ONCE // 16):
        chunk = slice(start, start + _AT_ONCE // 16)
        count = begins[marker[chunk] + 1] - begins[marker[chunk]]
        # Each marker's squares, one marker after the other.
        place = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
        geometry = squares.take(np.repeat(begins[marker[chunk]], count) + place)
        geometry = replace(geometry, photo=np.repeat(photo[chunk], count))
        for on_cuff in (False, True):
            part = geometry.take((geometry.cuff >= 0) == on_cuff)
            parts.append(part.take(expected_squares(part, values, size, rule)))
    joined = TagGeometry.joined(parts)
    ends = _middles(joined, state)
    turns = photos[:, :9].reshape(-1, 3, 3)
    eyes = -np.einsum("nji,nj->ni", turns, photos[:, 9:12])[joined.photo]
    return joined.take(~stage.blocked(eyes, ends))


def _in_view(
    network: Network, state: State, photos: Array, wanted: list[int]
) -> tuple[IntArray, IntArray]:
    """Rows of photos and markers worth projecting: in front, roughly in frame, near enough."""
    row = network.marker_row
    index = np.array([row[m] for m in wanted], dtype=np.intp)
    centres = state.marker[index, 9:12]
    turns = photos[:, :9].reshape(-1, 3, 3)
    x = np.einsum("cij,mj->cmi", turns, centres) + photos[:, None, 9:12]
    depth = np.maximum(x[..., 2], 1.0)
    f = float(state.lens[0, 0])
    limit = 0.55 * np.array([network.lens.width_px, network.lens.height_px]) / f
    room = 40.0 / depth[..., None]
    near = (np.abs(x[..., :2]) / depth[..., None] < limit + room).all(axis=2)
    side = np.array([network.layout.tags[network.layout.markers[m][0]].side_mm for m in wanted])
    near &= (x[..., 2] > 100.0) & (f * side / depth > 0.8 * RULE.smallest_px)
    photo, marker = np.nonzero(near)
    return photo, index[marker]


def _middles(squares: TagGeometry, state: State) -> Array:
    """Middles (n, 3) of squares in the frame, on the ink."""
    from fitscan.markers.layout import cuff_points

    n = len(squares)
    x = np.zeros((n, 3))
    rows = np.flatnonzero(squares.cuff >= 0)
    if len(rows):
        middle = np.zeros((len(rows), 1, 2))
        points, _ = cuff_points(
            middle, squares.place[rows], state.printer[0], state.form[squares.cuff[rows]]
        )
        x[rows] = points[:, 0]
    marker = state.marker[squares.marker]
    turn = marker[:, :9].reshape(n, 3, 3)
    return np.asarray(np.einsum("nij,nj->ni", turn, x) + marker[:, 9:12])
