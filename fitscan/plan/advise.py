"""Advice after a survey: the photos that would help most, by the drop in U that they would bring.

What was wrong with the photos themselves (blur, glare) the survey has said already; drawing is
left to `fitscan.report`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitscan.adjust.threads import one_thread
from fitscan.errors import FitscanError
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.plan.lookout import Lookout, Offer
from fitscan.plan.spots import Spot, spots_about
from fitscan.plan.wish import Functional, Wish, centre_of, functional_of, marker_name
from fitscan.plan.words import about_mm, held, side_words, step_words, way_words
from fitscan.survey.survey import Survey

__all__ = ["Advice", "advise", "advise_if_possible", "advised", "with_advice"]

_LEAST_DROP = 0.15
"""Share of U that a photo must take away to be worth the walk."""

_LEAST_MM = 0.01
"""And the least of it, mm: less does not show in a result's two digits."""

_NUMBERS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")

_ONE_SIDE_DEG = 40.0
_MOST_SPOTS = 110
_WEAK = 1.8
"""A marker is weak when its U is this many times that of its kind's middle one."""


@dataclass(frozen=True)
class Advice:
    """One thing that would help.

    Attributes:
        kind: "photo", a photo to add; "lost", markers without a place; "shoot", what was wrong
            with the photos; "limit", when photos do not give what is wanted.
        sentence: in the fitter's words, whole.
        marker: that it is about, if one.
        wish: in words, when it was asked for.
        where: from where in words.
        eye_mm, aim_mm: (3,) where the phone should be and look, in the survey's frame.
        eye_in_car_mm: the same (3,) in the car's axes, None when they are not known.
        upright: whether the phone is held upright.
        distance_mm: from the phone to what the photo is for.
        near_photo: name of the earlier photo that was taken nearest to there.
        expanded_now_mm, expanded_then_mm: U (k = 2) of what it is about, before and after.
        scale_aside: whether this U leaves out the common scale, which no photo improves.
        also: other markers whose U would fall by a fifth or more.
        shows: markers that the photo would show.
    """

    kind: str
    sentence: str
    marker: int | None = None
    wish: str | None = None
    where: str = ""
    eye_mm: Array | None = None
    aim_mm: Array | None = None
    eye_in_car_mm: Array | None = None
    upright: bool = False
    distance_mm: float | None = None
    near_photo: str | None = None
    expanded_now_mm: float | None = None
    expanded_then_mm: float | None = None
    scale_aside: bool = False
    also: tuple[int, ...] = ()
    shows: tuple[int, ...] = ()

    @property
    def spot(self) -> Spot | None:
        """The place as a place for a photo."""
        if self.eye_mm is None or self.aim_mm is None:
            return None
        return Spot(self.eye_mm, self.aim_mm, self.upright)


def advise(survey: Survey, wish: Wish | None = None, *, most: int = 3) -> list[Advice]:
    """Say what would help a survey most.

    Args:
        survey: that is not good enough.
        wish: what is wanted of it; the markers that are known worst if None.
        most: photos to propose.

    Returns:
        what is wrong with the shoot, then photos to add, best first; each counts on those before.

    Raises:
        InputError: the wish names what the survey does not have.
        DataError: the survey's photos do not hang together.
    """
    with one_thread():
        lookout = Lookout.of(survey)
        out = [*_shoot(lookout), *_lost(survey)]
        if wish is not None:
            found = _for_wish(lookout, wish, most)
            return [*found, *_limits(lookout, wish, found), *out]
        return [*_for_weakest(lookout, most), *out]


def advise_if_possible(survey: Survey) -> list[Advice]:
    """The same of what is known worst, or nothing where the survey is too poor to be asked."""
    try:
        return advise(survey)
    except FitscanError:
        return []


def with_advice(survey: Survey, advice: Sequence[Advice]) -> Survey:
    """The survey with this advice's sentences behind its own."""
    own = survey.quality.advice
    more = tuple(a.sentence for a in advice if a.sentence not in own)
    return replace(survey, quality=replace(survey.quality, advice=(*own, *more)))


def advised(survey: Survey) -> Survey:
    """The survey with what would help it most, as far as that can be told."""
    return with_advice(survey, advise_if_possible(survey))


# ---------------------------------------------------------------- photos to add


