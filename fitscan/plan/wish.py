"""What is wanted of a shoot: the place of a marker, of a tube's axis, or a bar's half of a gap.

Each wish is a linear function of the markers' small motions, so that its U can be told for any
covariance; which photos make it smaller is left to `advise` and `greedy`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitscan.errors import InputError
from fitscan.fit.align import motion_rows
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.line import two_normals
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, skew
from fitscan.markers.kit import CuffSpec, Kit
from fitscan.shape.straight import CUFF_REACH_MM
from fitscan.survey.foresee import Foresight
from fitscan.survey.gauge import told_rows
from fitscan.survey.state import rigid_of

__all__ = ["Functional", "Wish", "centre_of", "functional_of", "marker_name"]


@dataclass(frozen=True)
class Wish:
    """What somebody wants to know.

    Attributes:
        tube: name, or None when it is about a marker.
        straight: of the tube; all of them if None.
        marker: id, or None when it is about a tube.
        on: the part against which it is told; the shoot's own markers all together if None.
        gap: whether it is one of the two shoots of a gap on that part.
        wanted_mm: U (k = 2) that is wanted of it, if any.
    """

    tube: str | None = None
    straight: int | None = None
    marker: int | None = None
    on: str | None = None
    gap: bool = False
    wanted_mm: float | None = None

    @property
    def words(self) -> str:
        """In words: "the axis of the main hoop, against the shell"."""
        if self.tube is not None:
            straight = f", straight {self.straight}" if self.straight is not None else ""
            what = f"the axis of the {self.tube}{straight}"
            if self.gap:
                what = f"the {self.tube}'s share of the gap{straight}"
        else:
            what = f"marker {self.marker}"
        return what + (f", against the {self.on}" if self.on is not None else "")


@dataclass(frozen=True)
class Functional:
    """Displacements as a linear function of markers' tangents.

    Attributes:
        markers: ids it depends on.
        jacobian: (r, 6 n) by their tangents.
        groups: rows of the jacobian that belong to one place, each 2 or 3 numbers.
        about: ids that it is about, not those it is told against.
    """

    markers: tuple[int, ...]
    jacobian: Array
    groups: tuple[tuple[int, ...], ...]
    about: tuple[int, ...]

    def over(
        self, markers: tuple[int, ...], poses: Mapping[int, Rigid], *, scale: bool = True
    ) -> Array:
        """The same (r, 6 n) by the tangents of some markers, told against all of them together.

        Args:
            markers: ids of all markers of the network.
            poses: of them.
            scale: whether the common scale counts, see `told_rows`.
        """
        row = {m: i for i, m in enumerate(markers)}
        out = np.zeros((len(self.jacobian), 6 * len(markers)))
        for i, m in enumerate(self.markers):
            out[:, 6 * row[m] : 6 * row[m] + 6] += self.jacobian[:, 6 * i : 6 * i + 6]
        centres = np.array([poses[m].translation for m in markers])
        return told_rows(out, centres, scale=scale)

    def rows(self, foresight: Foresight, *, scale: bool = True) -> Array:
        """The same (r, K) by the kept parameters of a network; see `over`."""
        markers = foresight.network.markers
        poses = {m: rigid_of(foresight.state.marker[i]) for i, m in enumerate(markers)}
        out = np.zeros((len(self.jacobian), foresight.order.size))
        out[:, foresight.rows(list(markers))] = self.over(markers, poses, scale=scale)
        return out

    def expanded(self, covariance: Array) -> float:
        """U (k = 2) mm in the worst direction at the worst place, from a covariance (r, r)."""
        worst = max(float(np.linalg.eigvalsh(covariance[np.ix_(g, g)])[-1]) for g in self.groups)
        return COVERAGE * float(np.sqrt(max(worst, 0.0)))


def marker_name(kit: Kit, marker: int) -> str:
    """A marker in the fitter's words: "cuff 202 on the left stay", "tag 7 on the shell"."""
    for cuff in kit.cuff:
        if cuff.first_id == marker:
            return f"cuff {marker} on the {cuff.tube}"
    for pointer in kit.pointer:
        if pointer.id == marker:
            return f"pointer {marker} ({pointer.name})"
    named = {t.id: t.name for t in kit.tag if t.name}
    if marker in named:
        return f"tag {marker} ({named[marker]})"
    return f"tag {marker} on the {kit.part_of(marker)}"


def centre_of(marker: int) -> Functional:
    """A marker's centre in all three directions."""
    jacobian = np.zeros((3, 6))
    jacobian[:, 3:] = np.eye(3)
    return Functional((marker,), jacobian, ((0, 1, 2),), (marker,))


