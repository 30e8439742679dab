"""Sum a finished adjustment up: the survey with its frame, its quality, and what would help.

Nothing is adjusted here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fitscan.adjust.statistics import BAARDA_W, block_test
from fitscan.errors import DataError
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, nearest_rotation
from fitscan.lens.match import LensPrior
from fitscan.lens.model import Lens
from fitscan.survey.clean import Cleaned
from fitscan.survey.gauge import told_covariance
from fitscan.survey.left_out import FEW, MOVED, TWO_TAGS, Evidence, Round, explain
from fitscan.survey.lens_check import check_solution
from fitscan.survey.look import Looked
from fitscan.survey.measurement import PhotoMeasurement
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.reliability import check_markers
from fitscan.survey.rule_block import RuleBlock
from fitscan.survey.state import State, rigid_of
from fitscan.survey.survey import Dropped, PhotoEntry, Quality, RuleCheck, Survey
from fitscan.survey.tag_block import TagBlock

__all__ = ["MOVED", "SCALE_WARNING", "Told", "sum_up"]

SCALE_WARNING = (
    "No rule was measured: all lengths rest on the printed size of the markers, "
    "which is only good to about 0.5 to 1 percent"
)

_LARGEST_U_MM = 0.5
"""A marker seen in two photos only is told if it is known this well (k = 2)."""

_BLURRED_PX, _BLURRED = 1.5, 1.6
"""A photo is told to be blurred above this blur, and above this many times the usual one's."""

_MANY_PALE = 3
"""Pale squares from which on a photo is told; one may be a dirty print."""

_TOO_FEW = "two photos alone do not fix it well enough: add one that shows it from another side"


@dataclass
class Told:
    """What the steps had to leave out so far: observations, and photos with their reason."""

    dropped: list[Dropped]
    refused: dict[Path, str]


@dataclass(frozen=True)
class Finished:
    """The last adjustment and what it was made from.

    Attributes:
        cleaned: the adjustment, with the network that hangs together.
        asked: the network whose squares were looked for.
        given: every square that was measured, by the rows of `asked`.
        measured: per photo of `asked`.
        earlier: the round before, if any.
    """

    cleaned: Cleaned
    asked: Network
    given: SquareObservations
    measured: tuple[PhotoMeasurement, ...]
    earlier: Finished | None = None

    def rounds(self) -> tuple[Round, ...]:
        """All rounds, the last one first."""
        expected = tuple(frozenset(m.expected) for m in self.measured)
        own = Round(self.cleaned, self.asked, self.given, expected)
        return (own, *(self.earlier.rounds() if self.earlier is not None else ()))

    def lost(self) -> list[Dropped]:
        """Markers that were looked for and did not stay, with the reason."""
        stayed = set(self.cleaned.network.markers)
        return [
            Dropped("", marker, _why_lost(row, self.given))
            for row, marker in enumerate(self.asked.markers)
            if marker not in stayed
        ]