def _for_weakest(lookout: Lookout, most: int) -> list[Advice]:
    """Photos for the markers that are known worst, scale aside; one marker after another."""
    out: list[Advice] = []
    done: set[int] = set()
    for _ in range(most):
        ranked = [m for m in _weak(lookout) if m not in done][:2]
        best: tuple[float, float, int, Functional, Offer] | None = None
        for marker in ranked:
            done.add(marker)
            what = centre_of(marker)
            offers = _offers(lookout, (marker,))
            rows = what.rows(lookout.foresight, scale=False)
            now = what.expanded(rows @ lookout.foresight.covariance @ rows.T)
            for offer, then in zip(offers, lookout.after(rows, what, offers), strict=True):
                if best is None or then / now < best[0]:
                    best = (then / now, now - then, marker, what, offer)
        if best is None or best[0] > 1.0 - _LEAST_DROP or best[1] < 2.0 * _LEAST_MM:
            continue
        _, _, marker, what, offer = best
        grown = lookout.grown(offer)
        out.append(_told(lookout, grown, what, offer, None, marker, scale=False))
        done |= set(out[-1].also)
        lookout = grown
    return out


def _weak(lookout: Lookout) -> list[int]:
    """Markers that are known badly for their kind, worst first; scale aside."""
    survey = lookout.survey
    cuffs = {c.first_id for c in survey.kit.cuff}
    expanded = lookout.each
    out: list[tuple[float, int]] = []
    for kind in (False, True):
        rows = [i for i, m in enumerate(survey.markers) if (m in cuffs) is kind]
        if not rows:
            continue
        middle = float(np.median(expanded[rows]))
        out += [(expanded[i] / middle, survey.markers[i]) for i in rows]
    return [m for share, m in sorted(out, reverse=True) if share > _WEAK]


def _for_wish(lookout: Lookout, wish: Wish, most: int) -> list[Advice]:
    """Photos for what was asked, one after another, until U is as wanted or none helps."""
    survey = lookout.survey
    what = functional_of(wish, survey.kit, lookout.stage.poses, _option(wish))
    out: list[Advice] = []
    for _ in range(most):
        rows = what.rows(lookout.foresight)
        now = what.expanded(rows @ lookout.foresight.covariance @ rows.T)
        if wish.wanted_mm is not None and now <= wish.wanted_mm:
            break
        offers = _offers(lookout, what.about)
        if not offers:
            break
        then = lookout.after(rows, what, offers)
        best = int(np.argmin(then))
        # Where the scale holds U up, a photo still helps if it helps what is left.
        if then[best] > (1.0 - 0.2 * _LEAST_DROP) * now or now - then[best] < _LEAST_MM:
            break
        marker = _nearest_of(lookout, what.about, offers[best])
        grown = lookout.grown(offers[best])
        out.append(_told(lookout, grown, what, offers[best], wish, marker, scale=True))
        lookout = grown
    return out


def _offers(lookout: Lookout, markers: tuple[int, ...]) -> list[Offer]:
    """Photos that one could take of some markers, thinned out evenly to what time allows."""
    spots: list[Spot] = []
    f = float(lookout.survey.lens.values[0])
    for marker in markers:
        spots += spots_about(lookout.stage, marker, lookout.eyes, f)
    if len(spots) > _MOST_SPOTS:
        pick = np.linspace(0, len(spots) - 1, _MOST_SPOTS).round().astype(int)
        spots = [spots[i] for i in pick]
    return lookout.offers(spots, frozenset(markers)) if spots else []


def _nearest_of(lookout: Lookout, markers: tuple[int, ...], offer: Offer) -> int:
    """The marker of a wish that a photo is taken of: the seen one nearest to its middle."""
    seen = [m for m in markers if m in offer.markers] or list(markers)
    away = [np.linalg.norm(lookout.stage.poses[m].translation - offer.spot.aim) for m in seen]
    return seen[int(np.argmin(away))]


# ---------------------------------------------------------------- telling


