"""How far each marker of a part sits from its record, with the covariance of all of them together.

A cuff that was wrapped anew keeps its tube's line only: its displacement is measured across the
tube. What is rigid in the displacements and what is bending is left to `rigid_part`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fitscan.adjust.definite import solve_definite
from fitscan.errors import DataError, InputError
from fitscan.fit.align import few_markers, motion_rows
from fitscan.fit.labels import label_of
from fitscan.fit.shared_scale import common_scale_u
from fitscan.geometry.line import two_normals
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.markers.kit import CuffSpec
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.straight import straights_of
from fitscan.survey.survey import Survey

__all__ = ["Displacements", "Site", "Source", "displacements", "rewrapped_cuffs"]

_STEPS = np.array([2e-5] * 3 + [2e-2] * 3)
"""For central differences by a tangent: far above rounding, far below the curvature."""


@dataclass(frozen=True)
class Site:
    """A place of the part whose displacement is measured.

    Attributes:
        marker_id: a cuff's first id, or a tag.
        label: "main hoop, straight 1, cuff 100".
        place: (3,) where it was recorded, mm, in the told frame.
        ways: (k, 3) unit vectors along which its displacement is measured.
        axis: (3,) direction of its tube, or None for a flat marker.
    """

    marker_id: int
    label: str
    place: Array
    ways: Array
    axis: Array | None

    @property
    def line_only(self) -> bool:
        """Whether only the tube's line is compared, because the cuff was wrapped anew."""
        return len(self.ways) < 3


@dataclass(frozen=True)
class Source:
    """How displacements depend on one survey: (m, 6 n) by its markers' tangents."""

    survey: Survey
    markers: tuple[int, ...]
    jacobian: Array


@dataclass(frozen=True)
class Displacements:
    """Displacements of a part's markers in the told frame.

    Attributes:
        sites: where.
        values: (m,) mm, along each site's ways, one site after another.
        covariance: (m, m).
        sources: the record, and the later survey.
        free: whether they are told but for any motion of the part as a whole (it was compared
            with itself); the covariance is then filled up along that motion.
    """

    sites: tuple[Site, ...]
    values: Array
    covariance: Array
    sources: tuple[Source, Source]
    free: bool = False

    @cached_property
    def sizes(self) -> tuple[int, ...]:
        """How many numbers each site has."""
        return tuple(len(s.ways) for s in self.sites)

    @property
    def places(self) -> Array:
        """Recorded places (n, 3)."""
        return np.array([s.place for s in self.sites])

    def rows(self, site: int) -> slice:
        """Where a site's numbers are."""
        end = int(np.cumsum(self.sizes)[site])
        return slice(end - self.sizes[site], end)

    def motion(self, reference: Array) -> Array:
        """Displacements (m, 6) that a rigid motion about a point makes: turn, then shift."""
        rows = motion_rows(self.places - reference).reshape(-1, 3, 6)
        return np.concatenate([s.ways @ r for s, r in zip(self.sites, rows, strict=True)])

    def projected(self, keep: Array) -> Displacements:
        """What a matrix (m, m) makes of the displacements: for example, what a motion leaves."""
        then, later = (replace(s, jacobian=keep @ s.jacobian) for s in self.sources)
        return replace(
            self, values=keep @ self.values, covariance=keep @ self.covariance @ keep.T,
            sources=(then, later),
        )  # fmt: skip

    def vector(self, site: int, values: Array) -> Array:
        """A site's part of `values` (m,) as a vector (3,)."""
        return np.asarray(values[self.rows(site)] @ self.sites[site].ways)

    def spread(self, site: int, covariance: Array) -> Array:
        """A site's part of a covariance (m, m) as one of a vector (3, 3)."""
        rows, ways = self.rows(site), self.sites[site].ways
        return np.asarray(ways.T @ covariance[rows, rows] @ ways)


def rewrapped_cuffs(now: Survey, part: str, wishes: Sequence[str]) -> frozenset[int]:
    """Cuffs of a part that a user says were wrapped anew.

    Args:
        now: the later survey.
        part: that is compared.
        wishes: "all", a cuff's first id, TUBE, or TUBE:STRAIGHT; each may be repeated.

    Raises:
        InputError: a wish names no cuff of the part.
    """
    cuffs = [c for c in now.kit.cuff if c.part == part]
    out: set[int] = set()
    for wish in wishes:
        head, _, tail = wish.rpartition(":")
        named = [
            c.first_id
            for c in cuffs
            if wish in ("all", c.tube, str(c.first_id))
            or (head == c.tube and tail == str(c.straight))
        ]
        if not named:
            tubes = ", ".join(dict.fromkeys(c.tube for c in cuffs)) or "none"
            raise InputError(
                f"{wish!r} names no cuff of the part {part!r}",
                "--rewrapped",
                f"write all, a cuff's first id, or one of the tubes: {tubes}",
            )
        out |= set(named)
    return frozenset(out)