def sum_up(
    name: str,
    finished: Finished,
    looked: Looked,
    camera: LensPrior,
    told: Told,
    tell: Callable[[str, int, int], None],
) -> Survey:
    """Make the survey.

    Args:
        name: of the shoot.
        finished: the adjustment.
        looked: the first look at every photo that could be read.
        camera: prior of the lens.
        told: what was left out on the way; grows.
        tell: progress.
    """
    tell("Summing up", 0, 1)
    cleaned = finished.cleaned
    network, state, seen = cleaned.network, cleaned.state, cleaned.seen
    for path in looked.paths:
        if path.name not in network.photos:
            told.refused.setdefault(path, "too few of its markers agree with the other photos")
    looked = looked.only([i for i, p in enumerate(looked.paths) if p.name in network.photos])
    sights = _sights(network, seen)
    torn = _torn(finished)
    kept = [
        i
        for i, n in enumerate(sights)
        if n >= 3 or (network.markers[i] not in torn and _known(cleaned, i))
    ]
    for i in sorted(set(range(len(sights))) - set(kept)):
        marker = network.markers[i]
        told.dropped.append(Dropped("", marker, MOVED if marker in torn else _TOO_FEW))
    found_again = {network.markers[i] for i in kept}
    told.dropped = [
        d for d in _told(finished, looked, told) if d.photo or d.tag_id not in found_again
    ]
    if not kept:
        raise DataError(
            "No marker is known well enough",
            str(looked.folder),
            "take more photos that show the same markers from different sides",
        )
    new_from_old = _frame(network, state, looked)
    poses = tuple(new_from_old @ rigid_of(state.marker[i]) for i in kept)
    order = cleaned.covariance.of("marker", np.array(kept, dtype=np.intp))
    # Told against the survey's own markers: one that was left out would turn all the others.
    centres = np.array([p.translation for p in poses])
    covariance = told_covariance(_turned(order, new_from_old.rotation), centres)
    quality = _quality(network, finished, looked, camera, told, sights)
    checks = check_markers(cleaned)
    forms = {
        m: (float(f[0]), float(f[1]), float(f[2]))
        for m, f in zip(network.cuffs, state.form, strict=True)
        if network.marker_row[m] in kept
    }
    return Survey(
        name,
        network.kit,
        camera.identity,
        Lens(state.lens[0].copy(), camera.lens.width_px, camera.lens.height_px),
        tuple(network.markers[i] for i in kept),
        poses,
        0.5 * (covariance + covariance.T),
        forms,
        _photos(state, cleaned, looked, told, new_from_old),
        tuple(sights[i] for i in kept),
        quality,
        tuple(checks[i] for i in kept),
    )


def _turned(covariance: Array, rotation: Array) -> Array:
    """Covariance (6 n, 6 n) of tangents in a frame that is turned by `rotation` (3, 3)."""
    size = len(covariance)
    half = (covariance.reshape(-1, 3) @ rotation.T).reshape(size, size)
    return np.asarray((half.T.reshape(-1, 3) @ rotation.T).reshape(size, size))


def _torn(finished: Finished) -> set[int]:
    """Markers of which a square was left out: if two photos remain, who says they are right?"""
    bad = finished.given.geometry.marker[finished.cleaned.bad]
    return {finished.asked.markers[int(row)] for row in np.unique(bad)}


def _known(cleaned: Cleaned, row: int) -> bool:
    """Whether a marker's centre is known to `_LARGEST_U_MM` in every direction."""
    covariance = cleaned.covariance.of("marker", np.array([row]))[3:, 3:]
    return bool(2.0 * np.sqrt(np.linalg.eigvalsh(covariance)[-1]) <= _LARGEST_U_MM)


def _sights(network: Network, seen: SquareObservations) -> list[int]:
    """In how many photos each marker was measured."""
    pairs = {
        (int(m), int(p)) for m, p in zip(seen.geometry.marker, seen.geometry.photo, strict=True)
    }
    count = [0] * len(network.markers)
    for m, _ in pairs:
        count[m] += 1
    return count


def _why_lost(row: int, given: SquareObservations) -> str:
    if len(np.unique(given.geometry.photo[given.geometry.marker == row])) >= 2:
        return MOVED
    return FEW


def _frame(network: Network, state: State, looked: Looked) -> Rigid:
    """A frame people can read: origin at the markers' centroid, z up as the phone was held."""
    up = np.zeros(3)
    # Where the top of the upright photo lies in the sensor's picture, by EXIF orientation.
    tops = {1: (0.0, -1.0), 3: (0.0, 1.0), 6: (-1.0, 0.0), 8: (1.0, 0.0)}
    for row, orientation in zip(state.photo, looked.orientation, strict=True):
        top = tops.get(orientation, (0.0, -1.0))
        up += rigid_of(row).rotation.T @ np.array([*top, 0.0])
    centres = state.marker[:, 9:12]
    middle = centres.mean(axis=0)
    z = up / max(float(np.linalg.norm(up)), 1e-9)
    spread = centres - middle
    flat = spread - np.outer(spread @ z, z)
    x = np.linalg.svd(flat, full_matrices=False)[2][0]
    x = x - (x @ z) * z
    # Towards the longer tail, so that the order of the markers does not turn the frame round.
    x = x if np.sum((flat @ x) ** 3) >= 0.0 else -x
    rotation = nearest_rotation(np.stack([x, np.cross(z, x), z]))
    return Rigid(rotation, -rotation @ middle)