def _told(
    lookout: Lookout,
    grown: Lookout,
    what: Functional,
    offer: Offer,
    wish: Wish | None,
    marker: int,
    *,
    scale: bool,
) -> Advice:
    """An offer in words, with U before and after; `grown` is the lookout with it.

    U now is the survey's own where nothing was added yet; the drop is the one that the network,
    set up again, predicts.
    """
    rows = what.rows(lookout.foresight, scale=scale)
    built = what.expanded(rows @ lookout.foresight.covariance @ rows.T)
    now = built * _trust(lookout, what, scale)
    (then,) = lookout.after(rows, what, [offer])
    then *= now / built
    spot, pose = offer.spot, lookout.stage.poses[marker]
    distance = float(np.linalg.norm(spot.eye - pose.translation))
    where, near = _where(lookout, marker, spot)
    aside = "" if scale else ", scale aside"
    numbers = f"U {now:.2f} mm now, {then:.2f} mm then{aside}"
    also = _also(lookout, grown, marker)
    subject = _cause(lookout, marker)
    if wish is not None:
        subject = f"For {wish.words}"
    helps = ""
    if also:
        names = ", ".join(marker_name(lookout.survey.kit, m) for m in also[:2])
        helps = f"; it also helps {names}"
    sentence = f"{subject}: add one {where}, {about_mm(distance)}, {held(spot.upright)}"
    if wish is not None:
        name = marker_name(lookout.survey.kit, marker)
        sentence = f"{subject}: add a photo of {name} {where}, {about_mm(distance)}, "
        sentence += held(spot.upright)
    in_car = lookout.axes.car_from_survey.apply(spot.eye) if lookout.axes.known else None
    return Advice(
        "photo", f"{sentence} ({numbers}{helps})", marker, wish.words if wish else None, where,
        spot.eye, spot.aim, in_car, spot.upright, distance, near, now, then, not scale, also,
        offer.markers,
    )  # fmt: skip


def _trust(lookout: Lookout, what: Functional, scale: bool) -> float:
    """The survey's own U over that of its network set up again."""
    rows = what.rows(lookout.first, scale=scale)
    built = what.expanded(rows @ lookout.first.covariance @ rows.T)
    return lookout.expanded(what, scale=scale) / max(built, 1e-9)


def _where(lookout: Lookout, marker: int, spot: Spot) -> tuple[str, str]:
    """From where, in words; and the name of the photo that was taken nearest to there."""
    here = lookout.stage.poses[marker].translation
    own = lookout.sights(marker)
    words = side_words(here, spot.eye, lookout.eyes[own], lookout.stage.bars)
    way = way_words(spot.eye - here, lookout.axes)
    place = int(np.argmin(np.linalg.norm(lookout.eyes - spot.eye, axis=1)))
    near = lookout.photos[place]
    if words is not None and lookout.axes.known:
        return f"{way} ({words})", near.name
    if words is not None or lookout.axes.known:
        return words or way, near.name
    cam = near.cam_from_survey
    assert cam is not None  # Only photos with a pose are in the lookout.
    up = lookout.axes.car_from_survey.rotation[2]
    step = step_words(spot.eye, lookout.eyes[place], cam.rotation, up)
    return (f"{way}, {step} of where {near.name} was taken" if step else way), near.name


def _cause(lookout: Lookout, marker: int) -> str:
    """Why a marker is known badly: too few photos, or all from one side."""
    name = marker_name(lookout.survey.kit, marker)
    own = lookout.sights(marker)
    word = dict(enumerate(_NUMBERS, 1)).get(len(own), str(len(own)))
    count = f"{word} photo{'s' if len(own) != 1 else ''}"
    spread = _spread_deg(lookout, marker, own)
    side = ", all from one side" if spread < _ONE_SIDE_DEG and len(own) > 1 else ""
    return f"{name[0].upper()}{name[1:]} is seen in {count}{side}"


def _spread_deg(lookout: Lookout, marker: int, own: Array) -> float:
    """Largest angle between two lines of sight to a marker."""
    ways = lookout.eyes[own] - lookout.stage.poses[marker].translation
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    return float(np.degrees(np.arccos(np.clip((ways @ ways.T).min(initial=1.0), -1.0, 1.0))))


def _also(lookout: Lookout, grown: Lookout, marker: int) -> tuple[int, ...]:
    """Other markers that the photo helps by a fifth or more, most helped first."""
    before, after = lookout.each, grown.each
    helped = [
        (after[i] / before[i], m)
        for i, m in enumerate(lookout.survey.markers)
        if m != marker and after[i] < 0.8 * before[i]
    ]
    return tuple(m for _, m in sorted(helped)[:6])


# ---------------------------------------------------------------- what photos cannot mend


