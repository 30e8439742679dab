"""A recess's contour by pointers: one lip, or the centre line between two lips.

Between neighbouring tips a lip is taken as straight; how far it may bow there is taken from the
tips around, and enters the uncertainty. Comparing a bar with it is left to `fitscan.fit`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fitscan.errors import DataError, InputError
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import PointerSpec
from fitscan.shape.marks import Marks
from fitscan.shape.propagate import MarkerInput, Poses
from fitscan.survey.survey import Survey

__all__ = ["Contour", "Lip", "Stops", "lip_named"]

_FEWEST = 2


@dataclass(frozen=True)
class Lip:
    """Pointers along one lip, in order.

    Attributes:
        name: how the user called it.
        marks: of the pointers.
        missing: names of pointers of this lip that the survey lacks.
    """

    name: str
    marks: Marks
    missing: tuple[str, ...]

    def tips(self, poses: Poses) -> Array:
        """Tips (n, 3), mm, in the frame of the poses."""
        return self.marks.points(poses, self.marks.ids)


def lip_named(survey: Survey, prefix: str, option: str = "--contour") -> Lip:
    """The pointers whose name begins with a prefix, in the order of the numbers in their names.

    Raises:
        InputError: the kit has no such pointer.
        DataError: fewer than two of them were found in the photos.
    """
    wanted = prefix.strip().casefold()
    specs = [p for p in survey.kit.pointer if p.name.casefold().startswith(wanted)]
    if not specs or not wanted:
        known = ", ".join(repr(p.name) for p in survey.kit.pointer) or "none"
        raise InputError(
            f"No pointer of the kit has a name that begins with {prefix!r}",
            option,
            f"the kit's pointers are: {known}",
        )
    specs = sorted(specs, key=_number)
    seen = [p for p in specs if survey.has(p.id)]
    if len(seen) < _FEWEST:
        names = ", ".join(repr(p.name) for p in specs)
        raise DataError(
            f"A contour needs two pointers or more, and {len(seen)} of {prefix!r} "
            f"{'was' if len(seen) == 1 else 'were'} found in the photos",
            survey.frame,
            f"add photos that show {names} with their neighbours"
            if len(specs) >= _FEWEST
            else "stick on another pointer whose name begins alike",
        )
    marks = Marks.of(survey, [p.id for p in seen], f"the lip {prefix!r}")
    return Lip(prefix.strip(), marks, tuple(p.name for p in specs if not survey.has(p.id)))


def _number(pointer: PointerSpec) -> tuple[int, int]:
    """Pointers without a number stand in front, in the kit's order (sorting keeps it)."""
    found = re.search(r"(\d+)\s*$", pointer.name)
    return (1, int(found[1])) if found else (0, 0)


@dataclass(frozen=True)
class Stops:
    """Places on a contour, fixed to its pointers.

    Attributes:
        row: (n,) the tip behind which each lies on the first lip.
        share: (n,) how far to the next tip, 0 to 1.
        far: (n,) the same row on the second lip; -1 without one.
        along_mm: (n,) from the contour's first tip.
        bow: (n, 3, 3) covariance in mm^2 for what the lips may bow between tips.
    """

    row: Array
    share: Array
    far: Array
    along_mm: Array
    bow: Array

    def __len__(self) -> int:
        """How many."""
        return len(self.row)

    def take(self, rows: npt.NDArray[np.intp]) -> Stops:
        """Some of the places."""
        return Stops(
            self.row[rows], self.share[rows], self.far[rows], self.along_mm[rows], self.bow[rows]
        )  # fmt: skip

    @property
    def bow_u_mm(self) -> Array:
        """Standard uncertainty (n,) of the bow in its worst direction."""
        return np.asarray(np.sqrt(np.clip(np.linalg.eigvalsh(self.bow)[:, -1], 0.0, None)))