def _told(finished: Finished, looked: Looked, told: Told) -> list[Dropped]:
    """What was left out, with the reasons that the photos give when they are asked again."""
    whole = [d for d in told.dropped if not d.photo] + finished.lost()
    names = tuple(p.name for p in looked.paths)
    evidence = Evidence(finished.rounds(), names, looked.found)
    return [d for d in told.dropped if d.photo] + explain(evidence, whole)


def _corner_residuals(cleaned: Cleaned) -> tuple[Array, Array]:
    """Corner residuals (n, 8) px, and the photo rows (n,) they belong to."""
    residuals, photos = [], []
    for block in cleaned.solution.blocks:
        if isinstance(block, TagBlock):
            residuals.append(block.misfit(cleaned.solution.values)[:, :8])
            photos.append(block.geometry.photo)
    return np.concatenate(residuals), np.concatenate(photos)


def _photos(
    state: State,
    cleaned: Cleaned,
    looked: Looked,
    told: Told,
    new_from_old: Rigid,
) -> tuple[PhotoEntry, ...]:
    entries = []
    seen = cleaned.seen
    residuals, photos = _corner_residuals(cleaned)
    for row, path in enumerate(looked.paths):
        mine = seen.geometry.photo == row
        tags = tuple(sorted(int(t) for t in seen.geometry.tag_id[mine]))
        left = residuals[photos == row]
        values = state.photo[row]
        entries.append(
            PhotoEntry(
                path.name,
                looked.sha256[row],
                None,
                tags,
                float(np.sqrt(np.mean(left**2))) if len(left) else 0.0,
                rigid_of(values) @ new_from_old.inverse(),
                float(np.exp(values[12])),
                (float(values[14]), float(values[15])),
                looked.orientation[row],
            )
        )
    for path, reason in told.refused.items():
        entries.append(PhotoEntry(path.name, "", reason))
    return tuple(sorted(entries, key=lambda e: e.name))


def _scale_u(covariance: Array, centres: Array) -> float:
    """Relative standard uncertainty of all lengths: of the size of the cloud of centres."""
    away = centres - centres.mean(axis=0)
    n = len(centres)
    blocks = covariance.reshape(n, 6, n, 6)[:, 3:, :, 3:]
    return float(np.sqrt(np.einsum("ia,iajb,jb->", away, blocks, away)) / (away**2).sum())


def _quality(
    network: Network,
    finished: Finished,
    looked: Looked,
    camera: LensPrior,
    told: Told,
    sights: list[int],
) -> Quality:
    cleaned, measured = finished.cleaned, finished.measured
    residuals, _ = _corner_residuals(cleaned)
    rules = _rules(network, cleaned)
    state = cleaned.state
    printer_u = np.sqrt(np.diag(cleaned.covariance.of("printer")))
    warnings = _rule_warnings(cleaned, rules) if rules else [SCALE_WARNING]
    warnings += _doubles(network, told)
    if looked.unknown:
        ids = ", ".join(str(i) for i in sorted(looked.unknown)[:8])
        warnings.append(f"Ids that the kit does not know were ignored: {ids}")
    lens = check_solution(cleaned.solution, network.lens)
    if lens.sentence is not None:
        warnings.append(lens.sentence)
    return Quality(
        squares=len(cleaned.seen),
        sought=int(sum(int(m.sought.sum()) for m in measured)),
        expected=sum(len(m.expected) for m in measured),
        redundancy=cleaned.covariance.redundancy,
        rms_px=float(np.sqrt(np.mean(residuals**2))),
        flat_factor=cleaned.factors[0],
        cuff_factor=cleaned.factors[1],
        scale_source="rules" if rules else "printed size",
        scale_u=_scale_u(cleaned.covariance.of("marker"), state.marker[:, 9:12]),
        lens_source="camera file" if camera.source == "calibration" else "photos' EXIF",
        printer=(float(state.printer[0, 0]), float(state.printer[0, 1])),
        printer_u=(float(printer_u[0]), float(printer_u[1])),
        ink_mm=float(state.ink[0, 0]),
        rules=rules,
        dropped=tuple(told.dropped),
        warnings=tuple(warnings),
        advice=_advice(finished, bool(rules)),
        rings=lens.rings,
        sectors=lens.sectors,
    )


