"""What an undecided number's uncertainty is made of, and which photo or rule would decide it.

Shared by every comparison. What a number is, and what it is held against, is left to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from fitscan.fit.labels import label_of, list_of
from fitscan.geometry.rotation import Array
from fitscan.shape.propagate import MarkerInput
from fitscan.survey.survey import Survey

__all__ = ["Deciding", "Influence", "Share", "influences_of", "steepest", "what_decides"]

_HOPELESS = 0.1
"""Part of U below which a margin cannot be reached by photos: U would have to fall to a tenth."""

_MOST_SHARES = 3
_SIDES = ("the front", "behind", "the left", "the right", "above", "below")


@dataclass(frozen=True)
class Influence:
    """How a number depends on one survey.

    Attributes:
        survey: which.
        markers: ids of its markers that matter.
        gradient: (6 n,) of the number by their tangents (turn rad, centre mm), in that order.
        carriers: those of them that only bring two surveys together; told as one.
        carried_by: what they are called: "the shell's markers".
        shared_scale_u: part of its scale's relative standard uncertainty that cancels, because
            the surveys compared rest on the same readings of the same rules.
        past: whether its shoot cannot be taken again, because something moved since.
        told_turn: (3, 3) rotation from the survey's frame to the car's axes, or None where those
            are not known.
    """

    survey: Survey
    markers: tuple[int, ...]
    gradient: Array
    carriers: frozenset[int] = field(default_factory=frozenset)
    carried_by: str = "the markers that carry it over"
    told_turn: Array | None = None
    past: bool = False
    shared_scale_u: float = 0.0


@dataclass(frozen=True)
class Share:
    """One cause of an uncertainty.

    Attributes:
        name: "cuff 112 in door_shut", "the scale of door_shut".
        part: of the variance; all parts add up to 1, and one may be negative where errors cancel.
        remedy: what makes it smaller; empty when nothing does any more.
    """

    name: str
    part: float
    remedy: str


@dataclass(frozen=True)
class Deciding:
    """What would decide a number.

    Attributes:
        needed: expanded uncertainty (k = 2) at which it would be decided, if it stayed as it is.
        shares: causes of the uncertainty, largest first.
        sentence: for the fitter.
    """

    needed: float
    shares: tuple[Share, ...]
    sentence: str


def influences_of(
    gradients: Sequence[Array],
    inputs: Sequence[MarkerInput],
    *,
    carriers: Sequence[int] = (),
    carried_by: str = "the markers that carry it over",
    told_turn: Array | None = None,
) -> list[Influence]:
    """Influences of one number that was propagated from several surveys.

    Args:
        gradients: (6 n,) for each input.
        inputs: markers of each survey.
        carriers: markers that only bring surveys together, in all of them.
        carried_by: what these are called.
        told_turn: (3, 3) rotation from the frame of the only survey to the car's axes.
    """
    return [
        Influence(
            i.survey, i.markers, g, frozenset(carriers) & set(i.markers), carried_by, told_turn
        )
        for g, i in zip(gradients, inputs, strict=True)
        if len(i.markers)
    ]


def steepest(vector: Array, covariance: Array) -> Array:
    """The direction (k,) in which a length's uncertainty counts: its own, or near 0 the worst."""
    size = float(np.linalg.norm(vector))
    values, vectors = np.linalg.eigh(covariance)
    if size <= 2.0 * float(np.sqrt(max(values[-1], 0.0))):
        return np.asarray(vectors[:, -1])
    return np.asarray(vector / size)


def what_decides(
    value: float,
    expanded: float,
    limit: float,
    influences: Sequence[Influence],
    unit: str = "mm",
    others: Sequence[Share] = (),
) -> Deciding:
    """Say what an uncertainty is made of and what would bring it down far enough.

    The variance g^T S g is split into the part of the survey's scale (g along the positions, times
    the scale's own u) and what is left for each marker, g_m^T (S g)_m.

    Args:
        value: the number, on the side of the limit where it is.
        expanded: its expanded uncertainty (k = 2).
        limit: what it is held against.
        influences: on each survey.
        unit: of all three.
        others: causes that no photo shows, their parts in squared units of the number.
    """
    shares: list[Share] = list(others)
    for influence in influences:
        shares += _shares(influence)
    total = sum(s.part for s in shares)
    shares = [Share(s.name, s.part / max(total, 1e-300), s.remedy) for s in shares]
    shares.sort(key=lambda s: -s.part)
    needed = abs(value - limit)
    digits = 3 if unit == "deg" else 2
    if needed < _HOPELESS * expanded:
        sentence = (
            f"It lies within {needed:.{digits}f} {unit} of the limit: no photo will decide that, "
            "so move it away from the limit, or check it by hand"
        )
        return Deciding(needed, tuple(shares), sentence)
    surplus = 1.0 - (needed / expanded) ** 2
    past = sum(s.part for s in shares if not s.remedy)
    if past > 1.0 - surplus:
        sentence = (
            f"It takes U of {needed:.{digits}f} {unit} instead of {expanded:.{digits}f} {unit} to "
            f"decide, but {expanded * np.sqrt(past):.{digits}f} {unit} are the record's own, which "
            "cannot be photographed again: check it by hand"
        )
        return Deciding(needed, tuple(shares), sentence)
    # What is named must be able to bring the variance down as far as it takes.
    named: list[Share] = []
    for share in [s for s in shares if s.remedy][:_MOST_SHARES]:
        if share.part < 0.05 and named:
            break
        named.append(share)
        if sum(s.part for s in named) > 1.3 * surplus:
            break
    causes = list_of([f"{s.name} ({100.0 * s.part:.0f} %)" for s in named])
    remedies = list_of(list(dict.fromkeys(s.remedy for s in named)))
    sentence = (
        f"It takes U of {needed:.{digits}f} {unit} instead of {expanded:.{digits}f} {unit} to "
        f"decide; the doubt comes from {causes}; what helps: {remedies}"
    )
    return Deciding(needed, tuple(shares), sentence)


