"""Where a scan lies in a survey: by picked points, refined on the markers' paper if that helps.

The refinement is point to plane, as in ICP (Y. Chen, G. Medioni, "Object modelling by registration
of multiple range images", 1992, from memory), but adjusted together with the picked points, so
that a flat panel cannot slide along itself. Clearances are left to `fitscan.fit`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from fitscan.adjust.chi_squared import chi2_isf
from fitscan.errors import DataError
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, skew
from fitscan.shape.propagate import Poses
from fitscan.shape.scan import UNITS_MM, Scan
from fitscan.shape.scan_points import ScanPoints
from fitscan.shape.scan_surface import Surface
from fitscan.survey.survey import Survey

__all__ = ["NamedMisfit", "Placement", "place_scan"]

_FEWEST = 3
_ALPHA = 0.01
_PAPER_U_MM = 0.05
_LIE_MM, _CURL_MM = 0.1, 0.05
"""How far a whole sticker stands off the surface below it, and each corner besides (common
practice, no source)."""
_REACH_MM = 3.0
_BRIDGED_MM = 0.5
_HELPS = 0.9
"""A refinement that makes the place's uncertainty smaller by less is not worth its risk."""
_SAME_WAY = float(np.cos(np.radians(20.0)))
_OFF_SURFACE_MM = 10.0
_SCALE_ODD = 0.03


@dataclass(frozen=True)
class NamedMisfit:
    """A picked point after placing.

    Attributes:
        marker: id.
        misfit_mm: distance from where the survey has it.
        used: whether it took part; one that contradicts the others did not.
    """

    marker: int
    misfit_mm: float
    used: bool


@dataclass(frozen=True)
class Placement:
    """A scan in a survey.

    Attributes:
        scan: name of its file; sha256: of its content.
        survey_from_scan: transform, for the surveyed poses.
        own: (6, 6) covariance of its tangent from picks, paper and scan alone; what the survey's
            poses add is correlated with the bar and comes through `survey_from_scan_for`.
        covariance: (6, 6) of the same tangent with what the survey's poses add.
        spread: factor by which the picks scatter more than they were said to; 1 at least.
        named: every picked point.
        scale, scale_u: size in the survey over size in the scan, with standard uncertainty.
        planes: squares of paper's corners that refined it; 0 when it was not refined.
        plane_rms_mm: their distance from the surface.
        remarks: sentences for the fitter.
        rules: observed quantities and their gain, see `survey_from_scan_for`.
    """

    scan: str
    sha256: str
    survey_from_scan: Rigid
    own: Array
    covariance: Array
    spread: float
    named: tuple[NamedMisfit, ...]
    scale: float
    scale_u: float
    planes: int
    plane_rms_mm: float
    remarks: tuple[str, ...]
    rules: _Rows
    gain: Array

    @property
    def markers(self) -> tuple[int, ...]:
        """Markers of the survey that it depends on."""
        return tuple(dict.fromkeys(self.rules.markers))

    def survey_from_scan_for(self, poses: Poses) -> Rigid:
        """The transform for changed poses of the survey: the same weights, to first order."""
        change = self.rules.seen(poses) - self.rules.nominal
        return self.survey_from_scan.step(self.gain @ change)