@dataclass(frozen=True)
class Contour:
    """What a bar shall follow.

    Attributes:
        lips: one, or two for the centre line between them.
        poses: as surveyed.
    """

    lips: tuple[Lip, ...]
    poses: Poses

    @staticmethod
    def of(survey: Survey, prefixes: Sequence[str]) -> Contour:
        """Contour of one lip's or two lips' pointers.

        Raises:
            InputError: no lip or more than two, or a pointer on both.
            DataError: too few pointers were found.
        """
        if not 1 <= len(prefixes) <= 2:
            raise InputError(
                f"{len(prefixes)} contours are named", "--contour", "name one lip, or two"
            )
        lips = tuple(lip_named(survey, p) for p in prefixes)
        both = set(lips[0].marks.ids) & set(lips[-1].marks.ids) if len(lips) == 2 else set()
        if both:
            listed = ", ".join(str(m) for m in sorted(both))
            raise InputError(
                f"The two contours share the pointers {listed}",
                "--contour",
                "name lips that do not begin alike, like 'upper lip' and 'lower lip'",
            )
        ids = tuple(m for lip in lips for m in lip.marks.ids)
        return Contour(lips, MarkerInput(survey, ids).poses)

    @property
    def markers(self) -> tuple[int, ...]:
        """Pointers that it depends on."""
        return tuple(m for lip in self.lips for m in lip.marks.ids)

    @property
    def taken_as_straight(self) -> bool:
        """Whether only the user's word says that the lips are straight between their ends."""
        return all(len(lip.marks.ids) == _FEWEST for lip in self.lips)

    @property
    def centred(self) -> bool:
        """Whether it is the centre line between two lips."""
        return len(self.lips) == 2

    @property
    def name(self) -> str:
        """In words."""
        if self.centred:
            return f"the centre line between {self.lips[0].name} and {self.lips[1].name}"
        return self.lips[0].name

    def stops(self, step_mm: float) -> Stops:
        """Every tip of the first lip and places between, where there is a second lip abreast.

        Raises:
            DataError: two tips lie on each other, or nothing of the second lip lies abreast.
        """
        tips = self.lips[0].tips(self.poses)
        lengths = np.linalg.norm(np.diff(tips, axis=0), axis=1)
        if lengths.min() < 1.0:
            i = int(lengths.argmin())
            ids = self.lips[0].marks.ids
            raise DataError(
                f"The pointers {ids[i]} and {ids[i + 1]} of {self.lips[0].name!r} point at one "
                "place",
                "contour",
                "check their names in the kit",
            )
        starts = np.concatenate([[0.0], np.cumsum(lengths)])
        rows, shares = [], []
        for i, length in enumerate(lengths):
            count = max(1, int(np.ceil(length / step_mm)))
            share = np.arange(count + (i == len(lengths) - 1)) / count
            rows.append(np.full(len(share), i))
            shares.append(share)
        row, share = np.concatenate(rows), np.concatenate(shares)
        along = starts[row] + share * lengths[row]
        other = self.lips[1].tips(self.poses) if self.centred else None
        bow = _bow_covariance(_bow(tips, other)[row], share)
        far = np.full(len(row), -1)
        if self.centred:
            far, far_bow = self._abreast(row, share)
            # The centre line moves by half of what either lip does.
            bow = 0.25 * (bow + far_bow)
        keep = np.flatnonzero((far >= 0) | (not self.centred))
        if not len(keep):
            raise DataError(
                f"No place of {self.lips[1].name!r} lies abreast of {self.lips[0].name!r}",
                "contour",
                "put the pointers of both lips along the same length of the recess",
            )
        return Stops(row, share, far, along, bow).take(keep)

    def _abreast(self, row: Array, share: Array) -> tuple[Array, Array]:
        """Rows of the second lip's piece abreast of each place (-1 for none), and its bow there."""
        near, along = self._near(self.poses, row, share)
        tips = self.lips[1].tips(self.poses)
        height = np.einsum("nk,mk->nm", along, tips) - np.einsum("nk,nk->n", along, near)[:, None]
        far = np.full(len(row), -1)
        bow = np.zeros((len(row), 3, 3))
        sagitta = _bow(tips, self.lips[0].tips(self.poses))
        for n, h in enumerate(height):
            found = [
                j for j in range(len(h) - 1)
                if min(h[j], h[j + 1]) <= 0.0 <= max(h[j], h[j + 1]) and h[j] != h[j + 1]
            ]  # fmt: skip
            if found:
                far[n] = min(found, key=lambda j: float(np.linalg.norm(tips[j] - near[n])))
                part = h[far[n]] / (h[far[n]] - h[far[n] + 1])
                bow[n] = _bow_covariance(sagitta[far[n]][None], np.array([part]))[0]
        return far, bow

    def _near(self, poses: Poses, row: Array, share: Array) -> tuple[Array, Array]:
        """Points (n, 3) and unit tangents (n, 3) on the first lip; at a tip the mean direction."""
        tips = self.lips[0].tips(poses)
        steps = np.diff(tips, axis=0)
        units = steps / np.linalg.norm(steps, axis=1)[:, None]
        points = tips[row] + share[:, None] * steps[row]
        along = units[row]
        corner = (share == 0.0) & (row > 0)
        mean = units[row] + units[np.maximum(row - 1, 0)]
        mean = mean / np.linalg.norm(mean, axis=1)[:, None]
        return points, np.where(corner[:, None], mean, along)

    def points(self, poses: Poses, stops: Stops) -> tuple[Array, Array, Array]:
        """Points (n, 3), unit tangents (n, 3) and the way from the first lip to the second (n, 3).

        The last is zero for a single lip. All in the frame of the poses.
        """
        near, along = self._near(poses, stops.row, stops.share)
        if not self.centred:
            return near, along, np.zeros_like(near)
        tips = self.lips[1].tips(poses)
        start, step = tips[stops.far], tips[stops.far + 1] - tips[stops.far]
        part = ((near - start) * along).sum(axis=1) / (step * along).sum(axis=1)
        width = start + part[:, None] * step - near
        return near + 0.5 * width, along, width


