"""The predicted shape of squares: where every border that a tag can have should be in a photo.

A prediction costs more than all that is done with it here, but it is smooth: it is asked for at a
few nodes of each square only, and a polynomial stands for it in between.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.detect.pattern import ALONG
from fitscan.geometry.rotation import Array
from fitscan.markers.family import CELLS

__all__ = ["Projector", "Shape", "Shapes", "shapes_of"]

Projector = Callable[[Array], Array]
"""Places (n, k, 2) in cells on n squares -> pixels (n, k, 2)."""

_HALF = CELLS / 2.0
_CORNERS = np.array([[-_HALF, _HALF], [_HALF, _HALF], [_HALF, -_HALF], [-_HALF, -_HALF]])

_NODES = 6
"""Of a polynomial each way. A square that goes a radian round its tube is a hundred times nearer to
it than borders are measured; a tenth of a cell of its tube's radius would take four."""

_REACH = _HALF + 1.0
"""The polynomial holds up to the cells beside the square, of which a border's neighbours need to
be known."""


@dataclass(frozen=True)
class Shape:
    """k borders of n squares, per cell.

    Attributes:
        base: (n, k, 2) pixels.
        ahead, bend: (n, k, 2) first and second differences over one cell along u where the
            border's normal is u, else along v. On a cylinder seen at a slant the cells shrink
            towards the limb: without the second term the neighbouring borders would be looked for
            in the wrong place.
        run: (n, k, 2) first differences along the border.
    """

    base: Array
    ahead: Array
    bend: Array
    run: Array


@dataclass(frozen=True)
class Shapes:
    """All borders that n squares can have.

    Attributes:
        corners: (n, 4, 2) pixels of TL, TR, BR, BL.
        every: (n, 432, 8), see `Shape`; in the order of `EdgePoints.number`.
    """

    corners: Array
    every: Array

    def at(self, numbers: npt.NDArray[np.intp]) -> Shape:
        """Of each square some borders (n, k)."""
        some = self.every[np.arange(len(numbers))[:, None], numbers]
        return Shape(some[..., :2], some[..., 2:4], some[..., 4:6], some[..., 6:])


def _lagrange(nodes: Array, at: Array) -> Array:
    """(places, nodes): what each node counts at each place in the polynomial through all nodes."""
    others = ~np.eye(len(nodes), dtype=bool)
    own = [np.prod(at[:, None] - nodes[o], axis=1) / np.prod(n - nodes[o])
           for n, o in zip(nodes, others, strict=True)]  # fmt: skip
    return np.stack(own, axis=1)


_AT = _REACH * np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
_GRID = np.stack(np.meshgrid(_AT, _AT, indexing="ij"), axis=-1).reshape(-1, 2)
_LINES = _lagrange(_AT, np.arange(-_REACH, _REACH + 0.5))
_PLACES = _lagrange(_AT, np.add.outer(np.arange(-_REACH, _REACH) + 0.5, ALONG).ravel())


def shapes_of(project: Projector, squares: int) -> Shapes:
    """The shapes of all squares, from one call of their projector."""
    asked = np.concatenate([_CORNERS, _GRID])
    pixels = project(np.broadcast_to(asked, (squares, *asked.shape)))
    nodes = pixels[:, len(_CORNERS) :].reshape(squares, _NODES, _NODES, 2).transpose(0, 3, 1, 2)
    # Lines across u and lines across v; each goes through all places along it.
    both = np.stack([nodes, nodes.swapaxes(2, 3)], axis=1)
    on = (_LINES @ both @ _PLACES.T).transpose(0, 1, 3, 4, 2)
    side = len(ALONG)
    inner = on[:, :, :, side:-side]
    base = inner[:, :, 1:-1]
    ahead, behind = inner[:, :, 2:], inner[:, :, :-2]
    run = 0.5 * (on[:, :, 1:-1, 2 * side :] - on[:, :, 1:-1, : -2 * side])
    every = np.concatenate([base, 0.5 * (ahead - behind), ahead - 2.0 * base + behind, run], axis=4)
    return Shapes(pixels[:, : len(_CORNERS)], every.reshape(squares, -1, 8))