@dataclass(frozen=True)
class _Rows:
    """Observed numbers: places of marker points in the survey along directions.

    Attributes:
        markers: (n,) marker of each.
        local: (n, 3) place on the marker, in its frame.
        along: (n, 3) unit direction, in the survey's frame.
        scan: (n, 3) the place of the scan that it belongs to.
        noise: (n,) variance of picks, or of paper and scan.
        shared: (n,) variance that all places of one marker share.
        lift: (n,) what the paper's thickness may add to each, one standard uncertainty of it.
        nominal: (n,) observed numbers for the surveyed poses.
    """

    markers: tuple[int, ...]
    local: Array
    along: Array
    scan: Array
    noise: Array
    shared: Array
    lift: Array
    nominal: Array

    def seen(self, poses: Poses) -> Array:
        """Observed numbers (n,) for poses."""
        x = np.array([poses[m].apply(p) for m, p in zip(self.markers, self.local, strict=True)])
        return np.asarray((x * self.along).sum(axis=1))

    def joined(self, other: _Rows) -> _Rows:
        """Both."""

        def both(name: str) -> Array:
            return np.concatenate([getattr(self, name), getattr(other, name)])

        return _Rows(
            (*self.markers, *other.markers), both("local"), both("along"), both("scan"),
            both("noise"), both("shared"), both("lift"), both("nominal"),
        )  # fmt: skip

    def covariance(self) -> Array:
        """Covariance (n, n) of what is not the survey's.

        The paper's thickness is the same everywhere, and so is what is not known of it.
        """
        ids = np.array(self.markers)
        size = np.sqrt(self.shared)
        together = np.outer(size, size) * (ids[:, None] == ids)
        return np.asarray(np.diag(self.noise) + together + np.outer(self.lift, self.lift))


def place_scan(survey: Survey, scan: Scan, points: ScanPoints) -> tuple[Placement, Surface]:
    """Place a scan and give its surface, whose outside is where the markers' paper faces.

    Raises:
        InputError: a picked point is no tag or pointer of the kit.
        DataError: fewer than three picked points were measured or agree; the scan is in another
            unit, of another size, or of something else.
    """
    markers = points.markers(survey.kit)
    missing = [m for m in markers if not survey.has(m)]
    rows = [i for i, m in enumerate(markers) if m not in missing]
    if len(rows) < _FEWEST:
        lost = f" (not found in the photos: {', '.join(map(str, missing))})" if missing else ""
        raise DataError(
            f"Only {len(rows)} of the scan's named points were measured{lost}, and 3 are needed"
            if rows
            else f"None of the scan's named points was measured{lost}, and 3 are needed",
            f"{points.source} and {survey.frame}",
            "name at least three, better five, tags or pointers around the bar that the survey has",
        )
    ids = [markers[i] for i in rows]
    local = np.array([_local(survey, m, points.paper_mm) for m in ids])
    poses = {m: survey.poses[survey.row(m)] for m in ids}
    x = np.array([poses[m].apply(p) for m, p in zip(ids, local, strict=True)])
    s = points.points[rows]
    scale, scale_u = _scale(survey, s, x, points)
    keep = list(range(len(ids)))
    fitted = _named_fit(survey, ids, local, s, points, keep)
    while fitted.statistic > fitted.critical and len(keep) > _FEWEST:
        trials = [[k for k in keep if k != i] for i in keep]
        fits = [_named_fit(survey, ids, local, s, points, t) for t in trials]
        best = int(np.argmin([f.statistic for f in fits]))
        keep, fitted = trials[best], fits[best]
    off = np.linalg.norm(fitted.survey_from_scan.apply(s) - x, axis=1)
    if fitted.statistic > fitted.critical:
        raise DataError(
            f"The scan's named points do not agree with the survey: up to {off.max():.1f} mm off",
            points.source,
            "check which point is which and how well they were picked (u_mm)",
        )
    paper = np.array([poses[ids[k]].rotation[:, 2] for k in keep])
    surface = Surface.of(scan, s[keep], fitted.survey_from_scan.inverse().turn(paper))
    _on_surface(surface, s[keep], scan, points)
    placement = Placement(
        scan.name, scan.sha256, fitted.survey_from_scan, fitted.own, fitted.total, fitted.spread,
        tuple(NamedMisfit(m, float(o), i in keep) for i, (m, o) in
              enumerate(zip(ids, off, strict=True))),
        scale, scale_u, 0, 0.0, (), fitted.rules, fitted.gain,
    )  # fmt: skip
    refined = _refined(survey, surface, placement, fitted, points)
    return replace(refined, remarks=(*_remarks(refined, missing), *refined.remarks)), surface


def _local(survey: Survey, marker: int, paper_mm: float) -> Array:
    """What a marker marks (3,), in its frame, on the surface below the paper."""
    reach = {p.id: p.reach_mm * survey.quality.printer[1] for p in survey.kit.pointer}
    return np.array([0.0, -reach.get(marker, 0.0), -paper_mm])