def _bow_covariance(bow: Array, share: Array) -> Array:
    """Covariance (n, 3, 3) at shares (n,) of pieces whose middles may bow by vectors (n, 3).

    Any bow up to the vector, either way, is taken as equally likely: u = a / sqrt(3)
    (JCGM 100:2008, 4.3.7).
    """
    at = bow * (4.0 * share * (1.0 - share))[:, None]
    return np.asarray(at[:, :, None] * at[:, None, :] / 3.0)


def _bow(tips: Array, other: Array | None = None) -> Array:
    """How far and which way the lip may bow between tips i and i + 1 (n - 1, 3), mm.

    A tip's way from the chord of its two neighbours is the sagitta over two spans. Over one span
    an arc has a quarter of it and a kink up to about all of it: half is taken. With two tips only
    nothing is known of the lip itself: the other lip's tips tell, if there is one.
    """
    n = len(tips)
    out = np.zeros((n - 1, 3))
    for i in range(1, n - 1):
        half = 0.5 * _off_chord(tips[i - 1], tips[i], tips[i + 1])
        for j in (i - 1, i):
            if half @ half > out[j] @ out[j]:
                out[j] = half
    if n == _FEWEST and other is not None and len(other) > _FEWEST:
        ways = [_off_chord(other[0], tip, other[-1]) for tip in other[1:-1]]
        out[0] = max(ways, key=lambda way: float(way @ way))
    return out


def _off_chord(start: Array, tip: Array, end: Array) -> Array:
    """Way (3,) from the chord between two tips to a third one, mm."""
    chord = end - start
    unit = chord / max(float(np.linalg.norm(chord)), 1e-9)
    away = tip - start
    return np.asarray(away - (away @ unit) * unit)