def functional_of(wish: Wish, kit: Kit, poses: Mapping[int, Rigid], option: str) -> Functional:
    """The function that a wish stands for.

    Args:
        wish: what is wanted.
        kit: what is printed.
        poses: of the markers that have a place.
        option: where the wish was written, for messages.

    Raises:
        InputError: the kit has no such tube, straight, marker or part, or it has no place, or the
            part has too few markers.
    """
    if wish.marker is not None:
        base = centre_of(_known_marker(wish.marker, kit, poses, option))
        points = [(poses[wish.marker].translation, np.eye(3))]
    else:
        base, points = _axes(wish, kit, poses, option)
    return base if wish.on is None else _against(base, points, wish.on, kit, poses)


def _known_marker(marker: int, kit: Kit, poses: Mapping[int, Rigid], option: str) -> int:
    kit.part_of(marker)
    if marker not in poses:
        raise InputError(
            f"Marker {marker} has no place", option, "photograph it, or say where it is"
        )
    return marker


def _axes(
    wish: Wish, kit: Kit, poses: Mapping[int, Rigid], option: str
) -> tuple[Functional, list[tuple[Array, Array]]]:
    """Both ends of each straight's axis, square to it; and where these places are."""
    straights = _straights(wish, kit, poses, option)
    markers = tuple(c.first_id for cuffs in straights for c in cuffs)
    column = {m: 6 * i for i, m in enumerate(markers)}
    rows: list[Array] = []
    points: list[tuple[Array, Array]] = []
    for cuffs in straights:
        centres = np.array([poses[c.first_id].translation for c in cuffs])
        along = poses[cuffs[0].first_id].rotation[:, 2]
        if len(cuffs) > 1:
            along = np.linalg.svd(centres - centres.mean(axis=0))[2][0]
        normals = two_normals(along)
        place = (centres - centres.mean(axis=0)) @ along
        for end in (place.min() - CUFF_REACH_MM, place.max() + CUFF_REACH_MM):
            row = np.zeros((2, 6 * len(markers)))
            for cuff, at in zip(cuffs, place, strict=True):
                start = column[cuff.first_id]
                if len(cuffs) == 1:
                    row[:, start : start + 3] = -normals @ skew((end - at) * along)
                    share = 1.0
                else:
                    share = 1.0 / len(cuffs) + end * at / float(place @ place)
                row[:, start + 3 : start + 6] = share * normals
            rows.append(row)
            points.append((centres.mean(axis=0) + end * along, normals))
    groups = tuple((2 * i, 2 * i + 1) for i in range(len(rows)))
    return Functional(markers, np.concatenate(rows), groups, markers), points


def _straights(
    wish: Wish, kit: Kit, poses: Mapping[int, Rigid], option: str
) -> list[list[CuffSpec]]:
    named = [c for c in kit.cuff if c.tube == wish.tube]
    if not named:
        known = ", ".join(dict.fromkeys(c.tube for c in kit.cuff)) or "none"
        raise InputError(f"There is no tube {wish.tube!r} in the kit", option, f"use: {known}")
    numbers = sorted({c.straight for c in named})
    if wish.straight is not None and wish.straight not in numbers:
        said = ", ".join(str(n) for n in numbers)
        raise InputError(
            f"The tube {wish.tube!r} has no straight {wish.straight}", option, f"use: {said}"
        )
    asked = numbers if wish.straight is None else [wish.straight]
    out = [[c for c in named if c.straight == n and c.first_id in poses] for n in asked]
    out = [cuffs for cuffs in out if cuffs]
    if not out:
        raise InputError(
            f"No cuff of the tube {wish.tube!r} has a place",
            option,
            "photograph its cuffs, or say where they are",
        )
    return out


def _against(
    base: Functional,
    points: list[tuple[Array, Array]],
    part: str,
    kit: Kit,
    poses: Mapping[int, Rigid],
) -> Functional:
    """The same, less the motion of a part's markers as one rigid piece."""
    if part not in kit.parts:
        raise InputError(
            f"The kit has no part {part!r}", "--on", f"use one of: {', '.join(kit.parts)}"
        )
    carriers = [m for m in poses if kit.part_of(m) == part and m not in base.about]
    if len(carriers) < 3:
        raise InputError(
            f"Fewer than three markers of the part {part!r} have a place",
            "--on",
            f"stick at least three, better six, on the {part} and say where they are",
        )
    centres = np.array([poses[m].translation for m in carriers])
    middle = centres.mean(axis=0)
    rows = motion_rows(centres - middle)
    gain = np.linalg.pinv(rows)
    markers = base.markers + tuple(carriers)
    jacobian = np.zeros((len(base.jacobian), 6 * len(markers)))
    jacobian[:, : 6 * len(base.markers)] = base.jacobian
    for group, (point, axes) in zip(base.groups, points, strict=True):
        carried = axes @ motion_rows((point - middle)[None]) @ gain
        for j in range(len(carriers)):
            start = 6 * (len(base.markers) + j) + 3
            jacobian[np.ix_(group, range(start, start + 3))] -= carried[:, 3 * j : 3 * j + 3]
    return Functional(markers, jacobian, base.groups, base.about)
