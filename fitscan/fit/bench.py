"""A part on the bench against its own record: what the welds have pulled.

Nothing stands still here but the part's own figure. Two things are told: distances between tubes,
which need no alignment at all, and the pull at each cuff against the cuffs that kept their figure.
A part in its car is left to `recheck`, pictures to `fitscan.report`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import ndtri

from fitscan.errors import DataError, InputError
from fitscan.fit.align import ALPHA, few_markers, robust_start
from fitscan.fit.displacement import Displacements, displacements, rewrapped_cuffs
from fitscan.fit.labels import list_of
from fitscan.fit.recheck import CuffShift, deciding_sentences, shift_at, slid_sentences
from fitscan.fit.rigid_part import RigidPart, rigid_part
from fitscan.fit.verdict import COVERAGE, Verdict, judge
from fitscan.markers.kit import CuffSpec
from fitscan.shape.datum import CarAxes, car_axes
from fitscan.survey.survey import Survey

__all__ = ["Bench", "PairChange", "check_bench", "told_pairs"]

_STEEP = float(np.cos(np.radians(45.0)))
_MOST_TOLD = 4


@dataclass(frozen=True)
class PairChange:
    """How the distance of two tubes changed between two of their cuffs.

    Attributes:
        first, second: labels of the straights: "main hoop, straight 1".
        cuffs: first ids.
        where: "at the feet", "at their upper ends", or "" when it has no name.
        distance_mm: as recorded.
        change_mm: now less record; negative when they have drawn together.
        expanded_mm: expanded uncertainty (k = 2).
        proven: whether the change is more than chance, all pairs considered.
        verdict: of its size against the tolerance.
    """

    first: str
    second: str
    cuffs: tuple[int, int]
    where: str
    distance_mm: float
    change_mm: float
    expanded_mm: float
    proven: bool
    verdict: Verdict

    @property
    def words(self) -> str:
        """A sentence for the fitter."""
        way = "drawn together" if self.change_mm < 0.0 else "spread"
        at = f"{self.where}, " if self.where else ""
        return (
            f"{self.first} and {self.second} have {way} by {abs(self.change_mm):.2f} mm "
            f"(U {self.expanded_mm:.2f} mm) {at}between cuffs {self.cuffs[0]} and {self.cuffs[1]}"
        )


@dataclass(frozen=True)
class Bench:
    """A part against itself.

    Attributes:
        part: which.
        axes: the frame in which everything is told, the record's.
        shifts: the pull at each marker: here a marker's shift is what is left of it.
        pairs: one for each two straights, the largest change first.
        tolerance_mm: for the verdicts.
        sentences: in the fitter's words.
        deciding: for verdicts that are open, what would decide them.
        warnings: that every output must carry.
    """

    part: str
    axes: CarAxes
    shifts: tuple[CuffShift, ...]
    pairs: tuple[PairChange, ...]
    tolerance_mm: float
    sentences: tuple[str, ...]
    deciding: tuple[str, ...]
    warnings: tuple[str, ...]


def check_bench(
    record: Survey,
    now: Survey,
    part: str,
    tolerance_mm: float = 1.0,
    *,
    rewrapped: Sequence[str] = (),
) -> Bench:
    """Hold a part against its own record.

    Args:
        record: survey kept before welding.
        now: survey of the part on the bench.
        part: that was welded ("cage").
        tolerance_mm: largest pull of a marker, and change of a distance, that is accepted.
        rewrapped: cuffs of which only the tube's line is compared: "all", ids, tubes.

    Raises:
        InputError: a kit has no such part, or `rewrapped` names no cuff of it.
        DataError: fewer than four common markers, or they lie on one line.
    """
    for survey in (record, now):
        if part not in survey.kit.parts:
            known = ", ".join(survey.kit.parts)
            raise InputError(f"The kit has no part {part!r}", survey.frame, f"use one of: {known}")
    anew = rewrapped_cuffs(now, part, rewrapped)
    common = [m for m in record.of_part(part) if now.has(m)]
    if len(common) < 4:
        raise DataError(
            f"{few_markers(len(common), part)} in both surveys",
            f"{record.frame} and {now.frame}",
            f"photograph at least four, better all, markers of the {part} in both shoots: three "
            "can hardly show a change of figure",
        )
    kept = [m for m in common if m not in anew]
    trusted = kept if len(kept) >= 3 else common
    there = np.array([record.poses[record.row(m)].translation for m in trusted])
    here = np.array([now.poses[now.row(m)].translation for m in trusted])
    axes = car_axes(record)
    d = displacements(
        record, now, part, robust_start(there, here), axes.car_from_survey, rewrapped=anew
    )
    rigid = rigid_part(d)
    shifts = tuple(shift_at(d, rigid, i, tolerance_mm) for i in range(len(d.sites)))
    pairs = _pairs(record, now, d, axes, tolerance_mm)
    warnings = tuple(dict.fromkeys([*record.quality.warnings, *now.quality.warnings]))
    return Bench(
        part, axes, shifts, pairs, tolerance_mm, _sentences(part, d, rigid, shifts, pairs),
        deciding_sentences(shifts, d.projected(rigid.keep), axes, None, part, tolerance_mm),
        warnings,
    )  # fmt: skip


# ---------------------------------------------------------------- distances


def _pairs(
    record: Survey, now: Survey, d: Displacements, axes: CarAxes, tolerance_mm: float
) -> tuple[PairChange, ...]:
    """The most changed distance of each two straights, the largest change first."""
    cuffs = {c.first_id: c for c in [*record.kit.cuff, *now.kit.cuff]}
    straights: dict[tuple[str, int], list[int]] = {}
    for i, site in enumerate(d.sites):
        cuff = cuffs.get(site.marker_id)
        if cuff is not None:
            straights.setdefault((cuff.tube, cuff.straight), []).append(i)
    asked = sum(len(straights[a]) * len(straights[b]) for a, b in combinations(straights, 2))
    critical = -float(ndtri(0.5 * ALPHA / max(asked, 1)))
    out = []
    for a, b in combinations(straights, 2):
        found = [c for i in straights[a] for j in straights[b] if (c := _change(d, i, j))]
        if found:
            i, j, distance, change, u = max(found, key=lambda c: abs(c[3]) / c[4])
            first, second = (_straight_words(cuffs[d.sites[k].marker_id]) for k in (i, j))
            expanded = COVERAGE * u
            out.append(
                PairChange(
                    first, second, (d.sites[i].marker_id, d.sites[j].marker_id),
                    _where(d, straights, (a, b), (i, j), axes), distance, change, expanded,
                    abs(change) > critical * u, judge(abs(change), expanded, tolerance_mm),
                )
            )  # fmt: skip
    out.sort(key=lambda p: (not p.proven, -abs(p.change_mm)))
    return tuple(out)


def _change(d: Displacements, i: int, j: int) -> tuple[int, int, float, float, float] | None:
    """Sites, distance, its change and the change's u; None where a line does not tell it."""
    away = d.sites[j].place - d.sites[i].place
    distance = float(np.linalg.norm(away))
    way = away / max(distance, 1e-9)
    row = np.zeros(len(d.values))
    for site, sign in ((i, -1.0), (j, 1.0)):
        told = d.sites[site].ways @ way
        # A cuff wrapped anew knows nothing of the way along its tube.
        if float(told @ told) < 0.95:
            return None
        row[d.rows(site)] = sign * told
    u = float(np.sqrt(max(float(row @ d.covariance @ row), 1e-18)))
    return i, j, distance, float(row @ d.values), u