def displacements(
    record: Survey,
    now: Survey,
    part: str,
    record_from_now: Rigid,
    told_from_record: Rigid,
    *,
    stayed: Sequence[int] = (),
    rewrapped: frozenset[int] = frozenset(),
) -> Displacements:
    """How far the markers of a part are from their record.

    Generalised least squares with both surveys' joint covariances: the markers that stayed fix the
    frame, and what the two surveys are wrong in together (their scale above all) is seen at them
    and taken off. Without markers that stayed, the displacements are those after `record_from_now`.

    Args:
        record: the earlier survey.
        now: the later one.
        part: that is compared.
        record_from_now: first alignment, good to a tenth of a radian.
        told_from_record: the frame in which everything is told.
        stayed: markers in both surveys that did not move.
        rewrapped: cuffs of `now` of which only the tube's line is compared.

    Raises:
        DataError: fewer than three markers of the part are in both surveys.
    """
    build = _Builder(record, now, record_from_now, told_from_record.rotation)
    for m in stayed:
        build.whole(m)
    sites = _sites(build, part, rewrapped, told_from_record)
    if len(sites) < 3:
        raise DataError(
            f"{few_markers(len(sites), part)} in both surveys",
            f"{record.frame} and {now.frame}",
            f"photograph at least three markers of the {part} that are also in the record",
        )
    values, sources = build.done()
    covariance = np.add(*(s.jacobian @ s.survey.joint(list(s.markers)) @ s.jacobian.T
                          for s in sources))  # fmt: skip
    if not len(stayed):
        covariance = _without_common_scale(build, sites, told_from_record, covariance)
    places = told_from_record.apply(
        np.array([record.poses[record.row(m)].translation for m in stayed]).reshape(-1, 3)
    )
    everything = np.concatenate([places, np.array([s.place for s in sites])])
    rows = motion_rows(everything - everything.mean(axis=0)).reshape(-1, 3, 6)
    ways = [np.eye(3)] * len(stayed) + [s.ways for s in sites]
    motion = np.concatenate([w @ r for w, r in zip(ways, rows, strict=True)])
    # Free nets know nothing of their own place: any amount of rigid motion changes no comparison,
    # but keeps the matrix regular.
    size = motion / np.linalg.norm(motion, axis=0) * np.sqrt(len(motion))
    filled = np.mean(np.diag(covariance))
    covariance = covariance + filled * size @ size.T + 1e-10 * np.eye(len(covariance))
    if not len(stayed):
        return Displacements(tuple(sites), values, covariance, sources, free=True)
    gain = _against(3 * len(stayed), motion, covariance)
    then, later = (replace(s, jacobian=gain @ s.jacobian) for s in sources)
    return Displacements(
        tuple(sites), gain @ values, gain @ covariance @ gain.T, (then, later)
    )  # fmt: skip


def _without_common_scale(
    build: _Builder, sites: list[Site], told_from_record: Rigid, covariance: Array
) -> Array:
    """Take off what two surveys owe to the same readings of the same rules.

    An error of such a reading stretches both alike, so it is not in their difference. It is in both
    covariances, as u^2 s s^T with s the places from the middle of the survey's markers.
    """
    u = common_scale_u(build.record, build.now)
    if u == 0.0:
        return covariance
    out = covariance
    told_from_now = told_from_record @ build.record_from_now
    for survey, told in ((build.record, told_from_record), (build.now, told_from_now)):
        middle = told.apply(np.mean([p.translation for p in survey.poses], axis=0))
        stretch = np.concatenate([s.ways @ (s.place - middle) for s in sites])
        out = out - u**2 * np.outer(stretch, stretch)
    # What was rounded on the way must not make a variance negative.
    values, vectors = np.linalg.eigh(out)
    return np.asarray((vectors * np.maximum(values, 1e-8)) @ vectors.T)


def _against(fixed: int, motion: Array, covariance: Array) -> Array:
    """Gain (m, fixed + m) of displacements against the first `fixed` numbers, which stood still."""
    own, cross = covariance[:fixed, :fixed], covariance[fixed:, :fixed]
    solved = solve_definite(own, np.hstack([motion[:fixed], cross.T]))
    weighted = solved[:, : motion.shape[1]]
    align = np.linalg.solve(motion[:fixed].T @ weighted, weighted.T)
    rest = np.eye(fixed) - motion[:fixed] @ align
    carried = motion[fixed:] @ align + solved[:, motion.shape[1] :].T @ rest
    return np.hstack([-carried, np.eye(len(covariance) - fixed)])