def _scale(survey: Survey, s: Array, x: Array, points: ScanPoints) -> tuple[float, float]:
    """Size in the survey over size in the scan, and its standard uncertainty.

    Raises:
        DataError: the points lie on one line, or the scan is in another unit or of another size.
    """
    fit = align_points(s, x, with_scale=True)
    size = float(np.sqrt(((s - s.mean(axis=0)) ** 2).sum())) * fit.scale
    u = float(np.hypot(points.u_mm / size, survey.quality.scale_u))
    for name, mm in UNITS_MM.items():
        factor = mm / UNITS_MM[points.unit]
        if name != points.unit and abs(fit.scale / factor - 1.0) < _SCALE_ODD:
            raise DataError(
                f"The scan is in {name}, not in {points.unit}: its named points lie "
                f"{fit.scale:.4g} times as far apart in the survey",
                points.source,
                f"say so with --mesh-unit {name}",
            )
    if abs(fit.scale - 1.0) > max(_SCALE_ODD, 3.0 * u):
        raise DataError(
            f"The scan does not fit the survey's size: its named points lie {fit.scale:.4g} times "
            "as far apart in the survey",
            points.source,
            "check that it is the scan of this part, its unit, and which point is which",
        )
    return fit.scale, u


@dataclass(frozen=True)
class _Fit:
    survey_from_scan: Rigid
    own: Array
    spread: float
    gain: Array
    rules: _Rows
    statistic: float
    critical: float
    total: Array


def _named_fit(
    survey: Survey, ids: list[int], local: Array, s: Array, points: ScanPoints, keep: list[int]
) -> _Fit:
    markers = [ids[k] for k in keep]
    poses = {m: survey.poses[survey.row(m)] for m in markers}
    x = np.array([poses[m].apply(local[k]) for m, k in zip(markers, keep, strict=True)])
    start = align_points(s[keep], x, with_scale=False).b_from_a
    rules = _rows(
        poses, tuple(np.repeat(markers, 3).tolist()), np.repeat(local[keep], 3, axis=0),
        np.tile(np.eye(3), (len(keep), 1)), np.repeat(s[keep], 3, axis=0), points.u_mm, points,
    )  # fmt: skip
    return _solve(survey, rules, start)


def _rows(
    poses: Mapping[int, Rigid],
    markers: tuple[int, ...],
    local: Array,
    along: Array,
    scan: Array,
    sigma_mm: float,
    points: ScanPoints,
    shared_mm: float = 0.0,
) -> _Rows:
    paper_u = _PAPER_U_MM if points.paper_mm > 0.0 else 0.0
    normals = np.array([poses[m].rotation[:, 2] for m in markers])
    lift = paper_u * (normals * along).sum(axis=1)
    noise = np.full(len(markers), sigma_mm**2)
    shared = np.full(len(markers), shared_mm**2)
    rows = _Rows(markers, local, along, scan, noise, shared, lift, np.zeros(len(markers)))
    return replace(rows, nominal=rows.seen(poses))


def _solve(survey: Survey, rules: _Rows, start: Rigid) -> _Fit:
    """Weighted least squares of the scan's place, with the survey's joint covariance."""
    ids = list(dict.fromkeys(rules.markers))
    from_survey = _survey_jacobian(survey, rules, ids)
    known = from_survey @ survey.joint(ids) @ from_survey.T
    placed, spread = start, 1.0
    other = rules.covariance()
    dof = len(rules.nominal) - 6
    for _ in range(6):
        total = known + spread * other
        arms = placed.turn(rules.scan)
        design = np.einsum("ni,nij->nj", rules.along, _motion(arms))
        off = rules.nominal - (placed.apply(rules.scan) * rules.along).sum(axis=1)
        factor = cho_factor(total)
        weighted = cho_solve(factor, design)
        gain = np.linalg.solve(design.T @ weighted, weighted.T)
        left = off - design @ (gain @ off)
        placed = placed.step(gain @ off)
        plain = cho_factor(known + other)
        statistic = float(left @ cho_solve(plain, left))
        # Picks that scatter more than was said are believed less, never more.
        spread = max(1.0, statistic / dof) if dof > 0 else 1.0
    own = spread * gain @ other @ gain.T
    critical = float(chi2_isf(_ALPHA, dof)) if dof > 0 else np.inf
    return _Fit(
        placed, own, float(np.sqrt(spread)), gain, rules, statistic, critical,
        own + gain @ known @ gain.T,
    )  # fmt: skip