def told_pairs(pairs: Sequence[PairChange]) -> list[PairChange]:
    """Proven changes that tell something new: none of their cuffs was told before."""
    out: list[PairChange] = []
    seen: set[int] = set()
    for p in pairs:
        if p.proven and not seen & set(p.cuffs) and len(out) < _MOST_TOLD:
            out.append(p)
            seen |= set(p.cuffs)
    return out


def _straight_words(cuff: CuffSpec) -> str:
    return f"{cuff.tube}, straight {cuff.straight}"


def _where(
    d: Displacements,
    straights: dict[tuple[str, int], list[int]],
    pair: tuple[tuple[str, int], tuple[str, int]],
    sites: tuple[int, int],
    axes: CarAxes,
) -> str:
    """A name for the ends at which two tubes changed, when both have the same one."""
    if not axes.known:
        return ""
    ends = [_end(d, straights[key], i) for key, i in zip(pair, sites, strict=True)]
    return ends[0] if ends[0] == ends[1] else ""


def _end(d: Displacements, members: list[int], i: int) -> str:
    axis = d.sites[i].axis
    if axis is None or len(members) < 2:
        return ""
    k = int(np.argmax(np.abs(axis)))
    if abs(float(axis[k])) < _STEEP:
        return ""
    along = [float(d.sites[m].place[k]) for m in members]
    here = float(d.sites[i].place[k])
    names = (("at their rear ends", "at their front ends"),
             ("at their right ends", "at their left ends"),
             ("at the feet", "at the top"))[k]  # fmt: skip
    if here == min(along):
        return names[0]
    return names[1] if here == max(along) else ""


# ---------------------------------------------------------------- words


def _sentences(
    part: str,
    d: Displacements,
    rigid: RigidPart,
    shifts: Sequence[CuffShift],
    pairs: Sequence[PairChange],
) -> tuple[str, ...]:
    proven = [p for p in pairs if p.proven]
    told = told_pairs(pairs)
    out = [f"{p.words[0].upper()}{p.words[1:]}" for p in told]
    if len(proven) > len(told):
        more = len(proven) - len(told)
        out.append(
            f"{more} {'pair' if more == 1 else 'pairs'} of tubes more changed their distance, "
            "proven"
        )
    pulled = [s for s in shifts if s.bent]
    if not proven and not pulled:
        widest = max((p.expanded_mm for p in pairs), default=0.0)
        out.append(
            f"The {part} kept its figure: no tube has moved against another beyond chance; a "
            f"distance is known to U {widest:.2f} mm or better"
        )
    if pulled:
        worst = max(pulled, key=lambda s: s.left_size_mm)
        u = worst.size_expanded_mm
        out.append(
            f"{len(pulled)} of {len(shifts)} markers were pulled out of the {part}'s figure, most "
            f"{worst.label}: by {worst.left_size_mm:.2f} mm (U {u:.2f} mm)"
        )
        loose = [s.label.split(", ")[-1] for s in shifts if not s.together]
        those = f"all but {list_of(loose)}" if loose else "all of them"
        out.append(
            f"The pull at each marker is told against the best fit of the markers that kept "
            f"together: {those}"
        )
    out += slid_sentences(d, shifts)
    return tuple(out)