def _doubles(network: Network, told: Told) -> list[str]:
    """A warning for each marker that has two places in the car."""
    twice = sorted(
        {
            network.layout.tags[d.tag_id].marker_id
            for d in told.dropped
            if "two places of this photo" in d.reason or d.reason.endswith(TWO_TAGS)
        }
    )
    cuffs = {c.first_id for c in network.kit.cuff}
    return [
        f"{'Cuff' if m in cuffs else 'Tag'} {m} is there twice"
        f"{'' if m in network.markers else ' and was left out'}: print another id"
        for m in twice
    ]


def _rules(network: Network, cleaned: Cleaned) -> tuple[RuleCheck, ...]:
    number = next(
        (i for i, b in enumerate(cleaned.solution.blocks) if isinstance(b, RuleBlock)), None
    )
    if number is None:
        return ()
    block = cleaned.solution.blocks[number]
    assert isinstance(block, RuleBlock)
    test = block_test(cleaned.covariance, number)
    out = []
    for i, u in enumerate(block.u_mm):
        ends = block.ends[i]
        r = float(np.clip(test.redundancy[i], 0.0, 1.0))
        smallest = float(test.smallest[i] * u) if r > 0.01 else None
        difference = float(cleaned.solution.linears[number].residual[i, 0] * u)
        ids = (network.markers[int(ends[0])], network.markers[int(ends[1])])
        out.append(RuleCheck(ids, float(block.length_mm[i]), float(u), difference, r, smallest))
    return tuple(out)


def _rule_warnings(cleaned: Cleaned, rules: tuple[RuleCheck, ...]) -> list[str]:
    """What must be said when rules contradict each other, or one the printed sizes."""
    number = next(i for i, b in enumerate(cleaned.solution.blocks) if isinstance(b, RuleBlock))
    worst = block_test(cleaned.covariance, number).worst
    wrong = [r for r, w in zip(rules, worst, strict=True) if w > BAARDA_W]
    if not wrong:
        return []
    said = ", ".join(
        f"{r.ids[0]} to {r.ids[1]} (read {r.length_mm:g} mm, "
        f"measured {r.length_mm + r.difference_mm:.1f} mm)"
        for r in wrong
    )
    against = "each other" if len(rules) > 1 else "the printed sizes"
    return [f"The rules contradict {against}, so no length can be trusted: read again {said}"]


def _advice(finished: Finished, has_rules: bool) -> tuple[str, ...]:
    """What to do better the next time; which photos to add is left to `fitscan.plan`."""
    out = []
    if not has_rules:
        out.append(
            "Lay two tags at a measured distance into the scene and enter it as a rule: "
            "it gives every length its true scale"
        )
    photos = finished.asked.photos
    blurred = _blurred(finished.measured)
    if blurred:
        worst = max(blurred.values())
        one = len(blurred) == 1
        out.append(
            f"{_named([photos[i] for i in blurred])} {'is' if one else 'are'} blurred "
            f"({worst:.1f} px): hold still, wipe the lens, wait for the focus, or add light"
        )
    pale = {i: m.pale for i, m in enumerate(finished.measured) if len(m.pale) >= _MANY_PALE}
    if pale:
        ids = sorted({t for p in pale.values() for t in p})
        out.append(
            f"Glare or deep shadow lies on markers in {_named([photos[i] for i in pale])} (ids "
            f"{', '.join(str(t) for t in ids[:6])}{' ...' if len(ids) > 6 else ''}): move the lamp "
            "or step aside, and use matt paper"
        )
    return tuple(out)


def _blurred(measured: tuple[PhotoMeasurement, ...]) -> dict[int, float]:
    """Photos that are much less sharp than the shoot's usual one, with their blur in px."""
    blur = {i: float(np.median(m.blur_px)) for i, m in enumerate(measured) if len(m.blur_px)}
    if not blur:
        return {}
    usual = float(np.median(list(blur.values())))
    return {i: b for i, b in blur.items() if b > max(_BLURRED_PX, _BLURRED * usual)}


def _named(photos: list[str]) -> str:
    """A few names, and how many more."""
    more = f" and {len(photos) - 3} more" if len(photos) > 3 else ""
    return ", ".join(photos[:3]) + more