def _motion(arms: Array) -> Array:
    """d point / d tangent (n, 3, 6) for arms (n, 3) from the moved frame's origin."""
    out = np.zeros((len(arms), 3, 6))
    out[:, :, :3] = -skew(arms)
    out[:, :, 3:] = np.eye(3)
    return out


def _survey_jacobian(survey: Survey, rules: _Rows, ids: list[int]) -> Array:
    """d observed numbers / d tangents of the markers' poses (n, 6 k)."""
    out = np.zeros((len(rules.markers), 6 * len(ids)))
    place = {m: i for i, m in enumerate(ids)}
    for n, m in enumerate(rules.markers):
        arm = survey.poses[survey.row(m)].turn(rules.local[n])
        block = 6 * place[m]
        out[n, block : block + 6] = rules.along[n] @ _motion(arm[None])[0]
    return out


def _on_surface(surface: Surface, s: Array, scan: Scan, points: ScanPoints) -> None:
    """Refuse a scan that most of its own named points are not on."""
    off = np.abs(surface.nearest(s).distance)
    bad = int((off > _OFF_SURFACE_MM).sum())
    if 2 * bad > len(s):
        raise DataError(
            f"{bad} of {len(s)} named points are not on the scan: {off.max():.0f} mm from its "
            "surface at worst",
            f"{points.source} and {scan.name}",
            "check that the points were picked in this scan, and its unit",
        )


def _refined(
    survey: Survey, surface: Surface, placement: Placement, named: _Fit, points: ScanPoints
) -> Placement:
    """The placement adjusted to the paper that lies on the surface too, where that helps."""
    part = survey.kit.part_of(named.rules.markers[0])
    cuffs = {c.first_id for c in survey.kit.cuff}
    flat = [m for m in survey.of_part(part) if m not in cuffs]
    fit: _Fit | None = None
    planes: _Rows | None = None
    while True:
        fit, planes = _with_planes(survey, surface, flat, named, points)
        if fit is None or planes is None:
            return placement
        n = len(planes.markers)
        if fit.statistic - named.statistic <= float(chi2_isf(_ALPHA, n)):
            break
        # Paper that stands off what lies below it says nothing: the worst is taken out.
        off = np.abs(_left(fit, planes))
        whose = np.array(planes.markers)
        worst = max(set(planes.markers), key=lambda m: float(off[whose == m].mean()))
        flat = [m for m in flat if m != worst]
    middle = np.mean([survey.poses[survey.row(m)].translation for m in flat], axis=0)
    if _place_u(fit, middle) > _HELPS * _place_u(named, middle):
        return placement
    return replace(
        placement,
        survey_from_scan=fit.survey_from_scan,
        own=fit.own,
        covariance=fit.total,
        spread=fit.spread,
        planes=len(planes.markers),
        plane_rms_mm=float(np.sqrt(np.mean(_left(fit, planes) ** 2))),
        rules=fit.rules,
        gain=fit.gain,
    )