def _limits(lookout: Lookout, wish: Wish, found: list[Advice]) -> list[Advice]:
    """Say so when photos do not give what is wanted, and what holds U up."""
    survey = lookout.survey
    what = functional_of(wish, survey.kit, lookout.stage.poses, _option(wish))
    full, aside = (lookout.expanded(what, scale=s) for s in (True, False))
    reached = found[-1].expanded_then_mm if found else full
    assert reached is not None  # Photos that are proposed have their numbers.
    wanted = wish.wanted_mm
    if wanted is not None and reached <= wanted:
        if found:
            return []
        return [_limit(wish, full, f"U of {wish.words} is {full:.2f} mm already: no photo needed")]
    if aside < 0.7 * full:
        known = 100.0 * COVERAGE * survey.quality.scale_u
        todo = (
            "read the rules again with a smaller u, or lay a longer one"
            if survey.quality.scale_source == "rules"
            else "lay a rule of two tags into the scene and measure it"
        )
        sentence = (
            f"U of {wish.words} is {full:.2f} mm because the scale is only known to {known:.3f} %, "
            f"which no photo mends; without that it would be {aside:.2f} mm: {todo}"
        )
        return [_limit(wish, full, sentence)]
    if wanted is not None:
        sentence = (
            f"No photo from near where you stood brings U of {wish.words} much below "
            f"{full:.2f} mm, and {wanted:.2f} mm are wanted: stick cuffs or tags farther apart, or "
            "larger ones"
        )
        if found:
            sentence = (
                f"With {'this photo' if len(found) == 1 else 'these photos'} U of {wish.words} is "
                f"{reached:.2f} mm, and {wanted:.2f} mm are wanted: take "
                f"{'it' if len(found) == 1 else 'them'}, survey again, and ask again"
            )
        return [_limit(wish, full, sentence)]
    if not found:
        sentence = f"No photo from near where you stood takes much off U of {wish.words}"
        return [_limit(wish, full, f"{sentence} ({full:.2f} mm)")]
    return []


def _limit(wish: Wish, full: float, sentence: str) -> Advice:
    return Advice("limit", sentence, wish=wish.words, expanded_now_mm=full)


def _option(wish: Wish) -> str:
    return "--marker" if wish.tube is None else "--gap" if wish.gap else "--tube"


def _lost(survey: Survey) -> list[Advice]:
    """Markers that photos showed too seldom to place them."""
    few = [
        d.tag_id
        for d in survey.quality.dropped
        if not d.photo and ("fewer than two photos" in d.reason or "two photos alone" in d.reason)
    ]
    if not few:
        return []
    names = ", ".join(marker_name(survey.kit, m) for m in few[:4])
    more = f" and {len(few) - 4} more" if len(few) > 4 else ""
    sentence = (
        f"{names[0].upper()}{names[1:]}{more} got no place, being seen in too few photos: add two "
        "photos from different sides, each together with its neighbours"
    )
    return [Advice("lost", sentence, marker=few[0])]


def _shoot(lookout: Lookout) -> list[Advice]:
    """What was wrong with the photos as a whole: a changed lens, tags too small."""
    out = []
    changed = [p for p in lookout.photos if abs(np.log(p.focal_factor)) > 0.006]
    if changed:
        worst = max(changed, key=lambda p: abs(np.log(p.focal_factor)))
        percent = 100.0 * abs(worst.focal_factor - 1.0)
        more = f" (and {len(changed) - 1} more)" if len(changed) > 1 else ""
        out.append(
            Advice(
                "shoot",
                f"{worst.name}{more} was taken with the lens set {percent:.1f} % away from the "
                "other photos: keep to one lens without zoom, and lock the focus if the phone can",
            )
        )
    small = [m for m in lookout.survey.markers if _largest_px(lookout, m) < 22.0]
    if small:
        names = ", ".join(marker_name(lookout.survey.kit, m) for m in small[:3])
        more = f" and {len(small) - 3} more" if len(small) > 3 else ""
        out.append(
            Advice(
                "shoot",
                f"{names[0].upper()}{names[1:]}{more} is never larger than 22 px: go nearer",
                marker=small[0],
            )
        )
    return out


def _largest_px(lookout: Lookout, marker: int) -> float:
    """Side of a marker's square in the photo that was taken nearest to it, px, seen head-on."""
    own = lookout.sights(marker)
    if len(own) == 0:
        return np.inf
    away = np.linalg.norm(lookout.eyes[own] - lookout.stage.poses[marker].translation, axis=1)
    network = lookout.foresight.network
    side = network.layout.tags[network.layout.markers[marker][0]].side_mm
    return float(lookout.survey.lens.values[0]) * side / float(away.min())