def _sites(
    build: _Builder, part: str, rewrapped: frozenset[int], told_from_record: Rigid
) -> list[Site]:
    """Sites of the part, in the record's order; cuffs with new ids last, by their line."""
    record, now = build.record, build.now
    rules = _rules(record, part)
    cuffs = {c.first_id: c for c in now.kit.cuff}
    both = [m for m in record.of_part(part) if now.has(m)]
    new = [m for m in now.of_part(part) if not record.has(m) and m in cuffs]
    out = []
    for m in [*both, *new]:
        cuff = cuffs.get(m)
        rule = rules.get((cuff.tube, cuff.straight)) if cuff is not None else None
        label = label_of(now, m)
        if record.has(m) and m not in rewrapped:
            axis = None if rule is None else told_from_record.turn(rule.axis(build.poses).direction)
            place = build.whole(m)
            out.append(Site(m, label, told_from_record.apply(place), np.eye(3), axis))
        elif rule is not None:
            place, ways = build.line(m, rule)
            told = ways @ told_from_record.rotation.T
            axis = told_from_record.turn(rule.axis(build.poses).direction)
            out.append(
                Site(m, f"{label} (line only)", told_from_record.apply(place), told, axis)
            )  # fmt: skip
    return out


def _rules(record: Survey, part: str) -> dict[tuple[str, int], AxisRule]:
    """The record's straights of a part by tube and number."""
    cuffs: list[CuffSpec] = [c for c in record.kit.cuff if c.part == part]
    tubes = dict.fromkeys(c.tube for c in cuffs if record.has(c.first_id))
    return {
        (tube, s.number): AxisRule.of(record, s)
        for tube in tubes
        for s in straights_of(record, tube)
    }


class _Builder:
    """Differences now less record, with their Jacobians by every marker's tangent."""

    def __init__(self, record: Survey, now: Survey, record_from_now: Rigid, turn: Array) -> None:
        self.record, self.now, self.record_from_now, self.turn = record, now, record_from_now, turn
        self.poses = dict(zip(record.markers, record.poses, strict=True))
        self._values: list[Array] = []
        self._then: list[dict[int, Array]] = []
        self._later: list[dict[int, Array]] = []

    def whole(self, marker: int) -> Array:
        """Add all three coordinates of a marker's centre; its recorded place (3,)."""
        then = self.poses[marker].translation
        pick = np.hstack([np.zeros((3, 3)), self.turn])
        self._add(self.turn @ (self._seen(marker) - then), {marker: -pick}, marker, self.turn)
        return then

    def line(self, cuff: int, rule: AxisRule) -> tuple[Array, Array]:
        """Add a cuff's place across a recorded axis; its foot there (3,) and the ways (2, 3)."""
        seen = self._seen(cuff)
        axis = rule.axis(self.poses)
        foot, ways = axis.foot(seen), two_normals(axis.direction)
        then: dict[int, Array] = {}
        for c in rule.cuffs:
            jacobian = np.zeros((2, 6))
            for k in range(6):
                step = np.zeros(6)
                step[k] = _STEPS[k]
                ends = [
                    rule.axis({**self.poses, c: self.poses[c].step(sign * step)}).foot(seen)
                    for sign in (1.0, -1.0)
                ]
                jacobian[:, k] = -ways @ (ends[0] - ends[1]) / (2.0 * _STEPS[k])
            then[c] = jacobian
        self._add(ways @ (seen - foot), then, cuff, ways)
        return foot, ways

    def done(self) -> tuple[Array, tuple[Source, Source]]:
        """Values (m,), and how they depend on the two surveys."""
        sources = _source(self.record, self._then), _source(self.now, self._later)
        return np.concatenate(self._values), sources

    def _seen(self, marker: int) -> Array:
        return self.record_from_now.apply(self.now.poses[self.now.row(marker)].translation)

    def _add(self, value: Array, then: dict[int, Array], marker: int, ways: Array) -> None:
        later = np.hstack([np.zeros((len(ways), 3)), ways @ self.record_from_now.rotation])
        self._values.append(value)
        self._then.append(then)
        self._later.append({marker: later})


def _source(survey: Survey, blocks: list[dict[int, Array]]) -> Source:
    """Rows that depend on some markers each, as one Jacobian."""
    markers = tuple(dict.fromkeys(m for block in blocks for m in block))
    column = {m: 6 * i for i, m in enumerate(markers)}
    rows = []
    for block in blocks:
        full = np.zeros((len(next(iter(block.values()))), 6 * len(markers)))
        for m, jacobian in block.items():
            full[:, column[m] : column[m] + 6] = jacobian
        rows.append(full)
    return Source(survey, markers, np.concatenate(rows))
