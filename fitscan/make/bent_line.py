"""The centre line of a bent tube: straights and arcs, and where a point lies beside it.

Which line a bar should have is left to `bar_fit`; bend tables to `bends`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.geometry.rotation import Array

__all__ = ["BentLine"]

_STRAIGHT_RAD = 1e-7
"""Below this angle an apex makes no arc: its radius would be lost in rounding."""


@dataclass(frozen=True)
class _Piece:
    """A straight or an arc.

    Attributes:
        start, ahead: (3,) where it begins and its direction there.
        length: mm along it; negative where two bends overlap.
        centre, inward: (3,) of the arc, its unit vector from start to centre; None for a straight.
        angle: rad of the arc.
    """

    start: Array
    ahead: Array
    length: float
    centre: Array | None = None
    inward: Array | None = None
    angle: float = 0.0

    def nearest(self, points: Array, clr: float) -> tuple[Array, Array]:
        """Feet (n, 3) of points (n, 3), and how far along the piece they lie (n,)."""
        if self.centre is None or self.inward is None:
            along = np.clip((points - self.start) @ self.ahead, 0.0, max(self.length, 0.0))
            return self.start + along[:, None] * self.ahead, along
        away = points - self.centre
        turn = np.arctan2(away @ self.ahead, -(away @ self.inward))
        # Behind the centre the nearer end counts; a turn of -170 deg is nearer to a long arc's end.
        middle = 0.5 * self.angle
        turn = middle + (turn - middle + np.pi) % (2.0 * np.pi) - np.pi
        turn = np.clip(turn, 0.0, self.angle)
        feet = self.centre + clr * (
            np.sin(turn)[:, None] * self.ahead - np.cos(turn)[:, None] * self.inward
        )
        return feet, clr * turn


@dataclass(frozen=True)
class BentLine:
    """Straights and arcs through apexes.

    Attributes:
        pieces: in order.
        clr_mm: radius of the arcs.
        straights: (k,) mm, length of every straight; negative where bends overlap.
        angles: (k - 1,) rad of the bends.
    """

    pieces: tuple[_Piece, ...]
    clr_mm: float
    straights: Array
    angles: Array

    @staticmethod
    def through(apexes: Array, clr_mm: float) -> BentLine:
        """Line with a bend at each inner point.

        Args:
            apexes: (n, 3) mm, start, apexes, end; neighbours differ.
            clr_mm: centre-line radius.
        """
        legs = np.diff(apexes, axis=0)
        lengths = np.linalg.norm(legs, axis=1)
        along = legs / np.maximum(lengths, 1e-12)[:, None]
        # Exact for small angles and for large ones, and for many at once.
        apart = np.linalg.norm(along[1:] - along[:-1], axis=1)
        angles = 2.0 * np.arctan2(apart, np.linalg.norm(along[1:] + along[:-1], axis=1))
        backs = clr_mm * np.tan(np.minimum(angles, 3.1) / 2.0)
        straights = lengths - np.append(0.0, backs) - np.append(backs, 0.0)
        pieces = []
        for i, ahead in enumerate(along):
            start = apexes[i] + (backs[i - 1] * ahead if i else 0.0)
            pieces.append(_Piece(start, ahead, float(straights[i])))
            if i < len(angles) and angles[i] > _STRAIGHT_RAD:
                inward = along[i + 1] - (along[i + 1] @ ahead) * ahead
                inward = inward / np.linalg.norm(inward)
                begin = apexes[i + 1] - backs[i] * ahead
                angle = float(angles[i])
                centre = begin + clr_mm * inward
                pieces.append(_Piece(begin, ahead, clr_mm * angle, centre, inward, angle))
        return BentLine(tuple(pieces), clr_mm, straights, angles)

    @property
    def length(self) -> float:
        """Developed length, mm."""
        return sum(p.length for p in self.pieces)

    def nearest(self, points: Array) -> tuple[Array, Array]:
        """Nearest places (n, 3) to points (n, 3), and how far along the tube they lie (n,) mm."""
        best = np.full(len(points), np.inf)
        feet, at = np.zeros((len(points), 3)), np.zeros(len(points))
        begun = 0.0
        for piece in self.pieces:
            there, along = piece.nearest(points, self.clr_mm)
            away = np.sum((points - there) ** 2, axis=1)
            closer = away < best
            best = np.where(closer, away, best)
            feet[closer] = there[closer]
            at[closer] = begun + along[closer]
            begun += piece.length
        return feet, at

    def sampled(self, step_mm: float = 2.0) -> Array:
        """Points (n, 3) along the tube, for drawing: ends of straights, arcs in steps."""
        out = [self.pieces[0].start]
        for piece in self.pieces:
            if piece.centre is None or piece.inward is None:
                out.append(piece.start + piece.length * piece.ahead)
                continue
            count = max(int(np.ceil(piece.length / step_mm)), 2)
            turn = np.linspace(0.0, piece.angle, count + 1)[1:, None]
            arc = np.sin(turn) * piece.ahead - np.cos(turn) * piece.inward
            out.extend(piece.centre + self.clr_mm * arc)
        return np.array(out)