def _with_planes(
    survey: Survey, surface: Surface, flat: list[int], named: _Fit, points: ScanPoints
) -> tuple[_Fit | None, _Rows | None]:
    """Picks and paper together, the paper's feet sought again until nothing moves."""
    side = {t.id: t.side_mm for t in survey.kit.tag}
    side |= {p.id: p.side_mm for p in survey.kit.pointer}
    poses = {m: survey.poses[survey.row(m)] for m in flat}
    fit, planes = named, None
    for _ in range(12):
        planes = _planes(surface, poses, side, fit.survey_from_scan, points)
        if planes is None or len(set(planes.markers)) < _FEWEST:
            return None, None
        step = _solve(survey, named.rules.joined(planes), fit.survey_from_scan)
        moved = fit.survey_from_scan.inverse() @ step.survey_from_scan
        fit = step
        if float(np.abs(moved.translation).max()) < 1e-4:
            break
    return fit, planes


def _left(fit: _Fit, planes: _Rows) -> Array:
    """Distances (n,) of the paper's points from the surface."""
    there = fit.survey_from_scan.apply(planes.scan)
    return np.asarray(planes.nominal - (there * planes.along).sum(axis=1))


def _place_u(fit: _Fit, x: Array) -> float:
    """Standard uncertainty of a placed point (3,), mm: the root of the covariance's trace."""
    rows = _motion((x - fit.survey_from_scan.translation)[None])[0]
    return float(np.sqrt(np.trace(rows @ fit.total @ rows.T)))


def _planes(
    surface: Surface,
    poses: Mapping[int, Rigid],
    side: Mapping[int, float],
    survey_from_scan: Rigid,
    points: ScanPoints,
) -> _Rows | None:
    """The paper's corners and middles that lie near the surface, each along its normal."""
    square = np.array([[0.0, 0.0], [-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    markers: list[int] = []
    local: list[Array] = []
    for m in poses:
        markers += [m] * len(square)
        half = 0.5 * side[m]
        flat = np.column_stack([half * square, np.full(len(square), -points.paper_mm)])
        local += list(flat)
    x = np.array([poses[m].apply(p) for m, p in zip(markers, local, strict=True)])
    feet = surface.nearest(survey_from_scan.inverse().apply(x))
    along = survey_from_scan.turn(feet.normals)
    paper = np.array([poses[m].rotation[:, 2] for m in markers])
    near = (np.abs(feet.distance) < _REACH_MM) & ((along * paper).sum(axis=1) > _SAME_WAY)
    by_marker = feet.distance.reshape(-1, len(square))
    # Paper that bridges a rib or a hollow is not where the surface is.
    lies = near.reshape(-1, len(square)).all(axis=1)
    lies &= np.ptp(by_marker, axis=1) < _BRIDGED_MM + 4.0 * surface.noise_mm
    rows = np.flatnonzero(np.repeat(lies, len(square)))
    if not len(rows):
        return None
    return _rows(
        poses, tuple(markers[i] for i in rows), np.array([local[i] for i in rows]), along[rows],
        feet.points[rows], float(np.hypot(_CURL_MM, surface.noise_mm)), points, _LIE_MM,
    )  # fmt: skip


def _remarks(placement: Placement, missing: list[int]) -> list[str]:
    out = []
    used = [n for n in placement.named if n.used]
    worst = max(used, key=lambda n: n.misfit_mm)
    text = (
        f"The scan {placement.scan} was placed by {len(used)} named points, "
        f"{worst.misfit_mm:.2f} mm off at worst (marker {worst.marker})"
    )
    if placement.planes:
        text += (
            f", and refined on {placement.planes} places of the markers' paper "
            f"({placement.plane_rms_mm:.2f} mm rms)"
        )
    out.append(text)
    for n in placement.named:
        if not n.used:
            out.append(
                f"The scan's point for marker {n.marker} contradicts the others by "
                f"{n.misfit_mm:.1f} mm and was left out: check which point it is"
            )
    if missing:
        listed = ", ".join(map(str, missing))
        out.append(f"Named in the scan and not found in the photos: {listed}")
    off = placement.scale - 1.0
    if abs(off) > max(3.0 * placement.scale_u, 5e-4):
        larger = "smaller" if off > 0 else "larger"
        out.append(
            f"The scan is {1000.0 * abs(off):.1f} per mille {larger} than the survey "
            f"(U {2000.0 * placement.scale_u:.1f}): it was not stretched; check the scanner's scale"
        )
    return out