def _shares(influence: Influence) -> list[Share]:
    """Causes in one survey; parts in squared units of the number."""
    survey, markers, g = influence.survey, list(influence.markers), influence.gradient
    centre = np.mean([p.translation for p in survey.poses], axis=0)
    stretch = np.zeros((len(markers), 6))
    stretch[:, 3:] = [survey.poses[survey.row(m)].translation - centre for m in markers]
    along = float(g @ stretch.reshape(-1))
    scale_u = survey.quality.scale_u
    weighted = survey.joint(markers) @ g - along * scale_u**2 * stretch.reshape(-1)
    own_u2 = max(scale_u**2 - influence.shared_scale_u**2, 0.0)
    parts = (g * weighted).reshape(-1, 6).sum(axis=1)
    out = [Share(f"the scale of {survey.name}", along**2 * own_u2, _rule_remedy(survey))]
    carried = [i for i, m in enumerate(markers) if m in influence.carriers]
    if carried:
        out.append(
            Share(
                f"{influence.carried_by} in {survey.name}",
                float(sum(parts[i] for i in carried)),
                f"more photos of {influence.carried_by} for {survey.name}",
            )
        )
    for i, m in enumerate(markers):
        if m not in influence.carriers:
            name = label_of(survey, m).split(", ")[-1]
            remedy = f"more photos of {name} for {survey.name}{_side(influence, i)}"
            out.append(Share(f"{name} in {survey.name}", float(parts[i]), remedy))
    return [Share(s.name, s.part, "") for s in out] if influence.past else out


def _rule_remedy(survey: Survey) -> str:
    count = len(survey.quality.rules)
    if count == 0:
        return "a rule with a measured length"
    if count == 1:
        return "a second rule, as long as the car allows, across the first"
    return "a longer rule, or one read more closely"


def _side(influence: Influence, i: int) -> str:
    """From where another photo of a marker says most of the number: ", best from the left".

    Each photo fixes a point across its line of sight, as (I - e e^T) / distance^2; the best new
    photo leaves the smallest variance along the number's gradient.
    """
    survey, marker = influence.survey, influence.markers[i]
    way = influence.gradient[6 * i + 3 : 6 * i + 6]
    if influence.told_turn is None or float(np.linalg.norm(way)) < 1e-9:
        return ""
    way = way / np.linalg.norm(way)
    pose = survey.poses[survey.row(marker)]
    normal = pose.rotation[:, 2]
    cuff = next((c for c in survey.kit.cuff if c.first_id == marker), None)
    ids = set(cuff.ids) if cuff is not None else {marker}
    information = 1e-12 * np.eye(3)
    weights = []
    for photo in survey.photos:
        if photo.cam_from_survey is not None and ids & set(photo.tags):
            sight = photo.cam_from_survey.inverse().translation - pose.translation
            distance = float(np.linalg.norm(sight))
            ray = sight / distance
            weights.append(distance**-2.0)
            information += (np.eye(3) - np.outer(ray, ray)) * distance**-2.0
    weight = float(np.mean(weights)) if weights else 1e-6
    best: tuple[float, str] | None = None
    for k, words in enumerate(_SIDES):
        ray = (1.0 if k % 2 == 0 else -1.0) * influence.told_turn[k // 2]
        facing = float(ray @ normal)
        if abs(facing) > 0.7 if cuff is not None else facing < 0.4:
            continue
        more = information + weight * (np.eye(3) - np.outer(ray, ray))
        left = float(way @ np.linalg.solve(more, way))
        if best is None or left < best[0] - 1e-9 * abs(left):
            best = (left, words)
    return "" if best is None else f", best from {best[1]}"
